"""Part values as they are printed beside parts: the letter code of IEC 60062, or a plain number.

The letter stands where the decimal point would: ``4k7`` is 4700, ``R47`` 0.47, ``4u7`` 4.7e-6.
"""

import re

_FACTORS = {
    "p": 1e-12,
    "n": 1e-9,
    "u": 1e-6,
    "µ": 1e-6,
    "m": 1e-3,
    "R": 1.0,
    "r": 1.0,
    "k": 1e3,
    "K": 1e3,
    "M": 1e6,
    "G": 1e9,
    "T": 1e12,
}
_CODE = re.compile(rf"(\d*)(?:\.(\d+))?([{''.join(_FACTORS)}])(\d*)")
CURE = 'write it as a number or in the letter code of IEC 60062, such as "4k7", "0R1" or "220u"'


def parse_value(text: str) -> float:
    """Value in ohms, farads, henries or volts of a printed text. Raises ``ValueError`` with the cure."""
    code = text.strip().replace("\N{MICRO SIGN}", "µ").replace("\N{GREEK SMALL LETTER MU}", "µ")
    try:
        value = float(code)
    except ValueError:
        value = _letter_value(code)
    if not 0 <= value < float("inf"):
        raise ValueError(f"{text!r} is not a finite value of zero or more: {CURE}")
    return value


def _letter_value(code: str) -> float:
    match = _CODE.fullmatch(code)
    if match is None:
        raise ValueError(f"{code!r} is not a part value: {CURE}")
    whole, point, letter, after = match.groups()
    if not (whole or after) or (point and after):
        raise ValueError(f"{code!r} is not a part value: {CURE}")
    return float(f"{whole or 0}.{point or after or 0}") * _FACTORS[letter]
