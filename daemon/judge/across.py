"""What to expect across a part: the difference of what is printed at its two legs."""

import math

from daemon.drawing import Drawing, Point
from daemon.judge.expected import Expected, NotCompared, expect
from daemon.judge.neighbours import common_part
from daemon.judge.stays import leg_name, shown_volts


def expect_across(
    part: str, value_v: float, mode: str, condition: str, mains_v: float | None, drawing: Drawing, altered: str = ""
) -> Expected | NotCompared:
    """The difference at ``part``, with the sign of ``value_v``: which way round the leads lie is not known.

    The tolerances of both legs are taken as independent. ``altered`` as in ``expect``.
    """
    legs = legs_of(part, drawing)
    if legs is None:
        return NotCompared(f"the drawing does not tell both legs of {part}")
    upper, lower = (expect(leg, mode, condition, mains_v, drawing, altered=altered) for leg in legs)
    if isinstance(upper, NotCompared):
        return upper
    if isinstance(lower, NotCompared):
        return lower
    difference = math.copysign(abs(upper.value - lower.value), value_v)
    tolerance = math.hypot(upper.tolerance_v, lower.tolerance_v)
    text = (
        f"{shown_volts(upper.value)} at {_named(legs[0])} and {shown_volts(lower.value)} at {_named(legs[1])}:"
        f" {shown_volts(abs(difference))} across {part}, +-{shown_volts(tolerance)}"
    )
    return Expected(difference, difference - tolerance, difference + tolerance, tolerance, text)


def legs_of(part: str, drawing: Drawing) -> tuple[Point, Point] | None:
    """The two points at a part's legs, by its nets or by their names; or those that are named "A - B"."""
    if " - " in part:
        named = [drawing.point(name.strip()) for name in part.split(" - ", 1)]
        return (named[0], named[1]) if named[0] and named[1] else None
    for at, one in enumerate(drawing.points):
        for other in drawing.points[at + 1 :]:
            if part in common_part(one, other, drawing):
                return one, other
    return None


def _named(point: Point) -> str:
    return leg_name(point.name, point.leg)
