"""One placement looked at closely, as words and numbers: its readings, its tags, what was made and changed of it."""

from typing import Any

import pandas as pd

from daemon.records import SessionRecords
from dashboard.session_story import rows_of, verdict_of, whole_number
from dashboard.words import clock_words, local, place_words, reads_words, unit_of, value_words, with_unit
from drivers.errors import SessionError

MOST_DRAWN = 1500
MOST_LISTED = 400

_TAGS = ("point", "leg", "mode", "condition", "hypothesis")


def stay_words(records: SessionRecords, number: int) -> dict[str, Any]:
    """What the page's panel shows of placement ``number``. Raises ``SessionError`` where there is none."""
    row = _row(records, number)
    unit = unit_of(row.quantity)
    judgement = row.judgement if isinstance(row.judgement, dict) else {}
    series = _series(records, row)
    return {
        "placement": number,
        "heading": f"{place_words(row)}, probe {row.probe}, from {clock_words(int(row.t0_us))}",
        "t0_us": int(row.t0_us),
        "t1_us": whole_number(row.t1_us),
        "facts": _facts(row, judgement, unit),
        "unit": unit,
        "low": judgement.get("low"),
        "high": judgement.get("high"),
        "struck": bool(row.struck),
        "tags": {name: getattr(row, name) for name in _TAGS},
        "history": history_words(records, number),
        **_drawn(records, row, series),
    }


def _row(records: SessionRecords, number: int) -> Any:
    placements = records.placements(number - 1)
    found = rows_of(placements[placements["id"] == number])
    if not found:
        raise SessionError(f"There is no placement {number} in this session.")
    return found[0]


def _series(records: SessionRecords, row: Any) -> int | None:
    """The number of the series that a placement's readings are in, None before the first of them."""
    series = records.series()
    own = series[(series["instrument"] == row.instrument) & (series["channel"] == row.channel)]
    exact = own[own["quantity"] == row.quantity]
    chosen = exact if len(exact) or row.quantity else own
    return int(chosen.iloc[0]["id"]) if len(chosen) else None


def _drawn(records: SessionRecords, row: Any, series: int | None) -> dict[str, Any]:
    if series is None:
        return {"points": [], "listed": [], "count": 0}
    t0_us, t1_us = int(row.t0_us), whole_number(row.t1_us)
    view = records.overview(series, t0_us, t1_us, MOST_DRAWN)
    # Many readings were summed up: only those of the last stretch, at the pace of the stay's end, are listed.
    since_us = t0_us if view.exact else _since_us(records, series, int(view.t[-1]), t0_us)
    listed = records.readings(series, since_us, t1_us)
    points = zip(((view.t - t0_us) / 1e6).tolist(), view.low.tolist(), view.high.tolist(), strict=True)
    return {
        "points": [[at, *(None if value != value else value for value in ends)] for at, *ends in points],
        "listed": [_reading(each) for each in rows_of(listed.tail(MOST_LISTED))],
        "count": len(listed) if view.exact else None,
    }


def _since_us(records: SessionRecords, series: int, last_us: int, t0_us: int) -> int:
    for seconds in (10, 100, 1000, 10_000):
        since_us = last_us - seconds * 1_000_000
        if since_us <= t0_us or len(records.overview(series, since_us, None, MOST_LISTED).t) >= MOST_LISTED:
            return max(since_us, t0_us)
    return since_us


def _reading(row: Any) -> list[str]:
    value = "" if pd.isna(row.value) else f"{row.value:.6g} {row.unit}"
    return [f"{local(round(row.time.timestamp() * 1e6)):%H:%M:%S.%f}"[:-3], value, row.flags]


def _facts(row: Any, judgement: dict[str, Any], unit: str) -> list[list[str]]:
    # What stands there of a reading without a verdict is the reason why it has none.
    compared = "why" if judgement.get("verdict") == "not compared" else "compared with"
    told = [
        ("reads", _settled_words(row)),
        ("verdict", verdict_of(row)),
        ("expected", with_unit(judgement.get("expected"), unit) if judgement.get("expected") is not None else ""),
        ("limits", _limits(judgement, unit)),
        (compared, judgement.get("compared_with", "")),
        ("mode", row.mode),
        ("fed by", row.condition),
        ("hypothesis", row.hypothesis or "none"),
        ("instrument", " ".join(part for part in (row.instrument, row.channel) if part)),
        ("settled readings", str(int(row.count))),
    ]
    return [[name, str(words)] for name, words in told if words]


def _settled_words(row: Any) -> str:
    if pd.isna(row.value) or pd.isna(row.uncertainty):
        return reads_words(row)
    return f"{reads_words(row)} ± {value_words(row.uncertainty, row.quantity, 2)}"


def _limits(judgement: dict[str, Any], unit: str) -> str:
    if judgement.get("low") is None or judgement.get("high") is None:
        return ""
    return f"{with_unit(judgement['low'], unit)} to {with_unit(judgement['high'], unit)}"


def history_words(records: SessionRecords, placement: int | None = None) -> list[dict[str, Any]]:
    """Every correction, or those of one placement: when, what with what was before, why, undos; the newest first."""
    return [
        _change(row)
        for row in rows_of(records.history().iloc[::-1])
        if placement is None or placement in row.placements
    ]


def _change(row: Any) -> dict[str, Any]:
    return {
        "act": int(row.act),
        "t_us": int(row.t_us),
        "what": str(row.text).removesuffix("."),
        "why": row.why,
        "who": row.who,
        "undoes": whole_number(row.undoes),
        "undone_by": whole_number(row.undone_by),
    }
