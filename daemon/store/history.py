"""The corrections of a session told in order, each with what was before. Pure."""

from collections.abc import Mapping, Sequence
from typing import Any

from drivers.clock import iso_utc

Change = Mapping[str, Any]
_TIMES = {"t0": "begins", "t1": "ends"}
_FOLLOWS = {"uncertainty", "limits", "count", "flags", "judgement"}  # from the value and the tags


def history(changes: Sequence[Change]) -> list[dict[str, Any]]:
    """One entry an act, from rows of ``change`` in order of their numbers.

    ``act``, ``t``, ``text`` (a sentence), ``why``, ``undoes`` and ``undone_by`` (acts, or None), ``placements``
    (the numbers of those that it was about).
    """
    acts: dict[int, list[Change]] = {}
    for change in changes:
        acts.setdefault(change["act"], []).append(change)
    undone = {rows[0]["undoes"]: act for act, rows in acts.items() if rows[0]["undoes"] is not None}
    return [_entry(act, rows, undone.get(act)) for act, rows in acts.items()]


def _entry(act: int, rows: Sequence[Change], undone_by: int | None) -> dict[str, Any]:
    first = rows[0]
    words = "; ".join(filter(None, map(_words, rows)))
    text = f"Taken back: correction {first['undoes']} ({words})" if first["undoes"] is not None else words
    return {
        **{name: first[name] for name in ("act", "t", "undoes")},
        **{"text": f"{text[:1].upper()}{text[1:]}.", "undone_by": undone_by},
        "why": next((row["why"] for row in rows if row["why"]), ""),
        "placements": sorted({row["row"] for row in rows if row["target"] == "placement"}),
    }


def _words(change: Change) -> str:
    """What became of one row: ``placement 3: leg C, was B``."""
    before, after = change["before"], change["after"]
    pieces = [_piece(name, before[name], value) for name, value in after.items() if name not in _FOLLOWS]
    return f"{change['target']} {change['row']}: {', '.join(pieces)}" if pieces else ""


def _piece(name: str, before: Any, after: Any) -> str:
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
