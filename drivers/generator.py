"""A signal generator that speaks SCPI, with a ceiling that no command can lift."""

import contextlib
from collections.abc import Callable

from drivers import scpi
from drivers.ceiling import CEILING_DBM, LEVEL_STEP_DB, Ceiling
from drivers.conversation import Answer, Conversation
from drivers.errors import DriverError, InstrumentRefused
from drivers.instrument import ScpiInstrument
from drivers.modulation import ScpiModulation
from drivers.readings import Poll, Quantity, Reading

FREQUENCY, LEVEL, OUTPUT, UNIT = "FREQ", "POW", "OUTP", "UNIT:POW"  # SCPI-99 vol. 2, 19.7, 19.17, 15, 25
MADE_OFF = "it was lost with its output perhaps on: switched off before anything else"


class ScpiGenerator(ScpiInstrument):
    """Frequency, level, modulation and output. The output goes off at the end, whoever switched it on."""

    def __init__(
        self,
        conversation: Conversation,
        ceiling_dbm: float = CEILING_DBM,
        make_off: bool = False,
        when_unsure: Callable[[], None] = lambda: None,
    ) -> None:
        """``make_off`` switches it off first of all: it was lost before. ``when_unsure`` is called when it is
        let go and could not be made sure to be off."""
        self._when_unsure = when_unsure
        if make_off:
            conversation.tell_unchecked(f"{OUTPUT} OFF")
            conversation.remark(MADE_OFF)
        super().__init__(conversation)
        self._ceiling = Ceiling(ceiling_dbm)
        self._open = True
        self._modulation = ScpiModulation(conversation)
        self._says_unit = conversation.try_ask(f"{UNIT}?", scpi.unquoted) is not None

    @property
    def abilities(self) -> tuple[str, ...]:
        """See ``Instrument``."""
        also = "".join(f", {kind}" for kind in self._modulation.kinds)
        return (f"frequency, level, output{also} are read back; ceiling {self._ceiling.dbm:g} dBm",)

    def poll(self) -> Poll:
        """Frequency, level and whether the output is on. Changes nothing."""
        frequency = self._conversation.ask(f"{FREQUENCY}?", scpi.read_finite)
        level = self._ask_level()
        output = self._conversation.ask(f"{OUTPUT}?", scpi.read_boolean)
        if output.value and self._ceiling.is_broken_by(level.value):
            self._conversation.remark(
                f"its output is on with {level.value:g} dBm, above the ceiling of {self._ceiling.dbm:g} dBm"
            )
        readings = (
            _reading(frequency, Quantity.FREQUENCY),
            _reading(level, Quantity.LEVEL),
            _reading(output, Quantity.OUTPUT),
            *self._modulation.read(),
        )
        return Poll(readings, remarks=self._conversation.take_remarks())

    def set_output(self, on: bool, frequency_hz: float | None = None, level_dbm: float | None = None) -> Poll:
        """Set, read back and return what was read.

        Raises ``CommandError`` before a byte is sent when ``level_dbm`` is above the ceiling or a number
        makes no sense, and, when no level is given, before anything is changed if the level that is set is.
        """
        self._ceiling.check(frequency_hz, level_dbm)
        if on and level_dbm is None:
            self._ceiling.check(None, self._ask_level().value)
        if not on:
            self._conversation.tell(f"{OUTPUT} OFF")
        if frequency_hz is not None:
            self._conversation.tell(f"{FREQUENCY} {scpi.format_number(frequency_hz)}")
        if level_dbm is not None:
            self._conversation.tell(f"{LEVEL} {scpi.format_number(level_dbm)} DBM")
        if on:
            self._open = True
            self._switch_on()
        return self._checked_poll(on, frequency_hz, level_dbm)

    def set_modulation(self, kind: str, amount: float = 0.0, source: str = "internal") -> Poll:
        """See ``Generator``. What it does not understand is ``InstrumentRefused``, nothing changed."""
        self._modulation.set(kind, amount, source)
        return self.poll()

    def switch_off(self) -> Poll:
        """Output off and made sure of, tried twice; what was read back. Never raises: see ``remarks``."""
        self._open = False
        read: list[Reading] = []
        for _ in range(2):
            with contextlib.suppress(DriverError):
                self._conversation.tell_unchecked(f"{OUTPUT} OFF")
                answer = self._conversation.ask(f"{OUTPUT}?", scpi.read_boolean)
                read.append(_reading(answer, Quantity.OUTPUT))
                if not answer.value:
                    return Poll(tuple(read), remarks=self._conversation.take_remarks())
        self._when_unsure()
        not_off = "its output could not be made sure to be off: look at its own display"
        return Poll(tuple(read), remarks=(*self._conversation.take_remarks(), not_off))

    def close(self) -> None:
        """Output off, made sure of, and let go; safe to call twice, never raises."""
        if self._open:
            self.switch_off()
        super().close()

    def let_go(self) -> None:
        """See ``Instrument``."""
        self._open = False
        super().let_go()

    def _switch_on(self) -> None:
        level_dbm = self._ask_level().value
        if self._ceiling.is_broken_by(level_dbm):
            raise InstrumentRefused(
                f"it reads back {level_dbm:g} dBm, above the ceiling of {self._ceiling.dbm:g} dBm: output left off."
            )
        self._conversation.tell(f"{OUTPUT} ON")

    def _checked_poll(self, on: bool, frequency_hz: float | None, level_dbm: float | None) -> Poll:
        poll = self.poll()
        read = {reading.quantity: reading.value for reading in poll.readings}
        wrong = [
            name
            for name, asked, got, tolerance in (
                ("output", float(on), read[Quantity.OUTPUT], 0.0),
                ("level", level_dbm, read[Quantity.LEVEL], LEVEL_STEP_DB),
                ("frequency", frequency_hz, read[Quantity.FREQUENCY], 1e-3 + 1e-6 * (frequency_hz or 0.0)),
            )
            if asked is not None and abs(asked - got) > tolerance
        ]
        if wrong:
            raise InstrumentRefused(f"it did not take what it was told ({', '.join(wrong)}): read its own display.")
        return poll

    def _ask_level(self) -> Answer[float]:
        """The level in dBm; refuses to take a number in another unit for one."""
        if self._says_unit:
            unit = self._conversation.ask(f"{UNIT}?", scpi.unquoted).value.upper()
            if unit != "DBM":
                raise DriverError(f"its level is in {unit}: set its level unit to dBm at its front panel.")
        return self._conversation.ask(f"{LEVEL}?", scpi.read_finite)


def _reading(answer: Answer[float] | Answer[bool], quantity: Quantity) -> Reading:
    return Reading(answer.t_us, float(answer.value), quantity, half_width_us=answer.half_width_us)
