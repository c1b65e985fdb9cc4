"""The E series of IEC 60063: which values resistors and capacitors are made in.

E3 to E24 are tables; E48, E96 and E192 are the rounded powers of 10^(1/n), but for 9.20 in E192 (IEC 60063).
"""

import math

from daemon.letter_code import letter_code

_E24 = (
    *(1.0, 1.1, 1.2, 1.3, 1.5, 1.6, 1.8, 2.0, 2.2, 2.4, 2.7, 3.0),
    *(3.3, 3.6, 3.9, 4.3, 4.7, 5.1, 5.6, 6.2, 6.8, 7.5, 8.2, 9.1),
)
_ODD_ONE_OUT = {(192, 185): 9.20}  # 10^(185/192) rounds to 9.19
SERIES = (3, 6, 12, 24, 48, 96, 192)


def e_series(n: int) -> tuple[float, ...]:
    """The n values of a decade from 1 up. Raises ``ValueError`` for a series that there is not."""
    if n not in SERIES:
        raise ValueError(f"there is no series E{n}: there are {', '.join(f'E{each}' for each in SERIES)}")
    if n <= len(_E24):
        return _E24[:: len(_E24) // n]
    return tuple(_ODD_ONE_OUT.get((n, i), round(10 ** (i / n), 2)) for i in range(n))


def smallest_series(value: float) -> int | None:
    """The n of the coarsest series that has a value; None where none has it, or it is no positive number."""
    if not 0 < value < math.inf:
        return None
    mantissa = value / 10.0 ** math.floor(math.log10(value))
    return next((n for n in SERIES if any(_same(mantissa, each) for each in (*e_series(n), 10.0))), None)


def nearest(value: float, n: int) -> float:
    """The nearest value of a series, by ratio. Raises ``ValueError`` for what is not a positive number."""
    if not 0 < value < math.inf:
        raise ValueError(f"{value!r} is not a positive number")
    decade = 10.0 ** math.floor(math.log10(value))
    candidates = [each * decade for each in (*e_series(n), 10.0)]
    return min(candidates, key=lambda each: abs(math.log(each / value)))


def doubt(value: float) -> str | None:
    """What a colleague says of a value that no part is made in; None where there is nothing to say."""
    if not 0 < value < math.inf or smallest_series(value) is not None:
        return None
    one, other = (letter_code(float(f"{each:.3g}")) for each in (value, nearest(value, 24)))
    return f"{one} is in none of the E series: did you mean {other}?"


def _same(a: float, b: float) -> bool:
    return math.isclose(a, b, rel_tol=1e-9)
