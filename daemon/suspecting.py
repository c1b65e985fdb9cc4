"""The judging process's second task: what may be broken, kept up to date while the probe moves.

Hears the same feed as the switch-on judge. Settled values come with the state, long before they are on the disk;
what is older, and every correction, is read from the session's records. Thinking happens in one thread of its own:
first what the next probe is at one step, at once; then two steps ahead, and with pairs of faults that are yet to be
solved, if nothing new came in the meantime.
"""

import logging
import threading
from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import Any

from daemon.commands import Door, say
from daemon.drawing import parse_drawing
from daemon.question import MARKS, Question, heard, question_of
from daemon.records import open_session
from daemon.solved_drawings import SolvedDrawings
from daemon.suspects.answer import answer
from daemon.suspects.diagnosis import Diagnosis
from daemon.suspects.infer import Posterior
from daemon.suspects.marks import Evidence, Mark, Stay, evidence_of
from drivers.errors import CommandError, DoorError, ProbetrailError

# Corrections, and what else changes more than what is added: after these the records know better.
READ_ANEW = frozenset({"strike", "move", "split", "relabel", "undo", "unit", "drawing", "session opened"})
SHOWN_PARTS, SHOWN_SUSPECTS, SHOWN_NEXT, SHOWN_HIDDEN, SHOWN_READINGS = 24, 8, 3, 6, 8
SHOWN_OTHERWISE, SHOWN_PROOFS, SHOWN_LIFTED = 5, 4, 4
NOTHING_NEW_AFTER = 10

_log = logging.getLogger(__name__)


class Thinker:
    """Answers questions, and remembers the last drawing's worlds and the last evidence's posterior."""

    def __init__(self, folder: Path) -> None:
        self._keep = SolvedDrawings(folder)
        self._text = ""
        self._diagnosis: Diagnosis | None = None
        self._last: tuple[Evidence, Posterior] | None = None

    def ranking(self, question: Question, look_ahead: bool) -> dict[str, Any]:
        """The ranking as the door takes it. Raises ``DrawingError`` where the drawing says too little."""
        diagnosis = self._diagnosed(question.drawing_text)
        evidence = evidence_of(question.stays, question.marks, diagnosis.drawing)
        posterior = diagnosis.paired(self._weighed(diagnosis, evidence, solve=look_ahead), solve=look_ahead)
        said = answer(posterior, question.mode, look_ahead, question.thoughts, SHOWN_SUSPECTS)
        return _shortened(said) | {
            "session": question.session,
            "readings": len(evidence.seen),
            "newest_us": evidence.at_us[-1] if evidence.at_us else None,
            "steps_ahead": 2 if look_ahead else 1,
            "nothing_new_since_us": _nothing_new_since_us(posterior, evidence),
            "values": _values(question.stays),
        }

    def _diagnosed(self, text: str) -> Diagnosis:
        if self._diagnosis is None or text != self._text:
            self._diagnosis, self._last = Diagnosis(parse_drawing(text, "drawing of the session"), self._keep), None
            self._text = text
        return self._diagnosis

    def _weighed(self, diagnosis: Diagnosis, evidence: Evidence, solve: bool) -> Posterior:
        """Only what is new is weighed, where the rest is as it was; what had to wait for a network without a lifted
        part is weighed once it may be solved."""
        posterior = self._known(diagnosis, evidence)
        if solve and posterior.wanting:
            posterior = diagnosis.single(evidence.seen)
        self._last = evidence, posterior
        return posterior

    def _known(self, diagnosis: Diagnosis, evidence: Evidence) -> Posterior:
        if self._last is not None:
            before, posterior = self._last
            known = len(before.seen)
            if evidence.seen[:known] == before.seen:
                return posterior.after(*evidence.seen[known:], solve=False)
        return diagnosis.single(evidence.seen, solve=False)


