"""The state as the doors show it: plain values only, with None where something is not known."""

import math
from dataclasses import asdict
from typing import Any

from daemon.keeper import in_place
from daemon.keeper.cautions import CAUTIONS, Situation, due
from daemon.keeper.desk import Desk, InstrumentLine
from daemon.keeper.probe import Probe
from daemon.keeper.switching import SwitchWatch
from daemon.keeper.walking import shown
from drivers.readings import Quantity

CONDITIONS = (
    "off",
    "series lamp 60 W",
    "series lamp 100 W",
    "variable transformer at 90 V",
    "isolation",
    "direct",
)
TOUCH_LIMIT_DC_V = 60.0  # and 30 V AC: the lower of the rules that trade bodies quote; local rules may be lower
TOUCH_LIMIT_AC_V = 30.0


def snapshot(desk: Desk, watch: SwitchWatch) -> dict[str, Any]:
    """Everything a screen shows that is not a reading, as DEVELOPERS.md lists it."""
    watching, why = watch.readiness(desk)
    return {
        "now_us": desk.clock.now_us(),
        "session": {
            "path": str(desk.writer.path),
            "name": desk.writer.path.stem,
            "started_us": int(desk.writer.meta("started_us") or 0),
            "references": len(desk.references),
        },
        "unit": {
            "unit": desk.unit.unit,
            "serial": desk.unit.serial,
            "protection": desk.unit.protection,
            "rated_mains_v": desk.unit.rated_mains_v,
            "drawing": desk.drawing.unit if desk.drawing else None,
        },
        "context": {**desk.context, "power": _power(desk.unit_on), "mains_v": _finite(desk.mains_v)},
        "modes": list(desk.drawing.modes) if desk.drawing else [],
        "points": _points(desk),
        "conditions": list(CONDITIONS),
        "probes": [_probe(desk, probe) for probe in desk.probes.values()],
        "instruments": [_instrument(line) for line in desk.instruments.values()],
        "series": _series(desk),
        "hypotheses": [{"hypothesis": text, **entry} for text, entry in desk.hypotheses.items()],
        "in_place": [asdict(each) for each in desk.in_place],
        "cautions": _cautions(desk),
        "switch_ons": list(desk.verdicts.values()),
        "objections": desk.objections,
        "suspects": desk.suspects,
        "awaiting_verdicts": len(desk.unjudged),
        "watch": {"watching": watching, "why": why},
        "storing": {"ok": not desk.storing_why, "why": desk.storing_why},
    }


def _power(on: bool | None) -> str | None:
    return None if on is None else ("on" if on else "off")


def _finite(value: float | None) -> float | None:
    return None if value is None or not math.isfinite(value) else value


def _points(desk: Desk) -> list[dict[str, Any]]:
    points = desk.drawing.points if desk.drawing else ()
    return [
        {
            "name": point.name,
            "leg": point.leg,
            "printed_v": dict(point.printed_v),
            "ripple_vpp": point.ripple_vpp,
            "follows_mains": point.follows_mains,
            "access": point.access,
            "photo": point.photo,
            "at": list(point.at),
        }
        for point in points
    ]


def _probe(desk: Desk, probe: Probe) -> dict[str, Any]:
    line = desk.instruments[probe.instrument]
    placement = desk.placements.get(probe.name)
    settled = placement.settled if placement else None
    last = probe.last
    return {
        "probe": probe.name,
        "instrument": probe.instrument,
        "channel": probe.channel,
        "quantity": last.quantity.value if last else None,
        "unit": last.quantity.unit if last else None,
        "point": probe.point,
        "leg": probe.leg,
        "state": probe.phase if line.status == "ok" else "lost",
        "value": _finite(last.value) if last else None,
        "flags": last.flags.words if last else "",
        "range": _finite(last.range) if last else None,
        "resolution": _finite(last.resolution) if last else None,
        "integration_s": _finite(last.integration_s) if last else None,
        "accuracy": _finite(last.accuracy) if last else None,
        "t_us": last.t_us if last else None,
        "placement": placement.id if placement else None,
        "settled": None
        if settled is None
        else {
            "value": _finite(settled.value),
            "uncertainty": _finite(settled.uncertainty),
            "count": settled.count,
            "overload": settled.overload,
            "t_us": settled.from_us,
        },
        "judgement": placement.judgement.as_dict() if placement and placement.judgement else None,
        "altered": [{"part": part, "what": what} for part, what in placement.altered] if placement else [],
        "above_touch_limit": _above_touch_limit(desk, probe),
        "walk": shown(desk, probe),
    }


