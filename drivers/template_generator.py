"""A signal generator older than SCPI, by the templates and patterns of its dialect."""

import math
from collections.abc import Callable

from drivers.ceiling import CEILING_DBM, LEVEL_STEP_DB, Ceiling, check_modulation
from drivers.dialects import GeneratorDialect
from drivers.dialects.generator_words import FREQUENCY_UNITS, LEVEL_UNITS, as_sent, template_fields
from drivers.errors import AnswerError, CommandError, DriverError, InstrumentRefused
from drivers.generator import MADE_OFF
from drivers.plain_talk import PlainTalk
from drivers.readings import Flag, Identity, Poll, Quantity, Reading

ROUNDING_DB = 0.001  # of a level in volts that stands for the ceiling itself
_FM_UNITS = {f"fm_{unit}": factor for unit, factor in FREQUENCY_UNITS.items()}


class TemplateGenerator:
    """The ceiling holds for the number as the template rounds it. What cannot be read back is no reading: the first
    poll says so, and the output goes on only in the same call that sets a level."""

    gives_panel_back = False

    def __init__(
        self,
        talk: PlainTalk,
        dialect: GeneratorDialect,
        resource: str,
        ceiling_dbm: float = CEILING_DBM,
        make_off: bool = False,
        when_unsure: Callable[[], None] = lambda: None,
    ) -> None:
        """Opens ``talk``; the other arguments are those of ``ScpiGenerator``."""
        self._talk = talk
        self._dialect = dialect
        self._ceiling = Ceiling(ceiling_dbm)
        self._when_unsure = when_unsure
        self._open = True
        who = talk.open()
        named = who if dialect.identify else f"{dialect.name} (cannot say who it is)"
        self.identity = Identity("", named, "" if dialect.identify else resource, "")
        if make_off:
            talk.tell(dialect.send["output_off"])
            talk.remark(MADE_OFF)
        if self._blind:
            talk.remark(
                f"its dialect {dialect.name} cannot read back its {', '.join(self._blind)}: "
                "what it really gives is on its own display only"
            )

    @property
    def _blind(self) -> list[str]:
        return [what for what in ("frequency", "level", "output") if what not in self._dialect.reads]

    @property
    def abilities(self) -> tuple[str, ...]:
        """See ``Instrument``."""
        read = ", ".join(sorted(self._dialect.reads)) or "nothing"
        blind = f"; {', '.join(self._blind)} cannot be read back" if self._blind else ""
        return (f"older than SCPI, by its dialect {self._dialect.name}: reads back {read}{blind}",)

    def poll(self) -> Poll:
        """What can be read back. Changes nothing."""
        readings = self._read()
        read = {reading.quantity: reading.value for reading in readings}
        if read.get(Quantity.OUTPUT, 1.0) and self._ceiling.is_broken_by(read.get(Quantity.LEVEL, self._ceiling.dbm)):
            self._talk.remark(
                f"its level is {read[Quantity.LEVEL]:g} dBm, above the ceiling of {self._ceiling.dbm:g} dBm, "
                "and its output is not known to be off"
            )
        return Poll(tuple(readings), remarks=self._talk.take_remarks())

    def set_output(self, on: bool, frequency_hz: float | None = None, level_dbm: float | None = None) -> Poll:
        """See ``Generator``. What the dialect has no word for is a ``CommandError``, nothing sent."""
        self._ceiling.check(frequency_hz, level_dbm)
        if on and level_dbm is None and "level" not in self._dialect.reads:
            raise CommandError("level_dbm", "give the level too: this generator cannot read back the one that is set.")
        frequency = None if frequency_hz is None else self._frequency(frequency_hz)
        level = None if level_dbm is None else self._level(level_dbm)
        if on and level_dbm is None:
            self._ceiling.check(None, self._read_one(Quantity.LEVEL))
        for command in (None if on else self._dialect.send["output_off"], frequency, level):
            if command is not None:
                self._talk.tell(command)
        if on:
            self._switch_on()
        return self._compared(on, frequency_hz, level_dbm)

    def set_modulation(self, kind: str, amount: float = 0.0, source: str = "internal") -> Poll:
        """See ``Generator``; the source is the one that is set at its front panel."""
        check_modulation(kind, amount, source)
        if source != "internal":
            raise CommandError("source", "a dialect has no word for the source: set it at the front panel.")
        if kind == "none":
            self._talk.tell(self._word("modulation_off", "kind"))
        elif kind == "am":
            self._talk.tell(self._word("am", "kind").format(percent=amount))
        else:
            template = self._word("fm", "kind")
            unit = template_fields(template)[0][0]
            self._talk.tell(template.format(**{unit: amount / FREQUENCY_UNITS[unit]}))
        return self.poll()

    def switch_off(self) -> Poll:
        """See ``Generator``. Where the output cannot be read back, that is a doubt."""
        self._open = False
        read: list[Reading] = []
        try:
            self._talk.tell(self._dialect.send["output_off"])
            if "output" in self._dialect.reads:
                read = [reading for reading in self._read() if reading.quantity is Quantity.OUTPUT]
                if read and not read[-1].value:
                    return Poll(tuple(read), remarks=self._talk.take_remarks())
        except DriverError as error:
            self._talk.remark(str(error))
        self._when_unsure()
        doubt = "its output was told to go off and could not be made sure to be: look at its own display"
        return Poll(tuple(read), remarks=(*self._talk.take_remarks(), doubt))

    def to_local(self) -> None:
        """No word for it."""

    def let_go(self) -> None:
        """See ``Instrument``."""
        self._open = False
        self._talk.close()

    def close(self) -> None:
        """Output off, and let go; safe to call twice, never raises."""
        if self._open:
            self.switch_off()
        self._talk.close()

    def _word(self, key: str, field: str) -> str:
        template = self._dialect.send.get(key, "")
        if not template:
            raise CommandError(field, f"its dialect {self._dialect.name} has no word for {key}: set it by hand.")
        return template

    def _frequency(self, hz: float) -> str:
        template = self._word("frequency", "frequency_hz")
        unit = template_fields(template)[0][0]
        return template.format(**{unit: hz / FREQUENCY_UNITS[unit]})

    def _level(self, dbm: float) -> str:
        """The command for a level, refused where rounding would lift it above the ceiling."""
        template = self._word("level", "level_dbm")
        unit = template_fields(template)[0][0]
        value = self._dialect.level_in(unit, dbm)
        rounded_dbm = self._dialect.level_dbm(unit, as_sent(template, unit, value))
        if rounded_dbm > self._ceiling.dbm + ROUNDING_DB:
            raise CommandError(
                "level_dbm",
                f"{dbm:g} dBm would be sent as {rounded_dbm:.3f} dBm, above the ceiling of {self._ceiling.dbm:g} dBm: "
                "give a lower level.",
            )
        return template.format(**{unit: value})

    def _switch_on(self) -> None:
        self._open = True
        if "level" in self._dialect.reads and self._ceiling.is_broken_by(self._read_one(Quantity.LEVEL)):
            raise InstrumentRefused("it reads back a level above the ceiling: output left off.")
        self._talk.tell(self._dialect.send["output_on"])

    def _compared(self, on: bool, frequency_hz: float | None, level_dbm: float | None) -> Poll:
        poll = self.poll()
        read = {reading.quantity: reading.value for reading in poll.readings}
        wanted = (
            ("output", Quantity.OUTPUT, float(on), 0.0),
            ("level", Quantity.LEVEL, level_dbm, 2 * LEVEL_STEP_DB),
            ("frequency", Quantity.FREQUENCY, frequency_hz, 1e-3 + 1e-4 * (frequency_hz or 0.0)),
        )
        wrong = [
            name
            for name, quantity, asked, tolerance in wanted
            if asked is not None and quantity in read and abs(read[quantity] - asked) > tolerance
        ]
        if wrong:
            raise InstrumentRefused(f"it did not take what it was told ({', '.join(wrong)}): read its own display.")
        return poll

    def _read_one(self, quantity: Quantity) -> float:
        for reading in self._read():
            if reading.quantity is quantity:
                return reading.value
        raise AnswerError(f"it did not answer with its {quantity}: nothing is switched.")

    def _read(self) -> list[Reading]:
        readings = []
        for ask in self._dialect.ask:
            answer = self._talk.ask(ask.query, ask.answer)
            for quantity, value in self._values(answer.value.groupdict()):
                none = not math.isfinite(value)  # no volts at all are no dBm
                flags, value = (Flag.NOT_A_NUMBER, math.nan) if none else (Flag.NONE, value)
                readings.append(Reading(answer.t_us, value, quantity, "", flags, answer.half_width_us))
        return readings

    def _values(self, groups: dict[str, str | None]) -> list[tuple[Quantity, float]]:
        """Quantities and values, in their units, of the named groups of one answer."""
        found = []
        for group, text in groups.items():
            if group == "on" and text is not None:
                found.append((Quantity.OUTPUT, 1.0))
            elif group == "off" and text is not None:
                found.append((Quantity.OUTPUT, 0.0))
            elif group in FREQUENCY_UNITS and text is not None:
                found.append((Quantity.FREQUENCY, _number(text) * FREQUENCY_UNITS[group]))
            elif group in LEVEL_UNITS and text is not None:
                found.append((Quantity.LEVEL, self._dialect.level_dbm(group, _number(text))))
            elif group == "am_percent":  # a modulation that is not named in the answer is off
                found.append((Quantity.AM_DEPTH, _number(text or "0")))
            elif group in _FM_UNITS:
                found.append((Quantity.FM_DEVIATION, _number(text or "0") * _FM_UNITS[group]))
        return found


def _number(text: str) -> float:
    try:
        return float(text.replace(" ", ""))
    except ValueError as error:
        raise AnswerError(f"{text!r}: its dialect takes this for a number, which it is not.") from error