def _shortened(said: dict[str, Any]) -> dict[str, Any]:
    """What a screen shows: a state goes to every page many times a minute."""
    suspects = [
        each | {key: each[key][-SHOWN_READINGS:] for key in ("for", "against", "silent")}
        for number, each in enumerate(said["suspects"])
        if number < SHOWN_SUSPECTS or "hypothesis" in each
    ]
    return {
        "named": said["named"],
        "parts": said["parts"][:SHOWN_PARTS],
        "suspects": suspects,
        "credible_set": said["credible_set"][:SHOWN_PARTS],
        "next": said["next"][:SHOWN_NEXT],
        "otherwise": said["otherwise"][:SHOWN_OTHERWISE],
        "proofs": said["proofs"][-SHOWN_PROOFS:],
        "no_dc_trace": said["no_dc_trace"][:SHOWN_HIDDEN],
    } | ({"lifted": said["lifted"][:SHOWN_LIFTED]} if "lifted" in said else {})


def _nothing_new_since_us(posterior: Posterior, evidence: Evidence) -> int | None:
    """When the first of the last readings that taught nothing was taken, where there are ten or more of them."""
    silent = posterior.silent_since
    return evidence.at_us[-silent] if silent >= NOTHING_NEW_AFTER else None


def _values(stays: tuple[Stay, ...]) -> list[dict[str, Any]]:
    """The newest settled volts of each point in each mode."""
    newest = {(s.point, s.leg, s.mode): s.value for s in stays if s.quantity == "dc_v"}
    return [{"point": p, "leg": leg, "mode": mode, "value": value} for (p, leg, mode), value in newest.items()]


class Suspecting:
    """Keeps the newest question, and one thread that answers it; questions that came in between are never asked."""

    def __init__(self, door: Door, folder: Path) -> None:
        self._door = door
        self._thinker = Thinker(folder)
        self._worker = ThreadPoolExecutor(max_workers=1)
        self._lock = threading.Lock()
        self._waiting: Question | None = None
        self._busy = False
        self._now = Question("", "", (), (), "", ())
        self._asked = self._now
        self._stale = True  # the records know what is not known here
        self._mode = ""

    def hear(self, content: Mapping[str, Any]) -> None:
        """Take one text frame of the feed."""
        if content["kind"] == "event":
            self._hear_event(content["event"])
        elif content["kind"] == "state" and content["state"].get("session"):
            self._hear_state(content["state"])

    def close(self) -> None:
        """Leave what is being thought."""
        self._worker.shutdown(wait=False, cancel_futures=True)

    def _hear_event(self, event: Mapping[str, Any]) -> None:
        if event["kind"] in READ_ANEW:
            self._stale = True
        elif event["kind"] in MARKS:
            mark = Mark(event["t_us"], event["kind"], event["text"], self._mode, event["data"])
            self._now = replace(self._now, marks=(*self._now.marks, mark))

    def _hear_state(self, state: Mapping[str, Any]) -> None:
        path = str(state["session"]["path"])
        self._mode = str((state.get("context") or {}).get("mode") or "")
        if self._stale or path != self._now.session:
            self._now, self._stale = _from_records(path, self._now), False
        self._now = heard(self._now, state)
        if self._now != self._asked and self._now.drawing_text:
            self._asked = self._now
            self._ask(self._now)

    def _ask(self, question: Question) -> None:
        with self._lock:
            self._waiting = question
            if not self._busy:
                self._busy = True
                self._worker.submit(self._think)

    def _taken(self) -> Question | None:
        with self._lock:
            question, self._waiting = self._waiting, None
            self._busy = question is not None
            return question

    def _think(self) -> None:
        while (question := self._taken()) is not None:
            try:
                self._tell(self._thinker.ranking(question, look_ahead=False))
                if self._waiting is None:
                    self._tell(self._thinker.ranking(question, look_ahead=True))
            except ProbetrailError as error:
                _log.info("no suspects: %s", error)
            except Exception:  # one question that cannot be answered must not silence the next
                _log.exception("suspects")

    def _tell(self, ranking: dict[str, Any]) -> None:
        try:
            say(self._door, {"command": "suspected", "ranking": ranking})
        except (CommandError, DoorError) as error:
            _log.warning("the suspects were not taken: %s", error)


def _from_records(path: str, before: Question) -> Question:
    """What the session's file holds, with what only a state says."""
    try:
        with open_session(Path(path)) as records:
            return replace(question_of(records), mode=before.mode, thoughts=before.thoughts)
    except ProbetrailError as error:
        _log.warning("%s: %s", path, error)
        return replace(before, session=path)
