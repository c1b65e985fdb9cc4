"""What a person asks of an instrument through the command door, carried out by the thread that owns it.

An act is begun within ``HELD_S`` or not at all: a generator must not go on when nobody expects it any more. One
that only takes away (output off, wait no more) is never too late. What is set is believed when it is read back.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from daemon.commands import AMOUNTS
from daemon.output_mark import OutputMark, reads_off
from drivers.ceiling import CEILING_DBM, Ceiling
from drivers.clock import Clock
from drivers.errors import CommandError, DriverError, InstrumentRefused
from drivers.protocols import InstrumentSpec
from drivers.readings import Poll, Quantity

HELD_S = 5.0
MOST_WAITING = 4  # acts an instrument; more is a caller gone wild

Body = Mapping[str, Any]
Known = Mapping[str, float | str]


@dataclass(frozen=True, slots=True)
class Act:
    """A checked command for one instrument, and until when (``Clock.monotonic_s``) it may be begun."""

    number: int
    body: Body
    begin_by_s: float

    @property
    def takes_away(self) -> bool:
        """True where it only makes things safer."""
        return self.body.get("output") == "off" or bool(self.body.get("undo"))


@dataclass(frozen=True, slots=True)
class Acted:
    """What became of an act. ``before`` and ``after`` are what the instrument said, by quantity; ``polls`` hold
    the readings of that. ``why`` says why it was not done, ``wrong`` which field of the command was wrong;
    ``reached`` is False where nothing had been sent that could change a setting."""

    instrument: str
    number: int
    t_us: int
    polls: tuple[Poll, ...] = ()
    before: Known = field(default_factory=dict)
    after: Known = field(default_factory=dict)
    why: str = ""
    wrong: str = ""
    reached: bool = False


def known_of(poll: Poll) -> dict[str, float | str]:
    """Values by quantity."""
    return {str(reading.quantity): reading.value for reading in poll.readings}


def not_done(instrument: str, act: Act, t_us: int, why: str) -> Acted:
    """An act that was never begun."""
    return Acted(instrument, act.number, t_us, why=why)


class Hand:
    """Does one act on one instrument; keeps what it said on the way."""

    def __init__(self, instrument: Any, spec: InstrumentSpec, clock: Clock, mark: OutputMark) -> None:
        self._instrument = instrument
        self._spec = spec
        self._clock = clock
        self._mark = mark
        self._polls: list[Poll] = []
        self._before: Known = {}
        self._after: Known = {}
        self._reached = False
        self.error: DriverError | None = None

    def carry_out(self, act: Act) -> Acted:
        """Do it; a ``DriverError`` on the way is left in ``error``, for the worker to draw its conclusion."""
        steps: dict[str, Callable[[Body], None]] = {
            "generator": self._generator,
            "supply": self._supply,
            "arm": self._arm,
        }
        why = wrong = ""
        try:
            if self._clock.monotonic_s() > act.begin_by_s and not act.takes_away:
                raise CommandError("", f"{self._spec.name} was busy for too long: nothing was done, say it again.")
            steps[act.body["command"]](act.body)
        except CommandError as error:
            why, wrong = str(error), error.field
        except DriverError as error:
            why, self.error = str(error), error
        name, t_us = self._spec.name, self._clock.now_us()
        polls = tuple(self._polls)
        return Acted(name, act.number, t_us, polls, self._before, self._after, why, wrong, self._reached)

    # A generator

    def _generator(self, body: Body) -> None:
        frequency_hz, level_dbm = body.get("frequency_hz"), body.get("level_dbm")
        # Here too, since a driver from another package may know of no ceiling.
        ceiling = Ceiling(float(self._spec.options.get("ceiling_dbm", CEILING_DBM)))
        ceiling.check(frequency_hz, level_dbm)
        if body.get("output") == "off" and not body.keys() - {"command", "generator", "output"}:
            return self._output_off()
        self._before = known_of(self._keep(self._instrument.poll()))
        on = self._wanted_output(body)
        if on:
            self._check_level(ceiling, level_dbm)
        self._set(body, on, frequency_hz, level_dbm)
        if on and ceiling.is_broken_by(float(self._after.get(Quantity.LEVEL, ceiling.dbm))):
            self._keep(self._instrument.switch_off())
            raise InstrumentRefused(f"it reads back a level above the ceiling of {ceiling.dbm:g} dBm: switched off.")
        return None

    def _output_off(self) -> None:
        """Off at once; questions come afterwards."""
        self._reached = True
        poll = self._keep(self._instrument.switch_off())
        self._after = known_of(poll)
        self._mark.follow(poll)
        if poll.readings and not reads_off(poll):
            raise InstrumentRefused("its output is still on: switch it off at its own panel.")

    def _wanted_output(self, body: Body) -> bool:
        said = body.get("output") or {1.0: "on", 0.0: "off"}.get(float(self._before.get(Quantity.OUTPUT, -1.0)))
        if said is None:
            raise CommandError("output", "its output cannot be read back: say whether it is to be on or off.")
        return bool(said == "on")

    def _check_level(self, ceiling: Ceiling, level_dbm: float | None) -> None:
        if level_dbm is None and Quantity.LEVEL not in self._before:
            raise CommandError("level_dbm", "its level cannot be read back: give the level too.")
        if level_dbm is None:
            ceiling.check(None, float(self._before[Quantity.LEVEL]))

    def _set(self, body: Body, on: bool, frequency_hz: float | None, level_dbm: float | None) -> None:
        try:
            if (kind := body.get("modulation")) is not None:
                self._modulate(kind, body)
            if frequency_hz is None and level_dbm is None and "output" not in body:
                return
            if on:
                self._mark.put(self._instrument.identity, self._clock.now_us())
            self._reached = True
            self._after = known_of(self._keep(self._instrument.set_output(on, frequency_hz, level_dbm)))
        except DriverError:
            if body.get("output") == "on":  # the person is told that it failed: then it is not on
                self._keep(self._instrument.switch_off())
            raise
        self._mark.follow(self._polls[-1])

    def _modulate(self, kind: str, body: Body) -> None:
        self._reached = True
        amount = body[AMOUNTS[kind]] if kind in AMOUNTS else 0.0
        poll = self._instrument.set_modulation(kind, amount, body.get("source", "internal"))
        self._after = known_of(self._keep(poll))

    # A supply

    def _supply(self, body: Body) -> None:
        output_off = getattr(self._instrument, "output_off", None)
        if output_off is None:
            raise CommandError("output", "its driver cannot switch it off: use its own switch.")
        self._before = known_of(self._keep(self._instrument.poll()))
        self._reached = True
        self._after = known_of(self._keep(output_off()))

    # A scope

    def _arm(self, body: Body) -> None:
        scope = self._instrument
        if not all(hasattr(scope, name) for name in ("arm", "disarm", "doing")):
            raise CommandError("scope", "its driver cannot arm it: use its own key for a single capture.")
        self._before = {"doing": scope.doing()}
        self._reached = True
        (scope.disarm if body.get("undo") else scope.arm)()
        self._after = {"doing": scope.doing()}

    def _keep(self, poll: Poll) -> Poll:
        self._polls.append(poll)
        return poll
