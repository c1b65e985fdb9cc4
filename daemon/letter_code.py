"""Part values as they are printed beside parts: the letter code of IEC 60062, or a plain number.

The letter stands where the decimal point would: ``4k7`` is 4700, ``R47`` 0.47, ``4u7`` 4.7e-6. Printed on a
part, a letter for its tolerance may follow: ``4K7J`` is 4700 within 5 %.
"""

import re

_EXPONENTS = {
    "p": -12,
    "n": -9,
    "u": -6,
    "µ": -6,
    "m": -3,
    "R": 0,
    "r": 0,
    "k": 3,
    "K": 3,
    "M": 6,
    "G": 9,
    "T": 12,
}
# Per cent either way; beyond these the standard has letters for unlike limits and for picofarads.
_TOLERANCES = {
    "E": 0.005,
    "L": 0.01,
    "P": 0.02,
    "W": 0.05,
    "B": 0.1,
    "C": 0.25,
    "D": 0.5,
    "F": 1.0,
    "G": 2.0,
    "H": 3.0,
    "J": 5.0,
    "K": 10.0,
    "M": 20.0,
    "N": 30.0,
}
_CODE = re.compile(rf"(\d*)(?:\.(\d+))?([{''.join(_EXPONENTS)}])(\d*)")
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
    # Read as one decimal number, so that 2200u and 2m2 are the same value to the last bit.
    return float(f"{whole or 0}.{point or after or 0}e{_EXPONENTS[letter]}")


def parse_marking(text: str) -> tuple[float, float | None]:
    """Value and tolerance in per cent (None: not printed) of what stands on a part. Raises ``ValueError``.

    A last letter that can be read as the decimal point (``47K``, ``1M``) is that; with one before it (``4K7K``)
    it is the tolerance.
    """
    code = text.strip()
    try:
        return parse_value(code), None
    except ValueError:
        tolerance = _TOLERANCES.get(code[-1:])
        if tolerance is None:
            raise
        return parse_value(code[:-1].rstrip()), tolerance


def letter_code(value: float) -> str:
    """The letter code of a value (``4k7``, ``0R1``, ``2m2``), or its plain digits where none is exact."""
    for letter in "TGMkRmunp":
        shown = float(f"{value}e{-_EXPONENTS[letter]}") if "e" not in f"{value}" else value / 10.0 ** _EXPONENTS[letter]
        whole, _, after = f"{shown:.6g}".partition(".")
        code = f"{whole}{letter}{after}"
        fits = 1 <= shown < 1000 or (letter == "R" and 0.01 <= shown < 1)
        if fits and "e" not in code and parse_value(code) == value:
            return code
    return f"{value:.12g}"
