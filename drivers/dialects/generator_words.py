"""What a signal generator older than SCPI calls things: templates that are sent, patterns that are read."""

import math
import re
import string
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

FREQUENCY_UNITS = {"hz": 1.0, "khz": 1e3, "mhz": 1e6}
LEVEL_UNITS = ("dbm", "dbuv", "v", "mv", "uv")
SENT = {
    "frequency": tuple(FREQUENCY_UNITS),
    "level": LEVEL_UNITS,
    "output_on": (),
    "output_off": (),
    "am": ("percent",),
    "fm": tuple(FREQUENCY_UNITS),
    "modulation_off": (),
}
READ = (*FREQUENCY_UNITS, *LEVEL_UNITS, "on", "off", "am_percent", *(f"fm_{unit}" for unit in FREQUENCY_UNITS))
_VOLTS = {"v": 1.0, "mv": 1e-3, "uv": 1e-6}
TRIED = {"hz": 1e6, "khz": 1e3, "mhz": 1.0, "percent": 30.0} | dict.fromkeys(LEVEL_UNITS, 1.0)


@dataclass(frozen=True, slots=True)
class Ask:
    """One question, and the pattern of its whole answer; named groups are those of ``READ``."""

    query: str
    answer: str


@dataclass(frozen=True, slots=True)
class GeneratorDialect:
    """``identify`` asks for something that only this instrument answers, in the pattern ``identity``; "" where it
    cannot be asked. ``send`` has a template for each thing that can be set: a number with Python's format
    (``{mhz:08.4f}``). Levels in volts are rms in ``impedance_ohm``, or with ``open_circuit`` twice that.
    """

    name: str
    identify: str
    identity: str
    send: Mapping[str, str]
    ask: tuple[Ask, ...] = field(default=())
    impedance_ohm: float = 50.0
    open_circuit: bool = False

    def level_dbm(self, unit: str, value: float) -> float:
        """A level that was read in one of ``LEVEL_UNITS``, in dBm; -inf for no volts at all."""
        if unit == "dbm":
            return value
        volts = 10 ** (value / 20) * 1e-6 if unit == "dbuv" else value * _VOLTS[unit]
        volts /= 2 if self.open_circuit else 1
        return 10 * math.log10(volts * volts / self.impedance_ohm / 1e-3) if volts > 0 else -math.inf

    def level_in(self, unit: str, dbm: float) -> float:
        """A level in dBm in one of ``LEVEL_UNITS``."""
        if unit == "dbm":
            return dbm
        volts = math.sqrt(1e-3 * 10 ** (dbm / 10) * self.impedance_ohm) * (2 if self.open_circuit else 1)
        return 20 * math.log10(volts / 1e-6) if unit == "dbuv" else volts / _VOLTS[unit]

    @property
    def reads(self) -> frozenset[str]:
        """Which of frequency, level, output, am and fm can be read back."""
        groups = {group for ask in self.ask for group in re.compile(ask.answer).groupindex}
        return frozenset(_READ_BACK[group] for group in groups)


_READ_BACK = (
    dict.fromkeys(FREQUENCY_UNITS, "frequency")
    | dict.fromkeys(LEVEL_UNITS, "level")
    | {"on": "output", "off": "output", "am_percent": "am"}
    | {f"fm_{unit}": "fm" for unit in FREQUENCY_UNITS}
)


def template_fields(template: str) -> list[tuple[str, str]]:
    """The (unit, format) of each place in a template. Raises ``ValueError``."""
    parts = string.Formatter().parse(template)
    return [(name, spec or "") for _, name, spec, _ in parts if name is not None]


def generator_mistakes(dialect: GeneratorDialect) -> Iterator[str]:
    """What the table's types cannot hold, one line each: key, cure."""
    if not dialect.name.strip():
        yield "name: cannot be empty."
    if not (math.isfinite(dialect.impedance_ohm) and dialect.impedance_ohm > 0):
        yield f"impedance_ohm: {dialect.impedance_ohm} is no impedance; write ohms above zero, such as 50."
    for key in sorted(dialect.send.keys() - SENT.keys()):
        yield f"send.{key}: unknown; keys are {', '.join(SENT)}."
    for key in ("output_on", "output_off"):
        if not dialect.send.get(key):
            yield f"send.{key}: missing; the output must be able to go on and off."
    for key in SENT.keys() & dialect.send.keys():
        yield from _template_mistakes(f"send.{key}", dialect.send[key], SENT[key])
    yield from _template_mistakes("identify", dialect.identify, ())
    yield from _pattern_mistakes("identity", dialect.identity, None)
    for number, ask in enumerate(dialect.ask, 1):
        if not ask.query:
            yield f"ask {number}.query: cannot be empty; leave the whole [[ask]] out."
        yield from _template_mistakes(f"ask {number}.query", ask.query, ())
        yield from _pattern_mistakes(f"ask {number}.answer", ask.answer, READ)


def _template_mistakes(key: str, template: str, units: tuple[str, ...]) -> Iterator[str]:
    if not template.isascii() or not template.isprintable():
        yield f"{key}: {template!r} holds more than printable ASCII; the line's end is added by itself."
        return
    try:
        names = [name for name, _ in template_fields(template)]
        if set(names) <= set(units):
            sent = template.format(**TRIED)
            if units and len(names) != 1:
                yield f"{key}: {len(names)} numbers in it; write one of {_braced(units)}."
            elif units and not _number_comes_back(template, names[0]):
                yield f"{key}: {sent!r} does not hold a plain number; write a format such as {{{names[0]}:.3f}}."
        else:
            yield f"{key}: only {_braced(units) or 'plain text'} may stand there; write {{{{ for a brace itself."
    except (ValueError, IndexError, KeyError, AttributeError) as error:
        yield f"{key}: not a template ({error}); write a number as {{hz:.0f}}, a brace itself as {{{{."


def _number_comes_back(template: str, unit: str) -> bool:
    return abs(as_sent(template, unit, TRIED[unit]) - TRIED[unit]) <= 0.5 * TRIED[unit]


def as_sent(template: str, unit: str, value: float) -> float:
    """The number as the template's format rounds it. Raises ``ValueError``."""
    spec = dict(template_fields(template))[unit]
    return float(format(value, spec))


def _pattern_mistakes(key: str, pattern: str, groups: tuple[str, ...] | None) -> Iterator[str]:
    try:
        named = re.compile(pattern).groupindex
    except re.error as error:
        yield f"{key}: not a regular expression ({error}); a bracket or dot itself has a backslash before it."
        return
    if groups is not None and not named:
        yield f"{key}: names no group; write (?P<hz>...), with one of {', '.join(groups)}."
    for group in named.keys() - set(groups or named):
        yield f"{key}: group {group!r} is unknown; groups are {', '.join(groups or ())}."


def _braced(units: tuple[str, ...]) -> str:
    return ", ".join(f"{{{unit}}}" for unit in units)
