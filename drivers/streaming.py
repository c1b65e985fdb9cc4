"""Lines that a meter sends by itself, to values, by a pattern of the bench file. Pure, no I/O."""

import re
from collections.abc import Mapping
from dataclasses import dataclass

from drivers import scpi
from drivers.errors import AnswerError, DriverError
from drivers.readings import Flag, Quantity

GROUPS = ("value", "unit", "function", "overload")
_PREFIXES = {"": 1.0, "p": 1e-12, "n": 1e-9, "u": 1e-6, "m": 1e-3, "k": 1e3, "K": 1e3, "M": 1e6, "G": 1e9}
_UNIT = re.compile(
    r"(?P<before>[AD]C)?\s*(?P<prefix>[pnumkKMG]?)"
    r"(?P<base>V|A|[Oo]hms?|OHMS?|[Hh]z|HZ|F|[Ss](?:ec)?|deg ?C|DEG ?C|C)\s*(?P<after>[AD]C)?"
)
_BASES = {"V": "V", "A": "A", "OHM": "ohm", "OHMS": "ohm", "HZ": "Hz", "F": "F", "S": "s", "SEC": "s", "DEGC": "degC",
          "C": "degC"}  # fmt: skip
_SIGNS = str.maketrans({"\u00b5": "u", "\u03bc": "u", "\u2126": "Ohm", "\u03a9": "Ohm", "\u00b0": "deg "})
_COUPLED = {
    ("V", "DC"): Quantity.DC_V,
    ("V", "AC"): Quantity.AC_V,
    ("A", "DC"): Quantity.DC_A,
    ("A", "AC"): Quantity.AC_A,
}
_BY_UNIT = {
    "ohm": Quantity.OHM,
    "Hz": Quantity.FREQUENCY,
    "s": Quantity.PERIOD,
    "F": Quantity.CAPACITANCE,
    "degC": Quantity.TEMPERATURE,
}
# What meters commonly write; common practice, no source. Others are told by stream_functions.
_WORDS = {
    "DCV": Quantity.DC_V, "VDC": Quantity.DC_V, "ACV": Quantity.AC_V, "VAC": Quantity.AC_V,
    "DCA": Quantity.DC_A, "ADC": Quantity.DC_A, "ACA": Quantity.AC_A, "AAC": Quantity.AC_A,
    "OHM": Quantity.OHM, "OHMS": Quantity.OHM, "RES": Quantity.OHM, "CONT": Quantity.CONTINUITY,
    "DIODE": Quantity.DIODE, "DIOD": Quantity.DIODE, "DIO": Quantity.DIODE, "CAP": Quantity.CAPACITANCE,
    "FREQ": Quantity.FREQUENCY, "PER": Quantity.PERIOD, "TEMP": Quantity.TEMPERATURE,
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Streamed:
    """One value of a line; NaN where a flag says that there is none."""

    value: float
    quantity: Quantity
    flags: Flag


class StreamPattern:
    """The pattern of a line: named groups ``value``, and where they are there ``unit``, ``function``, ``overload``.

    ``functions`` says what the function group's words mean; ``function`` what is measured where the line
    does not say. Raises ``DriverError`` naming the option and the cure.
    """

    def __init__(self, pattern: str, functions: Mapping[str, str] | None = None, function: str = "") -> None:
        try:
            self._pattern = re.compile(pattern)
        except re.error as error:
            raise DriverError(
                f"stream_pattern: not a regular expression ({error}); put a backslash before a bracket or dot itself."
            ) from error
        groups = set(self._pattern.groupindex)
        if "value" not in groups or not groups <= set(GROUPS):
            raise DriverError(
                f"stream_pattern: its named groups are {', '.join(sorted(groups)) or 'none'}; "
                "write (?P<value>...), and if you like (?P<unit>...), (?P<function>...), (?P<overload>...)."
            )
        for word, name in (functions or {}).items():
            if name not in set(Quantity):
                raise DriverError(f"stream_functions: {word} = {name!r}: write one of {', '.join(Quantity)}.")
        self._functions = {word: Quantity(name) for word, name in (functions or {}).items()}
        self._fallback = Quantity(function) if function else None
        if self._fallback is None and not groups & {"unit", "function"}:
            raise DriverError('function: missing; the pattern has neither unit nor function: write function = "dc_v".')

    def read(self, line: bytes) -> Streamed:
        """The value of one whole line. Raises ``AnswerError`` where the pattern does not fit it whole."""
        text = _text(line)
        found = self._pattern.fullmatch(text)
        if found is None:
            raise AnswerError(f"{text[:60]!r}: a line that stream_pattern does not have.")
        said = {name: (part or "").strip() for name, part in found.groupdict().items()}
        quantity, factor = self._meant(said.get("function", ""), said.get("unit", ""), text)
        if said.get("overload"):
            return Streamed(float("nan"), quantity, Flag.OVERLOAD)
        value, flags = scpi.read_number(said["value"].replace(" ", ""))
        return Streamed(value * factor, quantity, flags)

    def _meant(self, function: str, unit: str, text: str) -> tuple[Quantity, float]:
        base, factor, coupling = _read_unit(unit) if unit else (None, 1.0, None)
        quantity = self._functions.get(function) or _WORDS.get(re.sub("[^A-Z]", "", function.upper()))
        if quantity is None and base is not None:
            coupling = coupling or (function.upper() if function.upper() in ("AC", "DC") else None)
            quantity = _COUPLED.get((base, coupling or "")) or _BY_UNIT.get(base)
        if quantity is None:
            quantity = self._fallback
        if quantity is None:
            raise AnswerError(
                f"{text[:60]!r}: does not say what it measures: write function, or its words in stream_functions."
            )
        if base is not None and base != quantity.unit:
            raise AnswerError(f"{text[:60]!r}: {base} is no unit of {quantity}, which is in {quantity.unit}.")
        return quantity, factor


def _text(line: bytes) -> str:
    try:
        return bytes(line).decode("utf-8").strip()
    except UnicodeDecodeError:
        return bytes(line).decode("latin-1").strip()  # micro and degree signs of old meters


def _read_unit(unit: str) -> tuple[str, float, str | None]:
    """Base unit, factor and coupling of ``mV``, ``VDC``, ``kOhm`` ..."""
    found = _UNIT.fullmatch(unit.translate(_SIGNS).strip())
    if found is None:
        raise AnswerError(f"{unit!r}: an unknown unit; units are V, A, Ohm, Hz, F, s and degC with their prefixes.")
    base = _BASES[found["base"].upper().replace(" ", "")]
    return base, _PREFIXES[found["prefix"]], found["before"] or found["after"]
