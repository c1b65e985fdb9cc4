"""What readings mean, in a session being written: placements and contexts, and every change of mind with its undo.

An act is what a person did at once; the rows of ``change`` that it made carry its number and are taken back
together. What an act has made is never deleted: taken back it becomes an interval that ends before it begins.
"""

from collections.abc import Mapping
from typing import Any, Literal

from daemon.store.outbox import Outbox, to_json
from drivers.errors import SessionError

ContextKind = Literal["mode", "condition", "hypothesis"]
Row = dict[str, Any]

TAGS = ("point", "leg", "mode", "condition", "hypothesis")
_FACTS = {"value", "uncertainty", "limits", "count", "flags", "judgement", "t1"}
_OPINIONS = {*TAGS, "struck"}
_NOTHING_YET: Mapping[str, Any] = {
    **{"t1": None, "struck": 0, "value": None, "uncertainty": None, "limits": None},
    **{"count": 0, "flags": 0, "judgement": None},
}


class Opinions:
    """The part of a ``SessionWriter`` that keeps them; times are UTC microseconds."""

    _outbox: Outbox
    _placements: dict[int, Row]
    _contexts: dict[int, Row]
    _changes: list[Row]

    def open_placement(
        self,
        t0_us: int,
        *,
        instrument: str,
        channel: str,
        probe: str,
        quantity: str,
        point: str,
        leg: str,
        mode: str,
        condition: str,
        hypothesis: str,
    ) -> int:
        """A probe has come to stay at a point; returns the placement's number."""
        tags = {"point": point, "leg": leg, "mode": mode, "condition": condition, "hypothesis": hypothesis}
        place = {"instrument": instrument, "channel": channel, "probe": probe, "quantity": str(quantity)}
        return self._new("placement", {**place, **tags, "t0": t0_us})

    def set_placement(self, placement: int, **columns: Any) -> None:
        """Facts that grow: value, uncertainty, limits, count, flags, judgement, t1 (end, us). No history."""
        _only(columns, _FACTS)
        self._update("placement", placement, columns)

    def placement(self, placement: int) -> Mapping[str, Any]:
        """What is known of a placement now. Raises ``KeyError`` where there is none."""
        return self._placements[placement]

    def placements_between(self, from_us: int, until_us: int) -> list[int]:
        """Numbers of the placements that have a moment in ``from_us <= t < until_us``, in order."""
        return [
            number
            for number, row in sorted(self._placements.items())
            if row["t0"] < until_us and (row["t1"] is None or max(row["t0"], from_us) <= row["t1"])
        ]

    def set_context(self, kind: ContextKind, value: str, t_us: int) -> None:
        """From ``t_us`` on this mode, condition or hypothesis holds; the former one ends there."""
        former = self._open_context(kind)
        if former is not None:
            row = self._contexts[former]
            if row["value"] == value:
                return
            t_us = max(t_us, row["t0"])
            self._update("context", former, {"t1": t_us})
        self._new("context", {"kind": kind, "value": value, "t0": t_us})

    @property
    def context(self) -> dict[str, str]:
        """What holds now, by kind."""
        return {row["kind"]: row["value"] for row in self._contexts.values() if row["t1"] is None}

    # Changes of mind

    def begin_act(self) -> int:
        """The number of the next act."""
        return max((change["act"] for change in self._changes), default=0) + 1

    def correct_placement(
        self, placement: int, t_us: int, why: str, act: int | None = None, **columns: Any
    ) -> None:
        """Opinions that change: point, leg, mode, condition, hypothesis, struck. History is kept."""
        _only(columns, _OPINIONS)
        if "struck" in columns:
            columns["struck"] = int(columns["struck"])
        self._change("placement", placement, columns, t_us, why, self.begin_act() if act is None else act)

    def split_placement(
        self,
        placement: int,
        at_us: int,
        t_us: int,
        why: str,
        act: int,
        halves: tuple[Mapping[str, Any], Mapping[str, Any]],
    ) -> int:
        """From ``at_us`` on it is another placement with the same tags; returns its number.

        ``halves`` are the facts (value, count and so on) of both. Raises ``SessionError`` for a moment not within it.
        """
        row = self._placements[placement]
        if row["t1"] is None or not row["t0"] < at_us <= row["t1"]:
            raise SessionError(f"Placement {placement} has ended or begun by then: name a moment within it.")
        for facts in halves:
            _only(facts, _FACTS - {"t1"})
        end_us = row["t1"]
        self._change("placement", placement, {**halves[0], "t1": at_us - 1}, t_us, why, act)
        number = self._new("placement", {**row, **_NOTHING_YET, **halves[1], "t0": at_us, "t1": at_us - 1, "struck": 1})
        self._change("placement", number, {"t1": end_us, "struck": row["struck"]}, t_us, why, act)
        return number

    def relabel_context(
        self, kind: ContextKind, value: str, from_us: int, until_us: int | None, t_us: int, act: int
    ) -> None:
        """Between two moments of the past this is what held; with no end it still does."""
        touched = [
            (number, row)
            for number, row in sorted(self._contexts.items())
            if row["kind"] == kind
            and (until_us is None or row["t0"] < until_us)
            and (row["t1"] is None or row["t1"] > max(from_us, row["t0"] - 1))
        ]
        for number, row in touched:
            self._cut_out(number, dict(row), from_us, until_us, t_us, act)
        self._made("context", {"kind": kind, "value": value, "t0": from_us}, until_us, t_us, act)

    def _cut_out(self, number: int, row: Row, from_us: int, until_us: int | None, t_us: int, act: int) -> None:
        goes_on = until_us is not None and (row["t1"] is None or row["t1"] > until_us)
        if row["t0"] < from_us:
            self._change("context", number, {"t1": from_us}, t_us, "", act)
            if goes_on:
                rest = {"kind": row["kind"], "value": row["value"], "t0": until_us}
                self._made("context", rest, row["t1"], t_us, act)
        elif goes_on:
            self._change("context", number, {"t0": until_us}, t_us, "", act)
        else:
            self._change("context", number, {"t1": row["t0"] - 1}, t_us, "", act)

    def undo(self, act: int, t_us: int, why: str) -> list[int]:
        """Take an act back; returns the placements it was about.

        Raises ``SessionError`` where there is none of that number, or a later act has changed the same again.
        """
        changes = [change for change in self._changes if change["act"] == act]
        if not changes:
            raise SessionError(f"There is no correction {act} in this session.")
        for change in changes:
            row = self._rows(change["target"])[change["row"]]
            # A judgement is no opinion of a person: it follows from the others.
            if any(row[name] != value for name, value in change["after"].items() if name != "judgement"):
                raise SessionError(f"Correction {act} was changed since: take the later one back first, or relabel.")
        back = self.begin_act()
        for change in reversed(changes):
            self._change(change["target"], change["row"], change["before"], t_us, why, back, undoes=act)
        return sorted({change["row"] for change in changes if change["target"] == "placement"})

    def last_act(self) -> int | None:
        """The newest act that still holds and is no undo itself; None where there is none."""
        undone = {change["undoes"] for change in self._changes}
        acts = [change["act"] for change in self._changes if change["undoes"] is None]
        return max((act for act in acts if act not in undone), default=None)

    # Inside

    def _rows(self, table: str) -> dict[int, Row]:
        return self._placements if table == "placement" else self._contexts

    def _open_context(self, kind: str) -> int | None:
        opened = (number for number, row in self._contexts.items() if row["kind"] == kind and row["t1"] is None)
        return next(opened, None)

    def _new(self, table: str, row: Mapping[str, Any]) -> int:
        number = self._outbox.insert(table, _as_stored(row))
        self._rows(table)[number] = {**(_NOTHING_YET if table == "placement" else {"t1": None}), **row}
        return number

    def _made(self, table: str, row: Mapping[str, Any], end_us: int | None, t_us: int, act: int) -> int:
        """A new interval that an undo empties again."""
        number = self._new(table, {**row, "t1": row["t0"] - 1})
        self._change(table, number, {"t1": end_us}, t_us, "", act)
        return number

    def _update(self, table: str, number: int, columns: Mapping[str, Any]) -> None:
        self._rows(table)[number].update(columns)
        self._outbox.update(table, number, _as_stored(columns))

    def _change(
        self,
        table: str,
        number: int,
        columns: Mapping[str, Any],
        t_us: int,
        why: str,
        act: int,
        undoes: int | None = None,
    ) -> None:
        row = self._rows(table)[number]
        after = {name: value for name, value in columns.items() if row[name] != value}
        if not after:
            return
        before = {name: row[name] for name in after}
        change = {"t": t_us, "target": table, "row": number, "why": why, "act": act, "undoes": undoes}
        self._outbox.insert("change", {**change, "before": to_json(before), "after": to_json(after)})
        self._changes.append({**change, "before": before, "after": after})
        self._update(table, number, after)


def _as_stored(columns: Mapping[str, Any]) -> dict[str, Any]:
    """A judgement is kept as JSON."""
    judgement = columns.get("judgement")
    return {**columns, "judgement": to_json(judgement)} if judgement is not None else dict(columns)


def _only(columns: Mapping[str, Any], allowed: set[str]) -> None:
    if unknown := set(columns) - allowed:
        raise TypeError(f"{', '.join(sorted(unknown))} cannot be set here, only {', '.join(sorted(allowed))}")
