"""A session told in order: as one JSON object, and as text for a terminal."""

import math
from collections.abc import Mapping
from typing import Any

import pandas as pd

from daemon.judge.expected import NOT_COMPARED
from daemon.records import SessionRecords, says_nothing
from drivers.clock import from_iso_utc, iso_utc
from drivers.readings import Quantity

Entry = dict[str, Any]
_TAGS = ("instrument", "point", "leg", "mode", "condition", "hypothesis", "quantity")
_VERDICT = ("point", "verdict", "also", "ratio", "why")


def timeline(records: SessionRecords) -> dict[str, list[Entry]]:
    """Placements, events, switch-ons and objections; times ISO 8601 UTC, null where nothing is known."""
    return {
        "placements": [_placement(row) for row in _rows(records.placements())],
        "events": [*_events(records), *_losses(records)],
        "switch_ons": [
            {"time": iso_utc(row["t_us"]), **{name: row[name] for name in _VERDICT}}
            for row in _rows(records.switch_ons())
        ],
        "objections": [
            {"time": iso_utc(row["t_us"]), **{name: row[name] for name in ("placement", "kind", "text")}}
            for row in _rows(records.objections())
        ],
    }


def timeline_text(records: SessionRecords) -> str:
    """The same to be read in a terminal, a line an entry in order of time.

    Objections stand indented under the placement they object to, verdicts on switch-ons
    indented at their time; what is struck says so.
    """
    story = timeline(records)
    rows = _rows(records.placements())
    numbers = [int(row["id"]) for row in rows]
    objections = story["objections"]
    told: list[tuple[str, str]] = []
    for row, number, placement in zip(rows, numbers, story["placements"], strict=True):
        if _says_nothing(placement):
            continue
        own = [each for each in objections if each["placement"] == number]
        stay = _stay(number, placement, _why_not_compared(row))
        told.append((placement["from"], "\n".join([stay, *map(_objection, own)])))
    told += [(each["time"], _objection(each)) for each in objections if each["placement"] not in numbers]
    told += [(each["time"], _happening(each)) for each in story["events"] if each["kind"] not in _TOLD_APART]
    told += [(each["time"], _switch_on(each)) for each in story["switch_ons"]]
    lines = [_title(records.meta), *(text for _, text in sorted(told, key=lambda each: each[0]))]
    return "\n".join(lines)


def history_text(records: SessionRecords) -> str:
    """The corrections of a session in order, a line each."""
    return "\n".join(map(_correction, _rows(records.history())))


def _correction(entry: Entry) -> str:
    back = "" if entry["undone_by"] is None else f" (taken back by {entry['undone_by']})"
    why = f" Why: {entry['why']}." if entry["why"] else ""
    number = f"correction {entry['act']}, {entry['who']}"
    return f"{_clock(iso_utc(entry['t_us']))}  {number}{back}: {entry['text']}{why}"


_TOLD_APART = ("objection", "switch-on verdict")


def _events(records: SessionRecords) -> list[Entry]:
    rows = _rows(records.events())
    return [
        {"time": iso_utc(row["t_us"]), "kind": row["kind"], "text": row["text"] + _who(row["data"])} for row in rows
    ]


def _who(data: Mapping[str, Any]) -> str:
    return f" By {data['said_by']}." if data.get("said_by") else ""


def _losses(records: SessionRecords) -> list[Entry]:
    """What the file has lost stands among what happened, where it is missing."""
    rows = _rows(records.losses())
    return [{"time": iso_utc(row["t0_us"]), "kind": "lost", "text": row["text"]} for row in rows]


def _placement(row: Mapping[str, Any]) -> Entry:
    return {
        "from": iso_utc(row["t0_us"]),
        "to": None if row["t1_us"] is None else iso_utc(row["t1_us"]),
        **{name: row[name] for name in _TAGS},
        **{name: row[name] for name in ("value", "uncertainty", "count", "struck")},
        "verdict": (row["judgement"] or {}).get("verdict"),
    }


