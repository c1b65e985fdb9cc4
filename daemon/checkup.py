"""A check of a whole bench: who answers, what each can do, how fast, and what is wrong with the cure.

Nothing is switched: settings stay, a generator's output is left as it is found, a scope is not armed.
"""

import logging
import math
import statistics
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from daemon.bench_file import Bench, Setup
from daemon.checkup_words import GARBAGE, NO_LOCAL, SILENT, minded, opening_remarks, says_now, wrong_with
from drivers.clock import Clock
from drivers.errors import AnswerError, DriverError, LinkRefused, LinkTimeout, OutOfStep, ResourceNameError
from drivers.find import Found, ask, in_parallel
from drivers.finding.kinds import KINDS_IN_ORDER
from drivers.protocols import Instrument, InstrumentSpec
from drivers.readings import Identity, Poll
from drivers.registry import open_instrument, options_with_defaults

log = logging.getLogger("probetrail.checkup")

SECONDS = 2.0
MOST_POLLS = 2000
LONGEST_OPENING_S = 30.0
SILENCES = 20  # so many questions may stay unanswered while it is found out what an instrument understands
NO_IDN = ("dialect", "stream_pattern")  # with one of these options it is spoken to in words of its own

Opener = Callable[[InstrumentSpec, Clock], Instrument]


@dataclass(frozen=True, slots=True)
class Speed:
    """How long polls took, seconds; ``count`` of them, the first one, which finds its way, left out."""

    count: int
    median_s: float
    slowest_s: float


@dataclass(frozen=True, slots=True)
class Checked:
    """What the check of one instrument brought; every text is a sentence or a part of one."""

    setup: Setup
    identity: Identity | None = None
    abilities: tuple[str, ...] = ()
    says: tuple[str, ...] = ()
    speed: Speed | None = None
    wrong: tuple[str, ...] = ()
    mind: tuple[str, ...] = ()

    @property
    def well(self) -> bool:
        """Whether the daemon can work with it as it is."""
        return not self.wrong


def check_bench(
    bench: Bench, clock: Clock, seconds: float = SECONDS, opener: Opener = open_instrument
) -> list[Checked]:
    """Check every instrument, side by side, polling each for ``seconds``. Never raises ``DriverError``.

    Two tables of one and the same resource are checked one after the other.
    """
    by_resource: dict[str, list[Setup]] = {}
    for setup in bench.setups:
        by_resource.setdefault(setup.spec.resource, []).append(setup)

    def job(setups: Sequence[Setup]) -> Callable[[], list[Checked]]:
        return lambda: [_guarded(setup, clock, seconds, opener) for setup in setups]

    allowed_s = max(
        sum(seconds + LONGEST_OPENING_S + SILENCES * setup.spec.timeout_s for setup in setups)
        for setups in by_resource.values()
    )
    done = in_parallel({resource: job(setups) for resource, setups in by_resource.items()}, clock, allowed_s)
    results = {checked.setup.spec.name: checked for group in done.values() for checked in group}
    late = (f"it did not come to an end within {allowed_s:.0f} s: switch it off and on, and check again.",)
    return _twice([results.get(s.spec.name, Checked(s, wrong=late)) for s in bench.setups])


def _guarded(setup: Setup, clock: Clock, seconds: float, opener: Opener) -> Checked:
    try:
        return check_one(setup, clock, seconds, opener)
    except Exception as error:  # a driver's own mistake must not hide what the others have to say
        log.exception("driver of %s failed", setup.spec.name)
        return Checked(setup, wrong=(f"its driver failed ({error!r}): tell whoever wrote it.",))


def check_one(setup: Setup, clock: Clock, seconds: float = SECONDS, opener: Opener = open_instrument) -> Checked:
    """Check one instrument. Never raises ``DriverError``."""
    # Arming is switching: a check only looks.
    options = {key: value for key, value in setup.spec.options.items() if key != "armed"}
    spec = replace(setup.spec, options=options)
    try:
        if spec.kind == "supply" and (meter := _turned_if_asked(setup, spec, clock)) is not None:
            return meter
        instrument = opener(spec, clock)
    except DriverError as error:
        return _not_opened(setup, spec, error, clock)
    try:
        polled = _Polls(instrument, clock, seconds)
        checked = _judged(setup, instrument, polled)
    finally:
        instrument.let_go()
    if polled.error is None:
        return checked
    also = _kind_words(_look(spec, clock), spec.kind)
    return replace(checked, wrong=(*checked.wrong, *also))


