"""A reading beside those of other points: does it also fit another one, and do two legs of a part read the same?"""

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass

from daemon.drawing import Drawing, Point
from daemon.judge.expected import NotCompared, expect
from daemon.judge.stays import Stay, leg_name, reads_otherwise, shown_volts
from drivers.readings import Quantity

TIMES_CLOSER = 3.0
LEAST_V = 0.05  # around zero everything fits: common practice, no source
ALIKE_PERCENT, ALIKE_V = 0.5, 0.002
_PART = re.compile(r"\b[A-Z]{1,3}\d+[a-z]?\b")


@dataclass(frozen=True, slots=True)
class Neighbour:
    """A point of the drawing with what it should read here today, and how far the reading is from it."""

    point: Point
    expected_v: float
    away_v: float


def also_fits(stay: Stay, drawing: Drawing | None, mains_v: float | None, half_width_v: float = 0.0) -> str | None:
    """"Also fits ...", where another point's value is at least three times closer than the tagged one's.

    A note and no objection: nothing is said of zeros, nor where the two are told apart by less than the meter's
    limits of error ``half_width_v``, nor of a unit that is not as drawn.
    """
    if drawing is None or stay.altered or stay.quantity is not Quantity.DC_V or not abs(stay.value) > LEAST_V:
        return None
    own = drawing.point(stay.point, stay.leg)
    tagged = None if own is None else _beside(own, stay, drawing, mains_v)
    if own is None or tagged is None:
        return None
    others = [_beside(point, stay, drawing, mains_v) for point in drawing.points if point is not own]
    fitting = [each for each in others if each and TIMES_CLOSER * max(each.away_v, half_width_v) <= tagged.away_v]
    if not fitting:
        return None
    first, *more = sorted(fitting, key=lambda each: each.away_v)
    named = " and ".join(_named(each) for each in [first, *more[:1]])
    return f"{shown_volts(stay.value)} at {leg_name(stay.point, stay.leg)} also fits {named}."


def _beside(point: Point, stay: Stay, drawing: Drawing, mains_v: float | None) -> Neighbour | None:
    """None where nothing is printed, the print is 0, or another point's value is out of its own tolerance."""
    expected = expect(point, stay.mode, stay.condition, mains_v, drawing)
    if isinstance(expected, NotCompared) or expected.value == 0:
        return None
    away_v = abs(stay.value - expected.value)
    own = (point.name, point.leg) == (stay.point, stay.leg) or drawing.point(stay.point, stay.leg) is point
    return Neighbour(point, expected.value, away_v) if own or away_v <= expected.tolerance_v else None


def _named(neighbour: Neighbour) -> str:
    return f"{leg_name(neighbour.point.name, neighbour.point.leg)} ({shown_volts(neighbour.expected_v)} expected)"


def alike(stay: Stay, standing: Sequence[Stay], drawing: Drawing | None) -> tuple[Stay, str] | None:
    """An earlier reading at another leg of the same part that is the same, where the drawing tells them apart.

    ``standing`` are the readings since the last repair. Legs whose own readings disagree among themselves say nothing,
    and the drawing tells nothing apart in a unit that is not as drawn.
    """
    point = None if drawing is None else drawing.point(stay.point, stay.leg)
    if drawing is None or point is None or stay.altered:
        return None
    if stay.quantity is not Quantity.DC_V or not abs(stay.value) > LEAST_V:
        return None
    for other in reversed(standing):
        beside = drawing.point(other.point, other.leg)
        if beside is None or beside is point or not _same_circumstances(stay, other):
            continue
        parts = common_part(point, beside, drawing)
        if parts and _read_alike(stay, other) and _printed_apart(point, beside, stay.mode, drawing):
            return (other, _alike_text(stay, other, min(parts))) if _agrees_with_itself(other, standing) else None
    return None


def _same_circumstances(a: Stay, b: Stay) -> bool:
    return (a.mode, a.condition, a.quantity, a.altered) == (b.mode, b.condition, b.quantity, b.altered)


def _read_alike(a: Stay, b: Stay) -> bool:
    scatter = 2 * math.hypot(a.uncertainty, b.uncertainty)
    return abs(a.value - b.value) <= max(ALIKE_V, abs(a.value) * ALIKE_PERCENT / 100, scatter)


def _printed_apart(a: Point, b: Point, mode: str, drawing: Drawing) -> bool:
    printed = [point.printed_v.get(mode) for point in (a, b)]
    if printed[0] is None or printed[1] is None:
        return False
    room = sum(abs(v or 0.0) * drawing.tolerance_of(p) / 100 for v, p in zip(printed, (a, b), strict=True))
    return abs(printed[0] - printed[1]) > room + LEAST_V


def _agrees_with_itself(stay: Stay, standing: Sequence[Stay]) -> bool:
    return not any(each.tags == stay.tags and reads_otherwise(each, stay) for each in standing)


def common_part(a: Point, b: Point, drawing: Drawing) -> frozenset[str]:
    """The parts whose legs both points are: by their names in these, or by the network."""
    if a.name == b.name:
        return frozenset({a.name})
    named = _parts_named(a) & _parts_named(b)
    if a.net is None or b.net is None or a.net == b.net:
        return frozenset(named)
    return frozenset(named) | {part.name for part in drawing.parts if a.net in part.nets and b.net in part.nets}


def _parts_named(point: Point) -> set[str]:
    return {str(part) for part in _PART.findall(f"{point.name} {point.leg}")}


def _alike_text(stay: Stay, other: Stay, part: str) -> str:
    here, there = leg_name(stay.point, stay.leg), leg_name(other.point, other.leg)
    return (
        f"{here} and {there} both read {shown_volts(stay.value)}, and the drawing tells them apart:"
        f" the probe was on one leg of {part} twice, or nothing drops across it."
    )