def _rows(frame: pd.DataFrame) -> list[Entry]:
    """Rows with Python's own values, None for what is not known."""
    rows = frame.astype(object).to_dict("records")
    return [{str(name): _plain(value) for name, value in row.items()} for row in rows]


def _plain(value: Any) -> Any:
    if value is None or value is pd.NA or value is pd.NaT:
        return None
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    return value


def _title(meta: Mapping[str, str]) -> str:
    unit = " ".join(filter(None, (meta.get("unit", ""), meta.get("serial", "")))) or "unit not named"
    started = meta.get("started_us", "")
    return f"{unit}, session of {iso_utc(int(started)) if started.isdigit() else 'unknown time'} (times in UTC)"


def _why_not_compared(row: Mapping[str, Any]) -> str:
    """The first words of the reason: ``R5 is lifted``."""
    judgement = row["judgement"] or {}
    why = judgement.get("compared_with") or "" if judgement.get("verdict") == NOT_COMPARED else ""
    return str(why).split(": ")[0]


def _stay(number: int, entry: Entry, why: str) -> str:
    tags = ", ".join(filter(None, (entry["mode"], entry["condition"], entry["hypothesis"])))
    where = f"{entry['point'] or '(no point)'} {entry['leg']}".strip()
    struck = "STRUCK  " if entry["struck"] else ""
    verdict = f"  {': '.join(filter(None, (entry['verdict'], why)))}" if entry["verdict"] else ""
    return f"{_clock(entry['from'])}  #{number:<4} {struck}{where}  {_amount(entry)}{verdict}  [{tags}]"


def _says_nothing(entry: Entry) -> bool:
    end_us = None if entry["to"] is None else from_iso_utc(entry["to"])
    return says_nothing(from_iso_utc(entry["from"]), end_us, entry["count"], entry["struck"])


def _amount(entry: Entry) -> str:
    if entry["value"] is None and entry["count"]:
        return "overload: open, or beyond the range"
    if entry["value"] is None:
        return "not settled" if entry["to"] else "being measured"
    unit = _unit(entry["quantity"])
    u = entry["uncertainty"]
    if not u:
        return f"{entry['value']:.6g} {unit}".rstrip()
    if not 1e-6 < u < 1e6:
        return f"{entry['value']:.6g} +/- {u:.2g} {unit}".rstrip()
    decimals = max(0, 1 - math.floor(math.log10(u)))  # as far as two digits of the uncertainty reach
    return f"{entry['value']:.{decimals}f} +/- {u:.{decimals}f} {unit}".rstrip()


def _unit(quantity: str) -> str:
    return Quantity(quantity).unit if quantity in set(Quantity) else quantity


def _objection(entry: Entry) -> str:
    return f"{_INDENT}objection: {entry['text'] or entry['kind']}"


def _happening(entry: Entry) -> str:
    text = f": {entry['text']}" if entry["text"] else ""
    return f"{_clock(entry['time'])}  {entry['kind']}{text}"


def _switch_on(entry: Entry) -> str:
    also = _joined(entry["also"])
    ratio = "" if entry["ratio"] is None else f", {entry['ratio']:.1%} of the reference"
    why = f": {entry['why']}" if entry["why"] else ""
    return f"{_INDENT}switch-on at {entry['point'] or '(no point)'} {_shout(entry['verdict'])}{also}{ratio}{why}"


def _shout(verdict: str | None) -> str:
    """A missing one must not be overlooked among lines that look alike."""
    return (verdict or "without verdict").upper() if verdict == "missing" else verdict or "without verdict"


def _joined(also: Any) -> str:
    words = also if isinstance(also, list) else [also] if also else []
    return "".join(f", {word}" for word in words)


def _clock(time: str) -> str:
    """Day and time to the tenth of a second: ``03-01 10:00:00.2``."""
    return f"{time[5:10]} {time[11:21]}"


_INDENT = " " * 18
