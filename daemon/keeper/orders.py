"""What is said through the command door, carried out on the desk. Each order answers with a sentence."""

import json
import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

from daemon.bench_file import UnitCard
from daemon.drawing import parse_drawing
from daemon.keeper import correcting, in_place, placing, references, walking
from daemon.keeper.cautions import BY_ID
from daemon.keeper.desk import REPAIRS, Desk, Reference
from daemon.keeper.placing import as_stay
from daemon.keeper.probe import Probe
from daemon.keeper.switching import SwitchWatch, note_verdict
from daemon.records import open_session
from daemon.store.writer import ContextKind
from drivers.errors import CommandError, DrawingError, ProbetrailError

Body = dict[str, Any]
Answer = dict[str, Any]
TAGS = ("point", "leg", "mode", "condition", "hypothesis")


def carry_out(desk: Desk, watch: SwitchWatch, body: Body) -> Answer:
    """Carry out one checked command. Raises ``CommandError`` and then changes nothing."""
    if body["command"] == "power":
        return _done(watch.mark(desk, body["state"] == "on", desk.clock.now_us()))
    answer = _ORDERS[body["command"]](desk, body)
    walking.catch_up(desk)
    in_place.heard(desk, body)
    return answer


def _done(sentence: str, number: int | None = None) -> Answer:
    return {"done": sentence, "id": number}


def _point(desk: Desk, body: Body) -> Answer:
    probe = _probe(desk, body)
    point, leg = body["point"], body.get("leg", "")
    renamed = placing.mark(desk, probe, point, leg)
    walking.catch_up(desk, expect=False)
    if renamed:
        walking.moved(desk, desk.placements[probe.name].id, desk.writer.begin_act() - 1)
    else:
        walking.pointed(desk, probe)
    walking.settled(desk, probe)
    desk.state_is_old = True
    if not point:
        return _done(f"{probe.name}: lifted.")
    unknown = desk.drawing is not None and desk.drawing.point(point, leg or None) is None
    note = " It is not on the drawing: nothing to compare with." if unknown else ""
    return _done(f"{probe.name}: {point}{' ' + leg if leg else ''}.{note}")


def _probe(desk: Desk, body: Body) -> Probe:
    if not desk.probes:
        raise CommandError("probe", "This bench has no probe: give an instrument one in the bench file.")
    # Without a name the first probe of the bench file is meant: the one in the hand. The answer names it.
    name = body.get("probe", "") or next(iter(desk.probes))
    if name not in desk.probes:
        raise CommandError("probe", f"There is no probe {name!r}; there are {', '.join(desk.probes)}.")
    return desk.probes[name]


def _mode(desk: Desk, body: Body) -> Answer:
    mode = body["mode"]
    _change_context(desk, "mode", mode)
    known = desk.drawing is None or mode.casefold() == "off" or mode in desk.drawing.modes
    note = "" if known else " It is not on the drawing: nothing to compare with."
    return _done(f"Mode {mode}.{note}", _tell_context(desk, "mode", f"Mode {mode}.", mode))


def _condition(desk: Desk, body: Body) -> Answer:
    condition = body["condition"]
    _change_context(desk, "condition", condition)
    return _done(f"Fed: {condition}.", _tell_context(desk, "condition", f"Fed: {condition}.", condition))


def _tell_context(desk: Desk, kind: str, sentence: str, value: str) -> int:
    return desk.tell(kind, sentence, data={kind: value})


def _change_context(desk: Desk, kind: ContextKind, value: str) -> None:
    if desk.context[kind] == value and not desk.writer.is_relabelled(kind):
        return
    now_us = desk.clock.now_us()
    desk.set_context(kind, value, now_us)
    placing.cut_all(desk, now_us)


def _hypothesis(desk: Desk, body: Body) -> Answer:
    text, state = body["hypothesis"], body.get("state", "open")
    if not text:
        _change_context(desk, "hypothesis", "")
        return _done("No hypothesis is being tested.", desk.tell("hypothesis", "No hypothesis is being tested."))
    known = desk.hypotheses.get(text, {})
    entry = {"kill": body.get("kill", known.get("kill", "")), "state": state, "t_us": desk.clock.now_us()}
    desk.hypotheses[text] = entry
    desk.writer.set_meta("hypotheses", json.dumps(desk.hypotheses))
    _change_context(desk, "hypothesis", text if state == "open" else "")
    word = "Testing" if state == "open" else state.capitalize()
    return _done(f"{word}: {text}.", desk.tell("hypothesis", f"{word}: {text}.", data={"hypothesis": text, **entry}))


