"""Bypasses and lifted parts that are noted as in place: shown, known of each reading, answered before a job is closed.

A job has no end of its own here: it is about to be closed where another session is started or taken up, where a
person speaks of a soak, of handing back or of the last checks, and where a capture is kept as healthy.
"""

import json
from collections.abc import Mapping, Sequence
from typing import Any

from daemon.keeper.desk import Desk
from daemon.suspects.in_place import CLOSING, NotAsDrawn, Temporary, after_note, not_as_drawn
from drivers.clock import iso_utc
from drivers.errors import CommandError

CAUTION, FLAG = "closing", "in place"  # ids of the two cautions
LOOK = "The program knows only what it was told: look at the board."
CURE = "Take it away or refit it, and note that; or say why it stays."
WHERE = "It is answered on the bench page, under Cautions, or with: probetrail mark confirm closing --answer WHY"
_SPEAKING = {"note": "text", "condition": "condition", "mode": "mode"}  # by command, a person's words


def noted(desk: Desk, kind: str, text: str, at_us: int, event: int) -> bool:
    """Take a note that may put something in, or take it away; True where it did."""
    before = desk.in_place
    desk.in_place = after_note(before, kind, text, at_us, event, desk.drawing)
    desk.is_closing &= bool(unanswered(desk))
    desk.state_is_old = True
    if desk.in_place == before:
        return False
    desk.was_in_place.append((at_us, before))
    return True


def altered(desk: Desk, row: Mapping[str, Any]) -> NotAsDrawn:
    """What was not as drawn when a placement began, by the notes of before and under the condition that it has now."""
    began_us = row["t0"]
    known = next((was for until_us, was in desk.was_in_place if began_us < until_us), desk.in_place)
    return not_as_drawn(known, row["condition"], desk.drawing)


def unanswered(desk: Desk) -> list[Temporary]:
    """What is in place, and nobody has said why it stays."""
    return [each for each in desk.in_place if each.event not in desk.left_in_place]


def words(desk: Desk) -> str:
    """All that is in place, since when, and why where somebody said so."""
    return "; ".join(_one(desk, each) for each in desk.in_place)


def _one(desk: Desk, each: Temporary) -> str:
    why = desk.left_in_place.get(each.event)
    since = f"{each.name}, noted {iso_utc(each.since_us)[:19].replace('T', ' ')} UTC"
    return f"{since}, stays because: {why}" if why else since


def cautions(desk: Desk) -> dict[str, str]:
    """The words of both cautions, by id."""
    if not desk.in_place:
        return {}
    still = f"Still noted as in place: {words(desk)}."
    return {FLAG: f"{still} {LOOK}", CAUTION: f"Before this unit goes further. {still} {LOOK} {CURE}"}


def heard(desk: Desk, body: Mapping[str, Any]) -> None:
    """A command that was carried out: it may say that the job is about to be closed."""
    said = str(body.get(_SPEAKING.get(body["command"], ""), ""))
    if body["command"] == "reference" or CLOSING.search(said):
        ask(desk)


def ask(desk: Desk) -> bool:
    """The job is about to be closed: True where something has to be answered first, which is said."""
    open_ones = unanswered(desk)
    if open_ones and not desk.is_closing:
        data = {"in_place": [each.event for each in open_ones]}
        desk.tell("still in place", f"About to be closed. {words(desk)}.", data=data)
    desk.is_closing = bool(open_ones)
    desk.state_is_old = True
    return desk.is_closing


def check_closing(desk: Desk) -> None:
    """Raise ``CommandError`` where the job cannot be closed before something is answered."""
    if ask(desk):
        raise CommandError("caution", f"{cautions(desk)[CAUTION]} {WHERE}")


def answer(desk: Desk, reason: str) -> int:
    """Why all that is in place stays. Raises ``CommandError`` without a reason, or with nothing to answer."""
    if not reason:
        raise CommandError("answer", f"Say why it stays. {cautions(desk).get(CAUTION, '')}".strip())
    open_ones = unanswered(desk)
    if not open_ones:
        raise CommandError("caution", "Nothing is noted as in place that was not answered.")
    desk.left_in_place |= {each.event: reason for each in open_ones}
    desk.writer.set_meta("left_in_place", json.dumps(desk.left_in_place))
    desk.is_closing = False
    names = ", ".join(each.name for each in open_ones)
    data = {"caution": CAUTION, "answer": reason, "in_place": [each.event for each in open_ones]}
    return desk.tell("caution confirmed", f"Stays in place: {names}. Why: {reason}", data=data)


def recall(desk: Desk, events: Sequence[Mapping[Any, Any]]) -> None:
    """What a resumed session's notes say."""
    kept = json.loads(desk.writer.meta("left_in_place") or "{}")
    desk.left_in_place = {int(event): reason for event, reason in kept.items()}
    for event in events:
        noted(desk, event["kind"], event["text"], int(event["t_us"]), int(event["id"]))


def tell_closed(desk: Desk) -> str:
    """The last event of a session, with what is noted as in place. Returns its sentence."""
    still = f" Still noted as in place: {words(desk)}. {LOOK}" if desk.in_place else ""
    sentence = f"Session closed.{still}"
    desk.tell("session closed", sentence, data={"in_place": [each.event for each in desk.in_place]} if still else {})
    return sentence
