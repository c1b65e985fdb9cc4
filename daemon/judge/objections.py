"""What a colleague looking over the shoulder would object to: readings that cannot be what they are tagged as.

An objection is never a verdict on the unit. It names what does not fit and what might explain it.
The limits of "two values" (3 %, 50 mV) are common practice, no source.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from daemon.drawing import Drawing, Point
from daemon.judge.expected import ZERO_TOLERANCE_V, why_printed_values_do_not_hold
from daemon.judge.neighbours import alike
from daemon.judge.stays import Stay, leg_name, reads_otherwise, same_thing, shown_volts
from drivers.readings import Quantity

UNMEASURED_MAINS = 1.058
FORGOTTEN_VALUES = 3  # different values in a row under one and the same mark

_CURRENT = (Quantity.DC_A, Quantity.AC_A)
_COMPARED_TWICE = (Quantity.DC_V, Quantity.AC_V, Quantity.RIPPLE)


@dataclass(frozen=True, slots=True)
class Objection:
    """``kind`` is two values, forgotten mark, other mode, alike, function or ac; ``about`` names its own first."""

    kind: str
    text: str
    about: tuple[int, ...]


def object_to(
    stay: Stay,
    earlier: Sequence[Stay],
    drawing: Drawing | None,
    unit_draws_current: bool | None,
    repair_times_us: Sequence[int] = (),
) -> list[Objection]:
    """Objections to ``stay``, given the unstruck ``earlier`` ones of all probes.

    ``repair_times_us``: when a part was replaced, lifted, bypassed, adjusted or cleaned, or a proof given;
    ``unit_draws_current`` None means that nobody knows.
    """
    if stay.quantity.needs_dead_unit or stay.quantity in _CURRENT:
        return [_wrong_function(stay)] if unit_draws_current else []
    if not stay.point or not math.isfinite(stay.value):
        return []
    earlier = sorted((e for e in earlier if e.from_us < stay.from_us), key=lambda e: e.from_us)
    last_repair_us = max((t for t in repair_times_us if t <= stay.from_us), default=-math.inf)
    standing = [e for e in earlier if e.from_us > last_repair_us]
    found = (
        _forgotten_mark(stay, standing) or _two_values(stay, standing, drawing),
        _other_mode(stay, earlier, standing, drawing),
        _alike(stay, standing, drawing),
        _ac_for_dc(stay, earlier, drawing),
    )
    return [objection for objection in found if objection is not None]


def _wrong_function(stay: Stay) -> Objection:
    if stay.quantity in _CURRENT:
        text = "Unit is on and the meter is on amperes: across two points that is a short. Is this meant?"
    else:
        text = "Unit is on. This is not a resistance."
        if stay.quantity is Quantity.CAPACITANCE:
            text = "Unit is on. This is not a capacitance."
        elif stay.quantity is Quantity.DIODE:
            text = "Unit is on. This is not a junction voltage."
    return Objection("function", text, (stay.placement,))


def _forgotten_mark(stay: Stay, standing: Sequence[Stay]) -> Objection | None:
    """One mark, and this probe has read one value after the other since: the marks were forgotten."""
    run, newest = [], stay
    for before in reversed([e for e in standing if e.probe == stay.probe]):
        if newest.marked or not same_thing(before, stay):
            break
        run.append(before)
        newest = before
    different: list[Stay] = [stay]
    for before in run:
        if all(reads_otherwise(before, each) for each in different):
            different.append(before)
    is_new = all(reads_otherwise(before, stay) for before in run)
    if stay.quantity not in _COMPARED_TWICE or not is_new or len(different) < FORGOTTEN_VALUES:
        return None
    values = ", ".join(shown_volts(each.value) for each in reversed(different))
    text = (
        f"{_where(stay)} was named {_ago(stay.from_us - run[-1].from_us)}, and nothing since, while the probe read"
        f" {values}: say which points these are."
    )
    return Objection("forgotten mark", text, tuple(each.placement for each in different))


def _alike(stay: Stay, standing: Sequence[Stay], drawing: Drawing | None) -> Objection | None:
    found = alike(stay, standing, drawing)
    return None if found is None else Objection("alike", found[1], (stay.placement, found[0].placement))


def _two_values(stay: Stay, standing: Sequence[Stay], drawing: Drawing | None) -> Objection | None:
    """Only against what stands since the last repair; a contradiction is named once, not at each repeat."""
    if stay.quantity not in _COMPARED_TWICE:
        return None
    earlier, standing = standing, [e for e in standing if same_thing(e, stay)]
    if not standing or any(not reads_otherwise(e, stay) for e in standing):
        return None
    doubted = _doubt_it_answers(stay, earlier, drawing)
    standing = [e for e in standing if e is not doubted]
    if not standing:
        return None
    other = standing[-1]
    text = (
        f"{_where(stay)} reads {shown_volts(stay.value)} and read {shown_volts(other.value)}"
        f" {_ago(stay.from_us - other.from_us)}, with nothing changed in between:"
        " the probe was elsewhere one of the two times, or the fault comes and goes."
    )
    return Objection("two values", text, (stay.placement, other.placement))


def _doubt_it_answers(stay: Stay, earlier: Sequence[Stay], drawing: Drawing | None) -> Stay | None:
    """The reading just before, where it was doubted for its mode and this repeat fits the mode.

    That is the correction itself: the selector was put right and the probe stayed at its point.
    """
    point = _point(stay, drawing)
    by_this_probe = [e for e in earlier if (e.probe, e.quantity) == (stay.probe, stay.quantity)]
    before = by_this_probe[-1] if by_this_probe else None
    if point is None or before is None or not same_thing(before, stay):
        return None
    corrected = _modes_it_fits_instead(before, point, drawing) and _fits(stay, point, stay.mode, drawing)
    return before if corrected else None


def _other_mode(
    stay: Stay, earlier: Sequence[Stay], standing: Sequence[Stay], drawing: Drawing | None
) -> Objection | None:
    """Asked once while a mode stays selected: a dead section shows the other mode's value everywhere.

    What was read twice and never otherwise since the last repair is believed.
    """
    before = [e for e in standing if same_thing(e, stay)]
    if len(before) > 1 and not any(reads_otherwise(e, stay) for e in before):
        return None
    point = _point(stay, drawing)
    others = () if point is None else _modes_it_fits_instead(stay, point, drawing)
    if point is None or not others or _asked_already(stay, earlier, drawing):
        return None
    printed = " and ".join(f"{shown_volts(point.printed_v[mode])} in {mode}" for mode in others)
    text = (
        f"{shown_volts(stay.value)} at {leg_name(stay.point, stay.leg)} is also the value in {' and '.join(others)}"
        f" (printed {printed}; {shown_volts(point.printed_v[stay.mode])} in {stay.mode})."
        " Look at what is selected before believing it."
    )
    return Objection("other mode", text, (stay.placement,))


def _asked_already(stay: Stay, earlier: Sequence[Stay], drawing: Drawing | None) -> bool:
    for before in reversed(earlier):
        if before.mode != stay.mode:
            return False
        point = _point(before, drawing)
        if point is not None and _modes_it_fits_instead(before, point, drawing):
            return True
    return False


def _modes_it_fits_instead(stay: Stay, point: Point, drawing: Drawing | None) -> tuple[str, ...]:
    """Modes whose printed value the reading has, while it has not that of the mode it is tagged with.

    None in a unit that is not as drawn: there it has to have no printed value at all.
    """
    if stay.altered or stay.quantity is not Quantity.DC_V or not math.isfinite(stay.value):
        return ()
    if stay.mode not in point.printed_v or _fits(stay, point, stay.mode, drawing):
        return ()
    others = (mode for mode in point.printed_v if mode != stay.mode)
    return tuple(mode for mode in others if _fits(stay, point, mode, drawing))


def _fits(stay: Stay, point: Point, mode: str, drawing: Drawing | None) -> bool:
    """Within tolerance of the value printed for ``mode``; only 0 V holds however the unit is fed."""
    printed = point.printed_v.get(mode)
    if printed is None or drawing is None:
        return False
    percent = drawing.tolerance_of(point) / 100
    if printed == 0:
        smallest = min((abs(v) for v in point.printed_v.values() if v), default=math.inf)
        return abs(stay.value) <= min(ZERO_TOLERANCE_V, percent * smallest)
    if why_printed_values_do_not_hold(stay.condition) is not None:
        return False
    wider = UNMEASURED_MAINS - 1 if point.follows_mains else 0.0
    return abs(stay.value - printed) <= abs(printed) * (percent + wider)


def _ac_for_dc(stay: Stay, earlier: Sequence[Stay], drawing: Drawing | None) -> Objection | None:
    """AC volts at a point with printed DC, unless the DC has been read there: then ripple is meant."""
    point = _point(stay, drawing)
    printed = None if point is None else point.printed_v.get(stay.mode)
    if stay.quantity is not Quantity.AC_V or not printed:
        return None
    same_place = (e for e in earlier if (e.point, e.leg, e.mode) == (stay.point, stay.leg, stay.mode))
    if any(e.quantity in (Quantity.DC_V, Quantity.AC_V) for e in same_place):
        return None
    where = f"{leg_name(stay.point, stay.leg)} in {stay.mode}"
    where = f"{leg_name(stay.point, stay.leg)} in {stay.mode}"
    text = f"Meter is on AC volts; the drawing prints {shown_volts(printed)} DC for {where}."
    return Objection("ac", text, (stay.placement,))


def _point(stay: Stay, drawing: Drawing | None) -> Point | None:
    return None if drawing is None else drawing.point(stay.point, stay.leg)


def _where(stay: Stay) -> str:
    return f"{leg_name(stay.point, stay.leg)} in {stay.mode}" if stay.mode else leg_name(stay.point, stay.leg)


def _ago(microseconds: int) -> str:
    seconds = round(microseconds / 1e6)
    if seconds < 60:
        return f"{seconds} s ago"
    return f"{seconds // 60} min {seconds % 60} s ago" if seconds < 3600 else f"{seconds / 3600:.1f} h ago"