def _note(desk: Desk, body: Body) -> Answer:
    kind = body.get("kind", "note")
    now_us = desk.clock.now_us()
    number = desk.tell(kind, body["text"], now_us)
    if kind in REPAIRS:
        desk.repairs_us.append(now_us)
    if in_place.noted(desk, kind, body["text"], now_us, number):
        placing.cut_all(desk, now_us)  # what is read from now on is read in another circuit
    return _done(f"{kind.capitalize()} kept.", number)


def _strike(desk: Desk, body: Body) -> Answer:
    number = _placement(desk, body)
    row = desk.writer.placement(number)
    struck = not body.get("undo", False)
    act = desk.writer.begin_act()
    desk.writer.correct_placement(number, desk.clock.now_us(), body.get("why", ""), act, struck=struck)
    if struck:
        walking.struck(desk, number, act)
        desk.stays = [stay for stay in desk.stays if stay.placement != number]
    elif row["value"] is not None and all(stay.placement != number for stay in desk.stays):
        desk.stays = sorted([*desk.stays, as_stay(desk, number)], key=lambda stay: stay.from_us)
    word = "Struck" if struck else "Taken back in"
    sentence = f"{word}: placement {number}, {row['point'] or 'no point'}."
    desk.tell("strike", sentence, data={"placement": number, "struck": struck, "why": body.get("why", "")})
    return _done(sentence, number)


def _placement(desk: Desk, body: Body) -> int:
    if "placement" in body:
        number = int(body["placement"])
        try:
            is_there = desk.writer.is_there(number)
        except KeyError as error:
            raise CommandError("placement", f"There is no placement {number} in this session.") from error
        if not is_there:
            raise CommandError("placement", f"Placement {number} is gone with the correction that made it.")
        return number
    probe = _probe(desk, body)
    if probe.name in desk.placements:
        return desk.placements[probe.name].id
    last = desk.last_placement.get(probe.name)
    if last is None:
        raise CommandError("placement", f"{probe.name} has no placement in this session yet.")
    return last


def _move(desk: Desk, body: Body) -> Answer:
    number = _placement(desk, body)
    columns: dict[str, Any] = {key: body[key] for key in TAGS if key in body}
    if not columns:
        raise CommandError("point", "Say what it was: point, leg, mode, condition or hypothesis.")
    act = desk.writer.begin_act()
    desk.writer.correct_placement(number, desk.clock.now_us(), body.get("why", ""), act, **columns)
    correcting.refresh(desk, [number], tags_changed=True)
    walking.moved(desk, number, act)
    what = ", ".join(f"{key} {value}" for key, value in columns.items())
    desk.tell("move", f"Placement {number} was: {what}.", data={"placement": number, **columns})
    return _done(f"Placement {number} was: {what}.", number)


def _split(desk: Desk, body: Body) -> Answer:
    return _done(*correcting.split(desk, _placement(desk, body), body))


def _relabel(desk: Desk, body: Body) -> Answer:
    return _done(*correcting.relabel(desk, body))


def _undo(desk: Desk, body: Body) -> Answer:
    walked = None if "act" in body else walking.undo(desk)
    return _done(*(walked or correcting.undo(desk, body)))


def _walk(desk: Desk, body: Body) -> Answer:
    return _done(walking.carry_out(desk, _probe(desk, body), body))


def _unit(desk: Desk, body: Body) -> Answer:
    desk.set_unit(card_from(desk.unit, body))
    references.import_references(desk)
    number = desk.tell("unit", f"On the bench: {desk.unit.unit or 'a unit without a name'}.")
    return _done("Unit noted.", number)


def _drawing(desk: Desk, body: Body) -> Answer:
    try:
        path = desk.drawings.keep(body["text"])
        unit = parse_drawing(body["text"], path.name).unit
    except DrawingError as error:
        raise CommandError("text", str(error)) from error
    # A drawing may call the unit by less than its whole name: the one that is corrected is the one compared with.
    own = {desk.unit.unit.casefold(), desk.drawing.unit.casefold() if desk.drawing else ""}
    if desk.unit.unit and unit.casefold() not in own:
        return _done(f"Kept for {unit}. On the bench is {desk.unit.unit}: name the unit {unit} to compare with it.")
    if desk.unit.unit and unit.casefold() != desk.unit.unit.casefold():
        desk.drawings.keep(body["text"], desk.unit.unit)  # the next one of that name finds it too
    desk.take_drawing(body["text"], path.name)
    known = [stay.placement for stay in desk.stays]
    correcting.refresh(desk, known, tags_changed=True)  # what was read before it was entered is compared now
    sentence = f"The drawing of {unit} is kept and compared with."
    return _done(sentence, desk.tell("drawing", sentence))


