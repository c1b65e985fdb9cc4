"""Values to response data (IEEE 488.2, clause 8) and parameters to values (SCPI-99 vol. 1, clause 7)."""

import math
import re
from collections.abc import Sequence

from simulated_instruments.language.errors import LanguageError
from simulated_instruments.language.lexing import Kind, Parameter

OVERLOAD = 9.9e37  # SCPI-99 vol. 1, 7.2.1.4: infinity
NOT_A_NUMBER = 9.91e37  # 7.2.1.5

# IEEE 488.2, 7.7.3: M is milli except before HZ and OHM, where it is mega.
_MULTIPLIERS = {
    "": 1.0, "EX": 1e18, "PE": 1e15, "T": 1e12, "G": 1e9, "MA": 1e6, "K": 1e3,
    "M": 1e-3, "U": 1e-6, "N": 1e-9, "P": 1e-12, "F": 1e-15, "A": 1e-18,
}  # fmt: skip
_MEGA_UNITS = ("HZ", "OHM")


def nr1(value: int) -> str:
    """Integer response, IEEE 488.2 8.7.2: ``42``."""
    return str(int(value))


def nr2(value: float, decimals: int) -> str:
    """Fixed-point response, IEEE 488.2 8.7.3: ``-14.440``."""
    return f"{value:.{decimals}f}"


def nr3(value: float, decimals: int = 6) -> str:
    """Floating-point response, IEEE 488.2 8.7.4: ``+2.337000E+01``; overload and NaN as SCPI-99 has them."""
    if math.isnan(value):
        value = NOT_A_NUMBER
    elif math.isinf(value):
        value = math.copysign(OVERLOAD, value)
    return f"{value:+.{decimals}E}"


def quoted(text: str) -> str:
    """String response, IEEE 488.2 8.7.8: quotes inside are doubled."""
    return '"' + text.replace('"', '""') + '"'


def definite_block(data: bytes) -> bytes:
    """Definite-length block, IEEE 488.2 8.7.9: ``#`` digits count data."""
    count = str(len(data)).encode()
    return b"#" + str(len(count)).encode() + count + data


def only(parameters: Sequence[Parameter], most: int = 1, least: int = 1) -> Sequence[Parameter]:
    """The parameters, if their number is right; else -109 or -108."""
    if len(parameters) < least:
        raise LanguageError(-109)
    if len(parameters) > most:
        raise LanguageError(-108)
    return parameters


def matches(text: str, pattern: str) -> bool:
    """Whether ``text`` is the short or the long form of ``pattern`` (``MINimum``)."""
    short = re.match(r"[A-Z0-9]+", pattern)
    return text.upper() in (pattern.upper(), short.group() if short else "")


def number(given: Parameter, unit: str, low: float, high: float, default: float | None = None) -> float:
    """A numeric parameter in ``unit``, within limits; MINimum, MAXimum and DEFault are understood."""
    if given.kind is Kind.NAME:
        names = {"MINimum": low, "MAXimum": high, "DEFault": low if default is None else default}
        value = next((v for name, v in names.items() if matches(given.text, name)), None)
        if value is None:
            raise LanguageError(-224, given.text)
        return value
    if given.kind is not Kind.NUMBER:
        raise LanguageError(-104)
    value = given.number * _multiplier(given.suffix, unit)
    if not low <= value <= high:
        raise LanguageError(-222)
    return value


def _multiplier(suffix: str, unit: str) -> float:
    if suffix in ("", unit):
        return 1.0
    prefix = suffix.removesuffix(unit)
    if not unit or prefix == suffix or prefix not in _MULTIPLIERS or unit.startswith("DB"):
        raise LanguageError(-131, suffix)
    return 1e6 if prefix == "M" and unit in _MEGA_UNITS else _MULTIPLIERS[prefix]


def boolean(given: Parameter) -> bool:
    """ON, OFF or a number that rounds to non-zero (SCPI-99 vol. 1, 7.3)."""
    if given.kind is Kind.NUMBER and not given.suffix:
        return round(given.number) != 0
    if given.kind is Kind.NAME and given.text.upper() in ("ON", "OFF"):
        return given.text.upper() == "ON"
    raise LanguageError(-224 if given.kind is Kind.NAME else -104)


def choice(given: Parameter, patterns: Sequence[str]) -> str:
    """Which of ``patterns`` (``MAIN``, ``ROLL``) a name means; else -224."""
    if given.kind is not Kind.NAME:
        raise LanguageError(-104)
    found = next((pattern for pattern in patterns if matches(given.text, pattern)), None)
    if found is None:
        raise LanguageError(-224, given.text)
    return found
