"""A session told to the timeline page as columns of JSON: everything at first, then only what is new. Pure.

Words that come again are sent once, as ``words``, and named by their place in it.
"""

from dataclasses import astuple, dataclass
from typing import Any, Self

import pandas as pd

from daemon.records import SessionRecords, says_nothing
from dashboard.words import place_words, reads_words

# A judgement may come a little after its placement ended: the last few are told again.
TOLD_AGAIN = 8
MOST_DIGITS = 19  # what a number of the file can have
_TOLD_APART = "capture"  # its row in the captures says more


@dataclass(frozen=True, slots=True)
class Mark:
    """How far a page has been told: numbers of the last event, change, capture, and of the first open placement."""

    event: int = 0
    change: int = 0
    capture: int = 0
    placement: int = 0

    @classmethod
    def read(cls, text: str) -> Self:
        """The mark that ``str`` wrote; anything else means that nothing was told yet."""
        numbers = text.split("-")
        if len(numbers) != len(cls.__slots__) or not all(map(_is_number, numbers)):
            return cls()
        return cls(*map(int, numbers))

    def __str__(self) -> str:
        return "-".join(map(str, astuple(self)))


def _is_number(text: str) -> bool:
    return text.isascii() and text.isdecimal() and len(text) < MOST_DIGITS


class Words:
    """Words by number, each kept once."""

    def __init__(self) -> None:
        self._numbers: dict[str, int] = {}

    def __call__(self, word: str) -> int:
        """The number of ``word``."""
        return self._numbers.setdefault(word, len(self._numbers))

    @property
    def all(self) -> list[str]:
        """The words in the order of their numbers."""
        return list(self._numbers)


def story(records: SessionRecords, since: Mark, now_us: int | None) -> dict[str, Any]:
    """What there is to tell that was not told before ``since``; ``now_us`` is None for a session that does not run."""
    words = Words()
    events = records.events(since_id=since.event)
    changes = records.changes()
    captures = records.captures()
    captures = captures[captures["id"] > since.capture]
    placements = _placements(records, since, changes)
    return {
        "mark": str(_mark(since, events, changes, captures, placements)),
        "meta": {name: records.meta.get(name, "") for name in ("unit", "serial", "started_us", "closed_us")},
        "now_us": now_us,
        "changes": len(changes),
        "series": records.series()[["id", "instrument", "channel", "quantity", "unit"]].to_dict("records"),
        "placements": _placement_columns(placements, words),
        "events": _event_columns(events[events["kind"] != _TOLD_APART], words),
        "switch_ons": _verdicts(records, since) if (events["kind"] == "switch-on verdict").any() else [],
        "captures": _capture_columns(captures, words),
        "words": words.all,
    }


def rows_of(frame: pd.DataFrame) -> list[Any]:
    """The rows of a frame of records, columns as attributes."""
    return list(frame.itertuples())


def verdict_of(row: Any) -> str:
    """The verdict of a placement's row, "struck" where it was struck."""
    if row.struck:
        return "struck"
    judgement = row.judgement if isinstance(row.judgement, dict) else {}
    return str(judgement.get("verdict") or "not compared")


def _why_not_compared(row: Any) -> str:
    """The first words of the reason, ``R5 is lifted``; "" where there is a verdict."""
    judgement = row.judgement if isinstance(row.judgement, dict) else {}
    if verdict_of(row) != "not compared":
        return ""
    return str(judgement.get("compared_with") or "").split(": ")[0]


def whole_number(value: Any) -> int | None:
    """A number of a column that may hold none."""
    return None if pd.isna(value) else int(value)


def _placements(records: SessionRecords, since: Mark, changes: pd.DataFrame) -> pd.DataFrame:
    lately = changes[(changes["id"] > since.change) & (changes["target"] == "placement")]
    changed = [int(number) for number in lately["row"] if number <= since.placement]
    if not changed or not since.placement:
        return records.placements(since.placement)
    everything = records.placements(min(changed) - 1)
    return everything[(everything["id"] > since.placement) | everything["id"].isin(changed)]


def _mark(since: Mark, *frames: pd.DataFrame) -> Mark:
    events, changes, captures, placements = frames
    open_ones = placements[placements["t1_us"].isna()]["id"]
    newest = _highest(placements, since.placement) - TOLD_AGAIN
    first_open = int(open_ones.min()) - 1 if len(open_ones) else newest
    return Mark(
        event=_highest(events, since.event),
        change=_highest(changes, since.change),
        capture=_highest(captures, since.capture),
        placement=max(0, min(newest, first_open)),
    )


def _highest(frame: pd.DataFrame, otherwise: int) -> int:
    return max(otherwise, int(frame["id"].max())) if len(frame) else otherwise


def _placement_columns(placements: pd.DataFrame, words: Words) -> dict[str, list[Any]]:
    columns: dict[str, list[Any]] = {}
    for row in rows_of(placements):
        for name, value in _placement(row, words).items():
            columns.setdefault(name, []).append(value)
    return columns


def _placement(row: Any, words: Words) -> dict[str, Any]:
    t0_us, t1_us = int(row.t0_us), whole_number(row.t1_us)
    return {
        "id": int(row.id), "t0_us": t0_us, "t1_us": t1_us, "struck": bool(row.struck),
        "gone": t1_us is not None and t1_us < t0_us,  # made by a correction that was taken back
        "silent": says_nothing(t0_us, t1_us, row.count, row.struck),
        "instrument_": words(row.instrument), "channel_": words(row.channel), "quantity_": words(row.quantity),
        "probe_": words(row.probe), "point_": words(row.point), "place_": words(place_words(row)),
        "reads_": words(reads_words(row)), "verdict_": words(verdict_of(row)), "why_": words(_why_not_compared(row)),
        "mode_": words(row.mode), "condition_": words(row.condition), "hypothesis_": words(row.hypothesis),
    }  # fmt: skip


def _event_columns(events: pd.DataFrame, words: Words) -> dict[str, list[Any]]:
    return {
        "id": events["id"].tolist(),
        "t_us": events["t_us"].tolist(),
        "kind_": [words(kind) for kind in events["kind"]],
        "text": events["text"].tolist(),
        "placement": [_placement_of(data) for data in events["data"]],
    }


def _placement_of(data: Any) -> int | None:
    number = data.get("placement") if isinstance(data, dict) else None
    return number if isinstance(number, int) else None


def _capture_columns(captures: pd.DataFrame, words: Words) -> dict[str, list[Any]]:
    return {
        "id": captures["id"].tolist(),
        "t_us": captures["t_us"].tolist(),
        "role_": [words(role) for role in captures["role"]],
        "place_": [words(place_words(row)) for row in rows_of(captures)],
        "length_s": [round(float(n) * float(dt), 6) for n, dt in zip(captures["n"], captures["dt"], strict=True)],
    }


def _verdicts(records: SessionRecords, since: Mark) -> list[dict[str, Any]]:
    verdicts = records.switch_ons()
    return [
        {
            "event": int(row.event),
            "t_us": int(row.t_us),
            "capture": whole_number(row.capture),
            "reference": whole_number(row.reference),
            **{name: str(getattr(row, name) or "") for name in ("point", "mode", "verdict", "why")},
        }
        for row in rows_of(verdicts[verdicts["event"] > since.event])
    ]
