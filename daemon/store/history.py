"""The corrections of a session told in order, each with what was before. Pure."""

from collections.abc import Mapping, Sequence
from typing import Any

from daemon.store.replaying import standing
from drivers.clock import iso_utc

Row = Mapping[str, Any]
HISTORY_COLUMNS = ("act", "t", "text", "who", "why", "placements", "undoes", "undone_by")
NOT_RECORDED = "not recorded"  # of acts in files of a version before 4
_TIMES = {"t0": "begins", "t1": "ends"}
_FOLLOWS = {"uncertainty", "limits", "count", "flags", "judgement"}  # from the value and the tags


def history(changes: Sequence[Row], acts: Sequence[Row], contexts: Sequence[Row]) -> list[dict[str, Any]]:
    """One entry an act, from rows of ``change`` (in order of their numbers), ``act`` and ``context``.

    ``act``, ``t``, ``text`` (a sentence), ``who`` (``by the bench page``, or ``not recorded``), ``why``, ``undoes`` and
    ``undone_by`` (acts, or None), ``placements`` (the numbers of those that it was about).
    """
    said_by = {row["id"]: f"by {row['said_by']}" for row in acts}
    stand = standing(changes)
    rows_of: dict[int, list[Row]] = {}
    for change in _with_contexts(changes, contexts):
        rows_of.setdefault(change["act"], []).append(change)
    undone = {rows[0]["undoes"]: act for act, rows in rows_of.items() if act in stand}
    return [
        {**_entry(act, rows), "who": said_by.get(act, NOT_RECORDED), "undone_by": undone.get(act)}
        for act, rows in rows_of.items()
    ]


def _with_contexts(changes: Sequence[Row], contexts: Sequence[Row]) -> list[Row]:
    """Changes of contexts with the whole row, ``was`` and ``is``, as it stood before and after each of them."""
    rows = {row["id"]: dict(row) for row in contexts}
    told = []
    for change in reversed(changes):
        if change["target"] == "context":
            now = dict(rows[change["row"]])
            rows[change["row"]].update(change["before"])
            change = {**change, "was": dict(rows[change["row"]]), "is": now}
        told.append(change)
    return told[::-1]


def _entry(act: int, rows: Sequence[Row]) -> dict[str, Any]:
    first, words = rows[0], _told(rows)
    if first["undoes"] is not None:
        words = f"Taken back: correction {first['undoes']} ({words or 'what was said since holds'})"
    return {
        **{name: first[name] for name in ("act", "t", "undoes")},
        "text": f"{words[:1].upper()}{words[1:]}.",
        "why": next((row["why"] for row in rows if row["why"]), ""),
        "placements": sorted({row["row"] for row in rows if row["target"] == "placement"}),
    }


def _told(rows: Sequence[Row]) -> str:
    """What became of each row, once where it is the same of several: ``placements 3, 4: leg C, was B``."""
    alike: dict[str, list[int]] = {}
    held = []
    for row in rows:
        if row["target"] == "context":
            held.append(_held(row["was"], row["is"]))
        elif words := _words(row):
            alike.setdefault(words, []).append(row["row"])
    told = [f"placement{'s' if len(own) > 1 else ''} {', '.join(map(str, own))}: {what}" for what, own in alike.items()]
    return "; ".join([*filter(None, reversed(held)), *told])


def _held(was: Row, now: Row) -> str:
    """What became of an interval of mode, condition or hypothesis: ``mode STOP from .. to ..``."""
    name = f"{now['kind']} {now['value'] or 'none'}"
    if _is_none(now):
        return "" if _is_none(was) else f"{name} from {_moment(was['t0'])} on did not hold"
    if _is_none(was):
        return f"{name} from {_moment(now['t0'])} {_until(now['t1'])}"
    changed = [_piece(key, was[key], now[key]) for key in _TIMES if was[key] != now[key]]
    return f"{name}: {', '.join(changed)}" if changed else ""


def _until(t_us: int | None) -> str:
    return "on" if t_us is None else f"to {_moment(t_us)}"


def _is_none(row: Row) -> bool:
    return row["t1"] is not None and bool(row["t1"] < row["t0"])


def _words(change: Row) -> str:
    """What became of one row: ``leg C, was B``."""
    before, after = change["before"], change["after"]
    told = {name: value for name, value in after.items() if name not in _FOLLOWS}
    new = {name: value for name, value in told.items() if before[name] != value}
    return ", ".join(_piece(name, before[name], value) for name, value in (new or told).items())


def _piece(name: str, before: Any, after: Any) -> str:
    if before == after:
        return f"{name} {after or 'none'} still"
    if name == "struck":
        return "struck" if after else "counts"
    if name in _TIMES:
        return f"{_TIMES[name]} {_moment(after)}, not {_moment(before)}"
    if isinstance(after, float) or isinstance(before, float):
        return f"{name} {_number(after)}, was {_number(before)}"
    return f"{name} {after or 'none'}, was {before or 'none'}"


def _moment(t_us: int | None) -> str:
    return "never" if t_us is None else iso_utc(t_us)


def _number(value: Any) -> str:
    return "none" if value is None else f"{value:.6g}"
