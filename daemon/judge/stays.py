"""A settled placement as the objections see it, when two of them contradict each other, and how they are named."""

import math
from dataclasses import dataclass

from drivers.readings import Quantity

TWO_VALUES_PERCENT, TWO_VALUES_V = 3.0, 0.05  # common practice, no source
RIPPLE_PERCENT = 20.0  # peak to peak of a noisy trace repeats no better; common practice, no source
COVERAGE_FACTOR = 3.0  # scatter alone is no contradiction
ACROSS = "across"  # the leg of a reading taken across a part


@dataclass(frozen=True, slots=True)
class Stay:
    """A settled placement as tagged. ``value`` in the quantity's unit, NaN with ``overload``.

    ``probe`` tells a probe that was put right from another one that stays where it is; ``marked`` is False
    where nothing was said for this stay, and it bears the mark of the one before. ``altered`` says where the unit
    was not as drawn ("R5 is lifted"), "" where it was.
    """

    placement: int
    from_us: int
    point: str
    leg: str
    mode: str
    condition: str
    quantity: Quantity
    value: float
    uncertainty: float = 0.0
    overload: bool = False
    probe: str = ""
    marked: bool = True
    altered: str = ""

    @property
    def tags(self) -> tuple[str, str, str, Quantity, str]:
        """What must be equal for two readings to be of one and the same thing; a leg not told may be any."""
        return self.point, self.mode, self.condition, self.quantity, self.altered


def same_thing(a: Stay, b: Stay) -> bool:
    """True where both are tagged as the same, so that their values can be compared."""
    one_leg = a.leg == b.leg or (not (a.leg and b.leg) and ACROSS not in (a.leg, b.leg))
    return a.tags == b.tags and one_leg and math.isfinite(a.value)


def reads_otherwise(a: Stay, b: Stay) -> bool:
    """True where two values are further apart than 3 %, 50 mV and their scatter."""
    percent = RIPPLE_PERCENT if b.quantity is Quantity.RIPPLE else TWO_VALUES_PERCENT
    apart = abs(a.value - b.value)
    scatter = COVERAGE_FACTOR * math.hypot(a.uncertainty, b.uncertainty)
    largest = max(abs(a.value), abs(b.value))
    return apart > largest * percent / 100 and apart > TWO_VALUES_V and apart > scatter


def leg_name(point: str, leg: str) -> str:
    """A point as it is said."""
    return f"{point} ({leg})" if leg else point


def shown_volts(value: float) -> str:
    """Volts in four figures."""
    return "0.00 V" if abs(value) < 0.005 else f"{value:.4g} V"
