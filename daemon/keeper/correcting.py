"""Second thoughts about what readings meant: split, relabel, undo. No reading changes; every act can be taken back."""

import contextlib
import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from typing import Any

from daemon.judge.settle import Settled, StayDetector
from daemon.keeper import placing
from daemon.keeper.desk import Desk
from daemon.keeper.placing import as_stay
from daemon.records import SessionRecords, open_session
from daemon.store.opinions import ContextKind, Settle
from daemon.store.tags import TAGS
from drivers.clock import iso_utc
from drivers.errors import CommandError, SessionError
from drivers.readings import Flag, Quantity

Body = Mapping[str, Any]
NOT_SETTLED: Mapping[str, Any] = {
    **{"value": None, "uncertainty": None, "limits": None},
    **{"count": 0, "flags": 0, "judgement": None},
}


def split(desk: Desk, number: int, body: Body) -> tuple[str, int]:
    """One placement becomes two at a moment within it; each settles by its own readings."""
    desk.writer.commit()  # its last readings may still wait in memory
    act, at_us, why, now_us = desk.writer.begin_act(), body["at_us"], body.get("why", ""), desk.clock.now_us()
    later = {tag: body[tag] for tag in TAGS if tag in body}
    _check_moment(desk, number, at_us)
    with _settling(desk) as settle:
        new = desk.writer.split_placement(number, at_us, now_us, why, act, settle)
    if later:
        desk.writer.correct_placement(new, now_us, why, act, **later)
    refresh(desk, [number, new], tags_changed=True)
    what = "".join(f", {tag} {value}" for tag, value in later.items())
    sentence = f"Placement {number} ends at {iso_utc(at_us)}; from there on it is placement {new}{what}."
    desk.tell("split", sentence, data={"placement": number, "new": new, "at_us": at_us, "act": act, **later})
    return sentence, new


def relabel(desk: Desk, body: Body) -> tuple[str, int]:
    """Between two moments another mode, condition or hypothesis held than was said.

    A placement across one of them is split there.
    """
    kind: ContextKind = body["kind"]
    value, from_us, why = body["value"], body["from_us"], body.get("why", "")
    now_us = desk.clock.now_us()
    until_us = body.get("until_us", now_us)
    if kind != "hypothesis" and not value:
        raise CommandError("value", f"relabel: say which {kind} it was.")
    if not from_us < until_us <= now_us:
        raise CommandError("from_us", "relabel: it must begin before it ends, and both must lie in the past.")
    placing.cut_all(desk, now_us)
    desk.writer.commit()  # the last readings may still wait in memory
    act = desk.writer.begin_act()
    with _settling(desk) as settle:
        touched = desk.writer.relabel(kind, value, from_us, body.get("until_us"), now_us, why, act, settle)
    inside = [number for number in touched if from_us <= desk.writer.placement(number)["t0"] < until_us]
    desk.context |= desk.writer.context
    refresh(desk, touched, tags_changed=True)
    span = f"from {iso_utc(from_us)} " + (f"to {iso_utc(until_us)}" if "until_us" in body else "on")
    whose = f" (placements {', '.join(map(str, inside))})" if inside else ""
    sentence = f"{kind.capitalize()} {span} was: {value or 'none'}{whose}."
    data = {"kind": kind, "value": value, "from_us": from_us, "until_us": until_us, "act": act}
    desk.tell("relabel", sentence, data=data)
    return sentence, act


def undo(desk: Desk, body: Body) -> tuple[str, int]:
    """Take a correction back, the last one where none is named; an undo too can be taken back."""
    act = body.get("act") or desk.writer.last_act()
    if act is None:
        raise CommandError("act", "Nothing was corrected in this session.")
    desk.writer.commit()
    try:
        with _settling(desk) as settle:
            undone = desk.writer.undo(act, desk.clock.now_us(), body.get("why", ""), settle)
    except SessionError as error:
        raise CommandError("act", str(error)) from error
    refresh(desk, undone.placements, tags_changed=True)
    desk.context |= desk.writer.context
    about = f" (placements {', '.join(map(str, undone.placements))})" if undone.placements else ""
    wait = "".join(f" Correction {each} spoke of a part that is gone with it, and waits." for each in undone.waiting)
    sentence = f"Correction {act} is taken back{about}.{wait}"
    desk.tell("undo", sentence, data={"act": act, "placements": undone.placements})
    return sentence, act


