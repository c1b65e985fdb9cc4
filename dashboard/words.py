"""Values, places and times of a record as words, the same on every page."""

from datetime import UTC, datetime
from typing import Any

import pandas as pd

from drivers.readings import Quantity

_UNITS = {str(quantity): quantity.unit for quantity in Quantity}
FEW_DIGITS = 2
_SIGNS = {"ohm": "Ω", "degC": "°C"}
_LOWEST = {"V": 1e-3, "Vpp": 1e-3, "A": 1e-3, "ohm": 1.0, "Hz": 1.0, "s": 1e-6, "F": 1e-12}
_PREFIXES = ((1e9, "G"), (1e6, "M"), (1e3, "k"), (1.0, ""), (1e-3, "m"), (1e-6, "µ"), (1e-9, "n"), (1e-12, "p"))


def unit_of(quantity: str) -> str:
    """The unit of a quantity's name; "" where the name is not known."""
    return _UNITS.get(quantity, "")


def value_words(value: float, quantity: str, digits: int = 4) -> str:
    """A value of a quantity with its SI prefix: ``11.99 V``, ``0.400 mV``, ``330.0 Ω``."""
    return with_unit(value, unit_of(quantity), digits)


def with_unit(value: float | None, unit: str, digits: int = 4) -> str:
    """A value in ``unit`` with ``digits`` significant digits and an SI prefix where the unit takes one."""
    if value is None or pd.isna(value):
        return "no value"
    factor, prefix = _prefix(abs(value), unit, digits)
    shown = value / factor
    whole = len(str(int(abs(shown)))) if abs(shown) >= 1 else 1
    number = f"{shown:.{max(0, digits - whole)}f}"
    if float(number) == 0:
        number = number.removeprefix("-")
    return f"{number.replace('-', '−')} {prefix}{_SIGNS.get(unit, unit)}".strip()


def _prefix(size: float, unit: str, digits: int) -> tuple[float, str]:
    lowest = _LOWEST.get(unit)
    if lowest == 1e-3 and digits <= FEW_DIGITS:
        lowest = 1e-6  # an uncertainty: microvolts say more than a row of zeros
    if lowest is None or size == 0:
        return 1.0, ""
    for factor, prefix in _PREFIXES:
        if factor >= lowest and size >= factor * 0.99995:
            return factor, prefix
    return next(pair for pair in _PREFIXES if pair[0] == lowest)


def reads_words(row: Any) -> str:
    """What a placement's row reads, or why it has no value."""
    if not pd.isna(row.value):
        return value_words(row.value, row.quantity)
    if row.count:
        return "overload: open, or beyond the range"
    return "being measured" if pd.isna(row.t1_us) else "not settled"


def place_words(row: Any) -> str:
    """Point and leg of a placement: ``Q302 · C``."""
    return " · ".join(part for part in (row.point, row.leg) if part) or "no point"


def local(t_us: int) -> datetime:
    """A session time as this machine's time of day, which is what the wall clock in the workshop says."""
    return datetime.fromtimestamp(t_us / 1e6, UTC).astimezone()


def clock_words(t_us: int) -> str:
    """Time of day: ``10:02:31``."""
    return f"{local(t_us):%H:%M:%S}"


def day_words(t_us: int | None) -> str:
    """Day and minute; "" where it is not known."""
    return "" if t_us is None else f"{local(t_us):%Y-%m-%d %H:%M}"
