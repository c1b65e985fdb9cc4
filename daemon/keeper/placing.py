"""Stays become placements; settled placements are judged and, where due, objected to."""

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from daemon.drawing import Drawing
from daemon.judge.across import expect_across
from daemon.judge.expected import NOT_COMPARED, OFF, Judgement, expect, judge, why_not_as_drawn
from daemon.judge.neighbours import also_fits
from daemon.judge.objections import object_to
from daemon.judge.settle import Settled
from daemon.judge.stays import ACROSS, Stay
from daemon.keeper import in_place
from daemon.keeper.desk import OBJECTIONS_SHOWN, Desk, Lift, OpenPlacement
from daemon.keeper.probe import Change, Probe, StayBegan, StayEnded, StayGrew, StayRenamed
from daemon.suspects.in_place import NotAsDrawn, altered_words, moves_volts
from drivers.readings import Flag, Quantity


def mark(desk: Desk, probe: Probe, point: str, leg: str, from_now: bool = False) -> bool:
    """Take a person's word for what a probe touches; True where the stay under way got that name."""
    renamed = False
    for change in list(probe.mark(point, leg, desk.clock.now_us(), from_now)):
        apply(desk, probe, change)
        renamed |= isinstance(change, StayRenamed)
    return renamed


def apply(desk: Desk, probe: Probe, change: Change) -> None:
    """Carry a change of a probe's stay into the session."""
    desk.state_is_old = True
    if isinstance(change, StayBegan):
        _open(desk, probe, change)
    elif isinstance(change, StayGrew):
        _grow(desk, probe, change.settled)
    elif isinstance(change, StayEnded):
        _close(desk, probe, change)
    elif isinstance(change, StayRenamed):
        _rename(desk, probe)


def cut_all(desk: Desk, t_us: int) -> None:
    """End the stays of all probes because what a reading means changes; leads that stay go on anew."""
    for probe in desk.probes.values():
        for change in list(probe.cut(t_us)):
            apply(desk, probe, change)


def lose(desk: Desk, instrument: str, t_us: int) -> None:
    """An instrument is lost: what its probes touch is not known any more."""
    for probe in desk.probes.values():
        if probe.instrument == instrument:
            for change in list(probe.leave(t_us)):
                apply(desk, probe, change)


def judge_placement(
    desk: Desk, tags: Mapping[str, Any], value: float, half_width: float, type_a: float = 0.0
) -> Judgement:
    """Hold a settled value against the drawing, under the tags of its placement; ``type_a`` is its scatter's u."""
    if desk.drawing is None:
        return Judgement(NOT_COMPARED, None, None, None, None, "no drawing is entered for this unit")
    if desk.unit_on is False:
        return _was_off()
    return _against_the_drawing(desk, desk.drawing, tags, value, half_width, type_a)


def judge_again(
    desk: Desk, row: Mapping[str, Any], value: float, half_width: float, type_a: float | None = None
) -> Judgement:
    """The same for a placement of the past: whether the unit was off is told by how it was judged then."""
    if desk.drawing is None:
        return judge_placement(desk, row, value, half_width)
    if type_a is None:  # what is left of the stored uncertainty without the limits of error
        type_a = math.sqrt(max(0.0, (row["uncertainty"] or 0.0) ** 2 - half_width**2 / 3))
    if (row["judgement"] or {}).get("compared_with") == OFF:
        return _was_off()
    return _against_the_drawing(desk, desk.drawing, row, value, half_width, type_a)


def _was_off() -> Judgement:
    return Judgement(NOT_COMPARED, None, None, None, None, OFF)


def _against_the_drawing(
    desk: Desk, drawing: Drawing, tags: Mapping[str, Any], value: float, half_width: float, type_a: float
) -> Judgement:
    point, leg, mode, condition = (tags[key] for key in ("point", "leg", "mode", "condition"))
    quantity = Quantity(tags["quantity"])
    altered = altered_words(_altered_for(desk, drawing, tags))
    is_across = (leg == ACROSS or " - " in point) and drawing.point(point, leg or None) is None
    if quantity is Quantity.DC_V and is_across:
        expected = expect_across(point, value, mode, condition, desk.mains_v, drawing, altered)
    else:
        found = drawing.point(point, leg or None)
        expected = expect(found, mode, condition, desk.mains_v, drawing, quantity=quantity, altered=altered)
    return judge(value, half_width, expected, type_a)


def _open(desk: Desk, probe: Probe, change: StayBegan) -> None:
    quantity = probe.last.quantity if probe.last else Quantity.DC_V
    number = desk.writer.open_placement(
        change.from_us,
        instrument=probe.instrument,
        channel=probe.channel,
        probe=probe.name,
        quantity=quantity,
        point=probe.point,
        leg=probe.leg,
        **desk.context,
    )
    desk.placements[probe.name] = OpenPlacement(number, quantity, change.from_us)
    desk.last_placement[probe.name] = number
    if change.settled is not None:
        _grow(desk, probe, change.settled)


