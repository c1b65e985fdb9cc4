"""All that a ranking of suspects depends on: heard as it comes, or read from a session's records, as of now or of then.

A ranking is not stored. It follows from this alone, so that whoever asks the same gets the same, years later too.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import pandas as pd

from daemon.judge.expected import OFF
from daemon.records import SessionRecords
from daemon.suspects.answer import Thought
from daemon.suspects.marks import Mark, Stay

MARKS = frozenset({"part replaced", "part lifted", "bypassed", "note", "proof", "switch-on verdict"})
SETTLED_AFTER_US = 1_000_000  # a stay is known to rest after a second of it
NOT_FED = "off"  # a condition under which no printed or worked out volts hold
Row = Mapping[Any, Any]


@dataclass(frozen=True, slots=True)
class Question:
    """A session's drawing (TOML), every settled stay that counts, every mark, the mode, a person's suspicions."""

    session: str
    drawing_text: str
    stays: tuple[Stay, ...]
    marks: tuple[Mark, ...]
    mode: str
    thoughts: tuple[Thought, ...]


def question_of(records: SessionRecords, at_us: int | None = None) -> Question:
    """The question of a session's file: as it stands, or as it stood at a time, under the tags that held then."""
    placements, events = _rows(records.placements()), records.events()
    if at_us is not None:
        placements, events = as_of(placements, _rows(records.changes()), at_us), events[events["t_us"] <= at_us]
    said = _rows(events)
    modes = [(int(row["t_us"]), str(row["data"].get("mode", ""))) for row in said if row["kind"] == "mode"]
    return Question(
        str(records.path),
        records.meta.get("drawing", ""),
        tuple(_stay_of_row(row) for row in placements if not row["struck"] and pd.notna(row["value"])),
        tuple(_mark_of_row(row, modes) for row in said if row["kind"] in MARKS),
        modes[-1][1] if modes else "",
        _thoughts([row for row in said if row["kind"] == "hypothesis"]),
    )


def as_of(placements: Sequence[Row], changes: Sequence[Row], at_us: int) -> list[Row]:
    """Placements that had settled by a time, with every correction that was made later taken back."""
    settled = [row for row in placements if row["t0_us"] + SETTLED_AFTER_US <= at_us]
    known: dict[int, dict[Any, Any]] = {int(row["id"]): dict(row) for row in settled}
    later = [row for row in changes if row["t_us"] > at_us and row["target"] == "placement" and row["row"] in known]
    for change in reversed(later):
        known[change["row"]].update(change["before"])
    return list(known.values())


def _rows(frame: pd.DataFrame) -> list[Row]:
    return [dict(row) for row in frame.to_dict("records")]


def heard(question: Question, state: Mapping[str, Any]) -> Question:
    """The question with what a state says of now."""
    context = state.get("context") or {}
    thoughts = tuple(
        Thought(each["hypothesis"], each.get("kill", ""), each["state"]) for each in state.get("hypotheses", ())
    )
    mode = str(context.get("mode") or "")
    return replace(question, mode=mode, thoughts=thoughts, stays=_with_current(question.stays, state, context))


def _thoughts(rows: Sequence[Row]) -> tuple[Thought, ...]:
    """What was last said of each suspicion, in the order in which they came up."""
    found: dict[str, Thought] = {}
    for row in rows:
        data = row["data"]
        if text := data.get("hypothesis"):
            found[text] = Thought(text, data.get("kill", ""), data.get("state", "open"))
    return tuple(found.values())


def _mark_of_row(row: Row, changes: Sequence[tuple[int, str]]) -> Mark:
    at_us = int(row["t_us"])
    mode = next((mode for t_us, mode in reversed(changes) if t_us <= at_us), "")
    return Mark(at_us, row["kind"], row["text"], mode, row["data"])


def _stay_of_row(row: Row) -> Stay:
    limits = float(row["limits"] or 0.0)
    tags = {name: str(row[name] or "") for name in ("point", "leg", "mode", "condition", "quantity")}
    return Stay(
        placement=int(row["id"]),
        at_us=int(row["t0_us"]),
        **tags | ({"condition": NOT_FED} if _was_off(row["judgement"]) else {}),
        value=float(row["value"]),
        uncertainty=limits if limits > 0 else None,
    )


def _was_off(judgement: Mapping[str, Any] | None) -> bool:
    return isinstance(judgement, Mapping) and judgement.get("compared_with") == OFF


def _with_current(stays: tuple[Stay, ...], state: Mapping[str, Any], context: Mapping[str, Any]) -> tuple[Stay, ...]:
    """The stays with those under way, each at its place; one that moves within its own limits is left as it was."""
    found = {stay.placement: stay for stay in stays}
    for probe in state.get("probes", ()):
        settled, number = probe["settled"], probe["placement"]
        if settled is None or number is None or settled["value"] is None or not probe["point"]:
            continue
        limits = probe.get("accuracy")
        stay = Stay(
            int(number),
            int(settled["t_us"]),
            probe["point"],
            probe["leg"] or "",
            str(context.get("mode") or ""),
            NOT_FED if _was_off(probe.get("judgement")) else str(context.get("condition") or ""),
            str(probe["quantity"]),
            float(settled["value"]),
            float(limits) if limits else None,
        )
        old = found.get(stay.placement)
        if old is None or not _as_before(old, stay):
            found[stay.placement] = stay if old is None else replace(stay, at_us=old.at_us)
    return tuple(found.values())


def _as_before(old: Stay, new: Stay) -> bool:
    same = replace(old, value=0.0, uncertainty=None, at_us=0) == replace(new, value=0.0, uncertainty=None, at_us=0)
    return same and abs(old.value - new.value) <= max(new.uncertainty or 0.0, 2e-3 * abs(new.value), 1e-3)