class _Polls:
    """Polls as fast as they come, and keeps what they brought."""

    def __init__(self, instrument: Instrument, clock: Clock, seconds: float) -> None:
        self.last = Poll()
        self.at_first: dict[str, None] = {}
        self.remarks: dict[str, None] = {}
        self.error: DriverError | None = None
        self._took_s: list[float] = []
        self._clock = clock
        try:
            self._poll(instrument)
            self._took_s.clear()
            self.at_first, self.remarks = self.remarks, {}
            end_s = clock.monotonic_s() + seconds
            while not self._took_s or (clock.monotonic_s() < end_s and len(self._took_s) < MOST_POLLS):
                self._poll(instrument)
            instrument.to_local()
        except DriverError as error:
            self.error = error

    def _poll(self, instrument: Instrument) -> None:
        begun_s = self._clock.monotonic_s()
        self.last = instrument.poll()
        self._took_s.append(self._clock.monotonic_s() - begun_s)
        self.remarks |= dict.fromkeys(self.last.remarks)

    @property
    def speed(self) -> Speed | None:
        if not self._took_s or self.error is not None:
            return None
        return Speed(len(self._took_s), statistics.median(self._took_s), max(self._took_s))


def _judged(setup: Setup, instrument: Instrument, polled: _Polls) -> Checked:
    at_first, later = opening_remarks(polled.at_first)
    remarks = tuple(dict.fromkeys([*later, *polled.remarks]))
    wrong = wrong_with(setup, polled.last, remarks) if polled.error is None else [str(polled.error)]
    mind = [*at_first, *minded(setup, polled.last, remarks)]
    if polled.speed is not None and polled.speed.median_s > setup.poll_s:
        wrong.append(_too_fast(setup, polled.speed))
    elif polled.speed is not None and polled.speed.slowest_s > setup.poll_s:
        mind.append(
            f"its slowest poll took longer than poll_s = {setup.poll_s:g}: one comes late now and then, none is lost."
        )
    if not instrument.gives_panel_back:
        mind.append(NO_LOCAL)
    return Checked(
        setup,
        instrument.identity,
        tuple(instrument.abilities),
        tuple(says_now(polled.last)),
        polled.speed,
        tuple(wrong),
        tuple(mind),
    )


def _too_fast(setup: Setup, speed: Speed) -> str:
    rounded_s = math.ceil(speed.slowest_s * 1.2 * 100) / 100
    return f"poll_s = {setup.poll_s:g} cannot be kept: write poll_s = {rounded_s:g} or more."


def _look(spec: InstrumentSpec, clock: Clock, kinds: Sequence[str] = KINDS_IN_ORDER) -> Found | None:
    """Who is there and which kind it seems to be; None where it cannot be asked or says nothing."""
    if any(spec.options.get(option) for option in NO_IDN):
        return None
    try:
        return ask(clock, spec.resource, options_with_defaults(spec), spec.timeout_s, kinds, spec.link)
    except DriverError:
        return None


def _kind_words(seen: Found | None, kind: str) -> tuple[str, ...]:
    """A sentence where what answers seems to be of another kind than the bench file says."""
    if seen is None or seen.guess is None or seen.guess.kind in ("", kind):
        return ()
    told = seen.guess.kind
    return (f'what answers there seems to be a {told} and no {kind} ({seen.guess.because}): write kind = "{told}".',)


def _turned_if_asked(setup: Setup, spec: InstrumentSpec, clock: Clock) -> Checked | None:
    """A meter would turn its function when it is asked as a supply (MEAS:CURR?): then it is not polled at all."""
    seen = _look(spec, clock, ("meter",))
    words = _kind_words(seen, spec.kind)
    return Checked(setup, seen.identity, wrong=words) if seen is not None and words else None


def _not_opened(setup: Setup, spec: InstrumentSpec, error: DriverError, clock: Clock) -> Checked:
    if isinstance(error, LinkRefused | ResourceNameError):
        return Checked(setup, wrong=(str(error),))
    seen = _look(spec, clock)
    if seen is not None:
        return Checked(setup, seen.identity, wrong=(str(error), *_kind_words(seen, spec.kind)))
    cure = SILENT if isinstance(error, LinkTimeout) else GARBAGE if isinstance(error, AnswerError | OutOfStep) else None
    return Checked(setup, wrong=(str(error), *([cure] if cure else [])))


def _twice(results: list[Checked]) -> list[Checked]:
    """One instrument in two tables under two resource names is told in both."""
    answered = [checked for checked in results if checked.identity is not None and checked.identity.serial.strip("0")]
    told = []
    for checked in results:
        same = [
            other.setup.spec.name
            for other in answered
            if other is not checked and checked in answered and _same(checked.identity, other.identity)
        ]
        words = [f"the same instrument answers as {', '.join(same)}: let one table have it."] if same else []
        told.append(replace(checked, mind=(*checked.mind, *words)))
    return told


def _same(one: Identity | None, other: Identity | None) -> bool:
    return one is not None and other is not None and one.same_instrument(other)