def _photo(desk: Desk, body: Body) -> Answer:
    try:
        name = desk.drawings.keep_photo(body["unit"], body["name"], body["data"])
    except ProbetrailError as error:
        raise CommandError("data", str(error)) from error
    return _done(f"{name} is kept for {body['unit']}.")


def card_from(known: UnitCard, body: Body) -> UnitCard:
    """The unit's card with what ``body`` says of it. Raises ``CommandError``."""
    drawing = Path(body["drawing"]) if body.get("drawing") else None
    if drawing is not None and not drawing.is_file():
        raise CommandError("drawing", f"There is no file {drawing}.")
    return replace(
        known,
        unit=body.get("unit", known.unit),
        serial=body.get("serial", known.serial),
        protection=body.get("protection", known.protection),
        rated_mains_v=body.get("rated_mains_v", known.rated_mains_v),
        drawing=drawing,
    )


def session_asked_for(new_path: Path, body: Body) -> tuple[Path, UnitCard | None]:
    """The file (``new_path`` where none is named) and, for a new one, its unit. Raises ``CommandError``."""
    file = body.get("file", "")
    if body["do"] == "resume":
        path = Path(file) if file else None
        if path is None or not path.is_file():
            raise CommandError("file", f"There is no session file {file!r}.")
        return path, None
    path = Path(file) if file else new_path
    if path.exists():
        raise CommandError("file", f"{path} is there already: resume it, or start with another name.")
    card = card_from(UnitCard(), body)
    if not card.protection:
        raise CommandError("protection", BY_ID["class"].text)
    if card.rated_mains_v is None:
        raise CommandError("rated_mains_v", "The mains volts on its label are needed: every limit follows from them.")
    return path, card


def _confirm(desk: Desk, body: Body) -> Answer:
    caution = body["caution"]
    if caution not in BY_ID:
        raise CommandError("caution", f"There is no caution {caution!r}; there are {', '.join(BY_ID)}.")
    if caution == in_place.CAUTION:
        return _done("Noted, with its reason.", in_place.answer(desk, body.get("answer", "")))
    desk.confirmed.add(caution)
    desk.writer.set_meta("confirmed", json.dumps(sorted(desk.confirmed)))
    number = desk.tell("caution confirmed", f"Read and confirmed: {BY_ID[caution].text}", data={"caution": caution})
    return _done("Confirmed.", number)


def _reference(desk: Desk, body: Body) -> Answer:
    capture = body["capture"]
    facts = desk.captures.get(capture)
    if facts is None:
        raise CommandError("capture", f"There is no switch-on capture {capture} in this session.")
    if not desk.unit.unit:
        raise CommandError("capture", "Name the unit first: a reference is kept for its model.")
    with open_session(desk.writer.path) as records:
        trace = records.trace(capture)
    on_us, point = facts["switch_on_t_us"], body.get("point") or facts["point"]
    path = references.keep(desk.references_folder, desk.unit.unit, point, facts["mode"], trace, on_us)
    references.remember(desk, Reference(point, facts["mode"], capture, on_us, str(path)))
    taken = "" if point == facts["point"] else f", taken at {facts['point']}"
    sentence = f"Kept as the healthy switch-on of {point}{taken}."
    return _done(sentence, desk.tell("note", sentence, data={"capture": capture}))


def _judged(desk: Desk, body: Body) -> Answer:
    facts = desk.captures.get(body["capture"])
    if facts is None:
        raise CommandError("capture", f"Capture {body['capture']} awaits no verdict.")
    if not isinstance(body["verdict"].get("verdict"), str) or not _is_finite(body["verdict"]):
        raise CommandError("verdict", "A verdict is an object with a text 'verdict' and finite numbers.")
    return _done("Verdict kept.", note_verdict(desk, facts, body["verdict"]))


def _is_finite(value: object) -> bool:
    if isinstance(value, dict):
        return all(_is_finite(part) for part in value.values())
    if isinstance(value, list):
        return all(_is_finite(part) for part in value)
    return not isinstance(value, float) or math.isfinite(value)


_ORDERS: dict[str, Callable[[Desk, Body], Answer]] = {
    "point": _point,
    "mode": _mode,
    "condition": _condition,
    "hypothesis": _hypothesis,
    "note": _note,
    "strike": _strike,
    "move": _move,
    "split": _split,
    "relabel": _relabel,
    "undo": _undo,
    "walk": _walk,
    "unit": _unit,
    "drawing": _drawing,
    "photo": _photo,
    "confirm": _confirm,
    "reference": _reference,
    "judged": _judged,
}
