"""Laying the desk for a session that begins or goes on, with its unit, drawing and references."""

import json
from pathlib import Path

from daemon.bench_file import Bench, UnitCard
from daemon.drawing import parse_drawing
from daemon.keeper import in_place
from daemon.keeper.desk import CONTEXT_KINDS, FIRST_CONDITION, REPAIRS, Desk, Publish, unit_from_meta, unit_meta
from daemon.keeper.placing import as_stay
from daemon.keeper.references import import_references
from daemon.keeper.walking import recall
from daemon.records import open_session
from daemon.store.writer import SessionWriter
from drivers.clock import Clock


def open_desk(
    bench: Bench, clock: Clock, publish: Publish, path: Path, references: Path, card: UnitCard | None = None
) -> Desk:
    """A desk with the session in ``path``: a new one, or the one that is there, gone on with.

    ``card`` names the unit; else a resumed session's own card counts, else the bench file's.
    Raises ``SessionError``, ``DrawingError`` and ``OSError``; then nothing is left half begun.
    """
    if path.exists():
        return _recall(Desk.lay(bench, clock, publish, SessionWriter.resume(path, clock), references), card)
    wanted = card or bench.unit
    if wanted.drawing is not None:
        # A drawing with mistakes must not leave an empty session behind.
        parse_drawing(wanted.drawing.read_text(encoding="utf-8"), wanted.drawing.name)
    path.parent.mkdir(parents=True, exist_ok=True)
    writer = SessionWriter.create(path, clock, {"name": path.stem, **unit_meta(wanted)})
    desk = Desk.lay(bench, clock, publish, writer, references)
    desk.tell("session opened", f"Session started: {path.name}.")
    _begin_context(desk)
    _name_unit(desk, wanted)
    return desk


def _recall(desk: Desk, card: UnitCard | None) -> Desk:
    """Bring back from the session's own file what was known when it was left."""
    writer = desk.writer
    desk.tell("session opened", f"Session resumed: {writer.path.name}.")
    desk.context |= writer.context
    _begin_context(desk)
    text = writer.meta("drawing")
    if text:
        desk.drawing = parse_drawing(text, writer.meta("drawing_file") or "drawing of the session")
    desk.hypotheses = json.loads(writer.meta("hypotheses") or "{}")
    desk.confirmed = set(json.loads(writer.meta("confirmed") or "[]"))
    _recall_events(desk)
    known = unit_from_meta(writer.meta)
    _name_unit(desk, card or (known if known.unit else desk.bench.unit))
    recall(desk)
    return desk


def _recall_events(desk: Desk) -> None:
    with open_session(desk.writer.path) as records:
        events = records.events().to_dict("records")
        in_place.recall(desk, events)
        for event in events:
            data = event["data"]
            if event["kind"] == "capture":
                desk.captures[data["capture"]] = data
            elif event["kind"] == "switch-on verdict":
                desk.verdicts[data["point"], data.get("leg", "")] = data
            elif event["kind"] in REPAIRS:
                desk.repairs_us.append(event["t_us"])
        for row in records.placements().to_dict("records"):
            desk.last_placement[row["probe"]] = row["id"]
            if row["count"] and not row["struck"]:
                desk.stays.append(as_stay(desk, row["id"]))


def _begin_context(desk: Desk) -> None:
    now_us = desk.clock.now_us()
    for kind in CONTEXT_KINDS:
        value = desk.context[kind] or (FIRST_CONDITION if kind == "condition" else "")
        if desk.writer.context.get(kind) != value:
            desk.set_context(kind, value, now_us)


def _name_unit(desk: Desk, card: UnitCard) -> None:
    desk.set_unit(card)
    if card.unit:
        desk.tell("unit", f"On the bench: {card.unit}.", data={"unit": card.unit, "serial": card.serial})
    import_references(desk)