def _above_touch_limit(desk: Desk, probe: Probe) -> bool:
    """By what is read, and by what is printed for the point: the word must come before the finger."""
    drawn = desk.drawing.point(probe.point, probe.leg or None) if desk.drawing and probe.point else None
    if drawn is not None and any(abs(volts) > TOUCH_LIMIT_DC_V for volts in drawn.printed_v.values()):
        return True
    last = probe.last
    if last is None or not math.isfinite(last.value):
        return False
    if last.quantity is Quantity.DC_V:
        return abs(last.value) > TOUCH_LIMIT_DC_V
    return last.quantity is Quantity.AC_V and abs(last.value) > TOUCH_LIMIT_AC_V


def _rails(desk: Desk) -> tuple[float, float]:
    """Lowest and highest settled DC volts of the session, 0 V among them."""
    volts = [stay.value for stay in desk.stays if stay.quantity is Quantity.DC_V and math.isfinite(stay.value)]
    return min([0.0, *volts]), max([0.0, *volts])


def _instrument(line: InstrumentLine) -> dict[str, Any]:
    return {
        "name": line.setup.spec.name,
        "kind": line.setup.spec.kind,
        "resource": line.setup.spec.resource,
        "identity": line.identity,
        "status": line.status,
        "why": line.why,
        "last_t_us": line.last_us,
        "poll_s": line.setup.poll_s,
        "armed": line.armed,
        "values": {name: _finite(value) for name, value in line.values.items()},
    }


def _series(desk: Desk) -> list[dict[str, Any]]:
    rows = []
    for (instrument, channel, quantity), number in desk.series_ids.items():
        probe = desk.probe_of(instrument, channel)
        rows.append(
            {
                "id": number,
                "instrument": instrument,
                "channel": channel,
                "quantity": quantity.value,
                "unit": quantity.unit,
                "probe": probe.name if probe else "",
            }
        )
    return rows


def _cautions(desk: Desk) -> list[dict[str, Any]]:
    functions = [
        probe.last.quantity.needs_dead_unit
        for probe in desk.probes.values()
        if probe.last and desk.instruments[probe.instrument].status == "ok"
    ]
    kinds = {line.setup.spec.kind for line in desk.instruments.values() if line.status == "ok"}
    low_v, high_v = _rails(desk)
    rails_apart = low_v < 0 < high_v and high_v - low_v > TOUCH_LIMIT_DC_V
    apart = f"{high_v:.3g} V and {low_v:.3g} V make {high_v - low_v:.3g} V between them."
    words = in_place.cautions(desk) | {"rail to rail": apart}
    now_due = due(
        Situation(
            protection=desk.unit.protection,
            rated_mains_v=desk.unit.rated_mains_v,
            condition=desk.context["condition"],
            unit_on=desk.unit_on,
            scope_on="scope" in kinds,
            generator_on="generator" in kinds,
            dead_function_on_live_unit=bool(desk.unit_on) and any(functions),
            dead_function=any(functions),
            above_touch_limit=any(_above_touch_limit(desk, probe) for probe in desk.probes.values()),
            rails_apart=rails_apart,
            in_place=bool(desk.in_place),
            closing=desk.is_closing,
            confirmed=frozenset(desk.confirmed),
        )
    )
    return [
        {
            "id": caution.id,
            "where": caution.where,
            "text": words.get(caution.id, caution.text) if caution.id in now_due else caution.text,
            "kind": caution.kind,
            "confirmed": caution.id in desk.confirmed,
            "due": caution.id in now_due,
        }
        for caution in CAUTIONS
    ]
