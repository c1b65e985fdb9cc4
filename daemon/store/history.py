"""The corrections of a session told in order, each with what was before. Pure."""

from collections.abc import Mapping, Sequence
from typing import Any

from daemon.store.replaying import standing
from drivers.clock import iso_utc

Change = Mapping[str, Any]
HISTORY_COLUMNS = ("act", "t", "text", "who", "why", "placements", "undoes", "undone_by")
NOT_RECORDED = "not recorded"  # of acts in files of a version before 4
_TIMES = {"t0": "begins", "t1": "ends"}
_FOLLOWS = {"uncertainty", "limits", "count", "flags", "judgement"}  # from the value and the tags


def history(changes: Sequence[Change], said_by: Mapping[int, str]) -> list[dict[str, Any]]:
    """One entry an act, from rows of ``change`` in order of their numbers.

    ``act``, ``t``, ``text`` (a sentence), ``who`` (``by the bench page``, or ``not recorded``), ``why``, ``undoes`` and
    ``undone_by`` (acts, or None), ``placements`` (the numbers of those that it was about).
    """
    acts: dict[int, list[Change]] = {}
    for change in changes:
        acts.setdefault(change["act"], []).append(change)
    stand = standing(changes)
    undone = {rows[0]["undoes"]: act for act, rows in acts.items() if rows[0]["undoes"] is not None and act in stand}
    return [
        {**_entry(act, rows, undone.get(act)), "who": f"by {said_by[act]}" if act in said_by else NOT_RECORDED}
        for act, rows in acts.items()
    ]


def _entry(act: int, rows: Sequence[Change], undone_by: int | None) -> dict[str, Any]:
    first = rows[0]
    words = _told(rows)
    if first["undoes"] is not None:
        words = f"Taken back: correction {first['undoes']} ({words or 'what was said since holds'})"
    return {
        **{name: first[name] for name in ("act", "t", "undoes")},
        **{"text": f"{words[:1].upper()}{words[1:]}.", "undone_by": undone_by},
        "why": next((row["why"] for row in rows if row["why"]), ""),
        "placements": sorted({row["row"] for row in rows if row["target"] == "placement"}),
    }


def _told(rows: Sequence[Change]) -> str:
    """What became of each row, once where it is the same of several: ``placements 3, 4: leg C, was B``."""
    alike: dict[tuple[str, str], list[int]] = {}
    for row in rows:
        alike.setdefault((row["target"], _words(row)), []).append(row["row"])
    return "; ".join(f"{_named(target, numbers)}: {words}" for (target, words), numbers in alike.items() if words)


def _named(target: str, numbers: Sequence[int]) -> str:
    return f"{target}{'s' if len(numbers) > 1 else ''} {', '.join(map(str, numbers))}"


def _words(change: Change) -> str:
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