def _grow(desk: Desk, probe: Probe, settled: Settled) -> None:
    placement = desk.placements[probe.name]
    first = placement.judgement is None
    half_width = 0.0
    if probe.last is not None and not settled.overload:
        half_width = desk.half_width(probe.instrument, probe.last._replace(value=settled.value))
    # Type A of the stay with the instrument's limits of error taken as rectangular (GUM 4.3.7).
    type_a = settled.uncertainty
    settled = replace(settled, uncertainty=math.hypot(type_a, half_width / math.sqrt(3)))
    tags = desk.writer.placement(placement.id)
    placement.judgement = judge_placement(desk, tags, settled.value, half_width, type_a)
    placement.altered = _kept_from_comparing(desk, tags, placement.judgement)
    placement.settled, placement.half_width = settled, half_width
    # The estimate improves with the square root of the count: storing every step would say nothing new.
    if first or settled.count >= placement.stored_count * 1.25:
        _store_value(desk, placement, settled)
        desk.state_is_old = True
    if first:
        _remember_and_object(desk, placement, probe.newly_marked)


def _kept_from_comparing(desk: Desk, tags: Mapping[str, Any], judgement: Judgement) -> NotAsDrawn:
    altered = _altered_for(desk, desk.drawing, tags) if desk.drawing is not None else ()
    return altered if judgement.compared_with == why_not_as_drawn(altered_words(altered)) else ()


def _altered_for(desk: Desk, drawing: Drawing, tags: Mapping[str, Any]) -> NotAsDrawn:
    """What was not as drawn, as far as it matters to what was measured."""
    found = in_place.altered(desk, tags)
    return moves_volts(found, drawing) if tags["quantity"] == Quantity.DC_V else found


def _store_value(desk: Desk, placement: OpenPlacement, settled: Settled) -> None:
    placement.stored_count = settled.count
    desk.writer.set_placement(
        placement.id,
        value=None if settled.overload else settled.value,
        uncertainty=None if settled.overload else settled.uncertainty,
        limits=None if settled.overload else placement.half_width,
        count=settled.count,
        flags=int(Flag.OVERLOAD if settled.overload else Flag.NONE),
        judgement=placement.judgement.as_dict() if placement.judgement else None,
    )


def _close(desk: Desk, probe: Probe, change: StayEnded) -> None:
    placement = desk.placements.pop(probe.name)
    if placement.settled is not None:
        _store_value(desk, placement, placement.settled)
        kept = as_stay(desk, placement.id)
        desk.stays = [
            replace(kept, marked=stay.marked) if stay.placement == placement.id else stay for stay in desk.stays
        ]
    desk.writer.set_placement(placement.id, t1=change.at_us)
    if change.lifted and change.settled is not None:
        value = math.nan if change.settled.overload else change.settled.value
        desk.lifts.append(Lift(probe.name, placement.id, value, change.at_us))


def _rename(desk: Desk, probe: Probe) -> None:
    placement = desk.placements[probe.name]
    now_us = desk.clock.now_us()
    why = "named while the probe was on it"
    desk.writer.correct_placement(placement.id, now_us, why, point=probe.point, leg=probe.leg)
    if probe.settled is not None:
        placement.judgement = None
        desk.stays = [stay for stay in desk.stays if stay.placement != placement.id]
        _grow(desk, probe, probe.settled)


def as_stay(desk: Desk, placement: int) -> Stay:
    """A stored placement as the objections see it."""
    row = desk.writer.placement(placement)
    overload = bool(row["flags"] & Flag.OVERLOAD)
    return Stay(
        placement=placement,
        from_us=row["t0"],
        point=row["point"],
        leg=row["leg"],
        mode=row["mode"],
        condition=row["condition"],
        quantity=Quantity(row["quantity"]),
        value=math.nan if row["value"] is None else row["value"],
        uncertainty=row["uncertainty"] or 0.0,
        overload=overload,
        probe=row["probe"],
        altered=altered_words(in_place.altered(desk, row)),
    )


def _remember_and_object(desk: Desk, placement: OpenPlacement, marked: bool) -> None:
    stay = replace(as_stay(desk, placement.id), marked=marked)
    if desk.unit_on is False and not stay.quantity.needs_dead_unit:
        return  # nothing is expected of a unit that is off, and nothing is held against it later
    for objection in object_to(stay, desk.stays, desk.drawing, desk.unit_on, desk.repairs_us):
        entry = {"placement": placement.id, "kind": objection.kind, "about": list(objection.about)}
        t_us = desk.clock.now_us()
        number = desk.tell("objection", objection.text, t_us, entry)
        desk.objections = [
            *desk.objections[-OBJECTIONS_SHOWN + 1 :],
            {"id": number, "t_us": t_us, "text": objection.text, **entry},
        ]
    note = also_fits(stay, desk.drawing, desk.mains_v, placement.half_width) if desk.unit_on is not False else None
    if note is not None:
        desk.tell("remark", note, data={"placement": placement.id})
    desk.stays.append(stay)