def refresh(desk: Desk, numbers: Iterable[int], tags_changed: bool = False) -> None:
    """Bring what is known live of these placements into line with what is stored of them."""
    numbers = set(numbers)
    kept = [stay for stay in desk.stays if stay.placement not in numbers]
    for number in sorted(numbers):
        row = desk.writer.placement(number)
        if tags_changed and row["value"] is not None:
            judged = placing.judge_again(desk, row, row["value"], desk.half_width_of(row))
            desk.writer.set_placement(number, judgement=judged.as_dict())
        if row["count"] and not row["struck"]:
            kept.append(as_stay(desk, number))
        for name, opened in desk.placements.items():
            if opened.id == number:
                desk.probes[name].point, desk.probes[name].leg = row["point"], row["leg"]
    desk.stays = sorted(kept, key=lambda stay: stay.from_us)
    desk.state_is_old = True


def _check_moment(desk: Desk, number: int, at_us: int) -> None:
    row = desk.writer.placement(number)
    if row["t1"] is None:
        raise CommandError("placement", f"Placement {number} is still being measured: lift the probe first.")
    if not row["t0"] < at_us <= row["t1"]:
        span = f"{iso_utc(row['t0'])} to {iso_utc(row['t1'])}"
        raise CommandError("at_us", f"Placement {number} lasted from {span}: name a moment within that.")


@contextlib.contextmanager
def _settling(desk: Desk) -> Iterator[Settle]:
    """What parts of stays settle to, worked out from their readings as they are needed."""
    with contextlib.ExitStack() as stack:
        opened: list[SessionRecords] = []

        def settle(row: Mapping[str, Any], from_us: int, to_us: int) -> dict[str, Any]:
            if not opened:
                opened.append(stack.enter_context(open_session(desk.writer.path)))
            return _settled(desk, opened[0], row, from_us, to_us)

        yield settle


def _settled(desk: Desk, records: SessionRecords, row: Mapping[str, Any], from_us: int, to_us: int) -> dict[str, Any]:
    """What the readings between two times settle to, by the same rule as when they came."""
    quantity = Quantity(row["quantity"])
    series = records.series()
    own = series[
        (series["instrument"] == row["instrument"])
        & (series["channel"] == row["channel"])
        & (series["quantity"] == quantity.value)
    ]["id"].tolist()
    if not own:
        return dict(NOT_SETTLED)
    settings = records.settings()
    settings = settings[(settings["series"] == own[0]) & (settings["t_us"] <= to_us)]
    last = settings.iloc[-1].to_dict() if len(settings) else {}
    resolution, range_ = _known(last.get("resolution")), _known(last.get("range"))
    stretch = records.tail(own[0], from_us - 1).between(from_us, to_us)
    detector, found = StayDetector.of(quantity), None
    for t_us, value, flags in zip(stretch.t.tolist(), stretch.v.tolist(), stretch.flags.tolist(), strict=True):
        for happening in detector.feed(t_us, value, Flag(flags), resolution):
            found = happening if isinstance(happening, Settled) else found
    return dict(NOT_SETTLED) if found is None else _facts(desk, row, found, range_, resolution or 0.0)


def _facts(
    desk: Desk, row: Mapping[str, Any], settled: Settled, range_: float | None, resolution: float
) -> dict[str, Any]:
    if settled.overload:
        return {**NOT_SETTLED, "count": settled.count, "flags": int(Flag.OVERLOAD)}
    setup = desk.instruments[row["instrument"]].setup if row["instrument"] in desk.instruments else None
    limits = (setup.spec.accuracy.half_width(settled.value, range_) if setup else 0.0) + resolution
    type_a = settled.uncertainty
    settled = replace(settled, uncertainty=math.hypot(type_a, limits / math.sqrt(3)))
    judged = placing.judge_again(desk, row, settled.value, limits, type_a)
    return {
        **{"value": settled.value, "uncertainty": settled.uncertainty, "limits": limits},
        **{"count": settled.count, "flags": 0, "judgement": judged.as_dict()},
    }


def _known(value: Any) -> float | None:
    return None if value is None or math.isnan(value) else float(value)
