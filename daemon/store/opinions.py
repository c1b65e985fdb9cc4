"""What readings mean, in a session being written: placements and contexts, and every change of mind with its undo.

An act is what a person did at once; the rows of ``change`` that it made carry its number and are taken back
together. What an act has made is never deleted: taken back it becomes an interval that ends before it begins.
"""

from collections.abc import Callable, Mapping, Sequence
from typing import Any, Literal, NamedTuple

from daemon.store.choice import LATEST_US
from daemon.store.outbox import Outbox, to_json
from daemon.store.replaying import OPINIONS, Held, Spoken, over, standing
from daemon.store.tags import TAGS
from drivers.errors import SessionError

ContextKind = Literal["mode", "condition", "hypothesis"]
Row = dict[str, Any]
# What the readings of a placement settle to between two times: its facts but ``t1``.
Settle = Callable[[Mapping[str, Any], int, int], Mapping[str, Any]]

PROGRAM = "probetrail"
CONTEXT_KINDS: tuple[ContextKind, ...] = ("mode", "condition", "hypothesis")
_FACTS = {"value", "uncertainty", "limits", "count", "flags", "judgement", "t1"}
_OPINIONS = {*TAGS, "struck"}
_NOTHING_YET: Mapping[str, Any] = {
    **{"t1": None, "struck": 0, "value": None, "uncertainty": None, "limits": None},
    **{"count": 0, "flags": 0, "judgement": None},
}


class Undone(NamedTuple):
    """The placements that an undo touched, and acts about parts of them that are gone with it: they wait."""

    placements: list[int]
    waiting: list[int]


def unsettled(row: Mapping[str, Any], from_us: int, to_us: int) -> Mapping[str, Any]:
    """The facts of a placement stay as they are."""
    return {}


class Opinions:
    """The part of a ``SessionWriter`` that keeps them; times are UTC microseconds.

    ``speaker`` is who says what is said now: ``the bench page``, ``a script``, the program itself.
    """

    speaker = PROGRAM
    _outbox: Outbox
    _placements: dict[int, Row]
    _contexts: dict[int, Row]
    _changes: list[Row]
    _said_by: dict[int, str]  # by act
    _was_relabelled: bool  # only then does what is said depend on more than what was said last

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
        number = self._new("placement", {**place, **tags, "t0": t0_us})
        if self._was_relabelled:
            self._begin_relabelled(number, t0_us)
        return number

    def _begin_relabelled(self, number: int, t0_us: int) -> None:
        """What a relabelling without an end says of a stay that begins under it is its word, and goes with it."""
        spoken, stand, holds = self._spoken(), standing(self._changes), self.context
        for kind in CONTEXT_KINDS:
            reigning, live = spoken.reigning(kind), spoken.last_live(kind)
            if not stand.intersection(reigning) or self._placements[number][kind] != holds.get(kind):
                continue
            self._update("placement", number, {kind: "" if live is None else live[1]})
            for act in filter(stand.__contains__, reigning):
                value = spoken.relabellings[act].value
                self._change("placement", number, {kind: value}, t0_us, "", act, always=True)

    def set_placement(self, placement: int, **columns: Any) -> None:
        """Facts that grow: value, uncertainty, limits, count, flags, judgement, t1 (end, us). No history."""
        _only(columns, _FACTS)
        self._update("placement", placement, columns)

    def placement(self, placement: int) -> Mapping[str, Any]:
        """What is known of a placement now. Raises ``KeyError`` where there is none."""
        return self._placements[placement]

    def is_there(self, placement: int) -> bool:
        """False for one that a correction made which was taken back. Raises ``KeyError`` where there is none."""
        row = self._placements[placement]
        corrected = any((each["target"], each["row"]) == ("placement", placement) for each in self._changes)
        return row["t1"] is None or row["t1"] >= row["t0"] or not corrected

    def placements_between(self, from_us: int, until_us: int) -> list[int]:
        """Numbers of the placements that have a moment in ``from_us <= t < until_us``, in order."""
        return [
            number
            for number, row in sorted(self._placements.items())
            if row["t0"] < until_us and (row["t1"] is None or max(row["t0"], from_us) <= row["t1"])
        ]

    def set_context(self, kind: ContextKind, value: str, t_us: int) -> None:
        """From ``t_us`` on this mode, condition or hypothesis holds, said live; the former one ends there."""
        former = self._open_context(kind)
        if former is not None:
            row = self._contexts[former]
            # What a relabelling says already is still said here: it holds should that one be taken back.
            if row["value"] == value and not self.is_relabelled(kind):
                return
            t_us = max(t_us, row["t0"])
            self._update("context", former, {"t1": t_us})
        self._new("context", {"kind": kind, "value": value, "t0": t_us})

    def is_relabelled(self, kind: ContextKind) -> bool:
        """True where a relabelling without an end, standing or not, was said after what was last said live."""
        return self._was_relabelled and bool(self._spoken().reigning(kind))

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
        row = self._placements[placement]
        # Who says one thing anew has said the rest again: it holds whatever is taken back.
        is_new = any(row[name] != value for name, value in columns.items())
        act = self.begin_act() if act is None else act
        self._change("placement", placement, columns, t_us, why, act, always=is_new)

    def split_placement(
        self, placement: int, at_us: int, t_us: int, why: str, act: int, settle: Settle = unsettled
    ) -> int:
        """From ``at_us`` on it is another placement with the same tags; returns its number.

        Raises ``SessionError`` for a moment not within it.
        """
        row = dict(self._placements[placement])
        if row["t1"] is None or not row["t0"] < at_us <= row["t1"]:
            raise SessionError(f"Placement {placement} has ended or begun by then: name a moment within it.")
        first, later = settle(row, row["t0"], at_us - 1), settle(row, at_us, row["t1"])
        for facts in (first, later):
            _only(facts, _FACTS - {"t1"})
        self._change("placement", placement, {**first, "t1": at_us - 1}, t_us, why, act)
        number = self._part_again(placement, at_us)
        if number is None:
            number = self._new("placement", {**row, **_NOTHING_YET, "t0": at_us, "t1": at_us - 1, "struck": 1})
        opinions = {name: row[name] for name in OPINIONS}
        self._change("placement", number, {**opinions, **later, "t1": row["t1"]}, t_us, why, act)
        return number

    def _part_again(self, placement: int, at_us: int) -> int | None:
        """The part of a stay that began there once, and was taken back."""
        return self._spoken().part(placement, at_us) if self._changes else None

    def relabel(
        self,
        kind: ContextKind,
        value: str,
        from_us: int,
        until_us: int | None,
        t_us: int,
        why: str,
        act: int,
        settle: Settle = unsettled,
    ) -> list[int]:
        """Between two moments of the past this is what held; with no end it does until something is said live.

        Ended placements across an end are split there. Returns the numbers of all that were touched.
        """
        touched: set[int] = set()
        for moment_us in filter(None, (from_us, until_us)):
            for number in self.placements_between(moment_us, moment_us + 1):
                row = self._placements[number]
                if row["t1"] is not None and row["t0"] < moment_us:
                    touched |= {number, self.split_placement(number, moment_us, t_us, why, act, settle)}
        for number in self.placements_between(from_us, LATEST_US if until_us is None else until_us):
            if self._placements[number]["t0"] >= from_us:
                self._change("placement", number, {kind: value}, t_us, why, act, always=True)
                touched.add(number)
        self._relabel_context(kind, Held(None, value, from_us, until_us), t_us, act)
        return sorted(touched)

    def _relabel_context(self, kind: ContextKind, said: Held, t_us: int, act: int) -> None:
        spoken = self._spoken()
        held = over(spoken.held(kind, standing(self._changes)), said)
        self._hold(spoken, kind, [each for each in held if each is not said], t_us, "", act)
        self._made(kind, said, t_us, "", act)
        self._was_relabelled = True

    def undo(self, act: int, t_us: int, why: str, settle: Settle = unsettled) -> Undone:
        """Take an act back: what it said goes, and what was said since stays said.

        Raises ``SessionError`` where there is none of that number, or it is taken back already.
        """
        stand = standing(self._changes)
        about = next((change for change in self._changes if change["act"] == act), None)
        if about is None:
            raise SessionError(f"There is no correction {act} in this session.")
        if act not in stand:
            raise SessionError(f"Correction {act} is taken back already: take the taking back back.")
        back, spoken, before = self.begin_act(), self._spoken(), len(self._changes)
        stand = standing([*self._changes, {"act": back, "undoes": act}])
        rows, waiting = spoken.parts(stand)
        for number, columns in rows.items():
            moved = self._placements[number]["t1"] != columns["t1"] and columns["t1"] >= self._placements[number]["t0"]
            facts = self._facts(number, columns["t1"], settle) if moved else {}
            self._change("placement", number, {**columns, **facts}, t_us, why, back, undoes=act)
        for kind in spoken.relabelled_kinds():
            self._hold(spoken, kind, spoken.held(kind, stand), t_us, why, back, undoes=act)
        if len(self._changes) == before:  # nothing of it was left to see, and it is taken back all the same
            self._note_change(about["target"], about["row"], {}, t_us, why, back, undoes=act)
        touched = {change["row"] for change in self._changes[before:] if change["target"] == "placement"}
        return Undone(sorted(touched), sorted(waiting - spoken.parts(stand | {act})[1]))

    def _facts(self, number: int, end_us: int, settle: Settle) -> Mapping[str, Any]:
        """What a placement settled to when it ended there once; else what its readings say."""
        row = dict(self._placements[number])
        for change in reversed(self._changes):
            if (change["target"], change["row"]) == ("placement", number):
                row.update(change["before"])
                if row["t1"] == end_us:
                    return {name: row[name] for name in _FACTS - {"t1"}}
        return settle(row, row["t0"], end_us)

    def _hold(
        self,
        spoken: Spoken,
        kind: str,
        held: Sequence[Held],
        t_us: int,
        why: str,
        act: int,
        undoes: int | None = None,
    ) -> None:
        """Bring the rows of ``context`` into line with what holds."""
        rows = {number: row for number, row in self._contexts.items() if row["kind"] == kind}
        spare = {number for number in rows if spoken.is_spare(number)}
        taken: dict[int, Held] = {}
        others: list[Held] = []
        for each in held:
            if each.row is not None and each.row not in taken:
                taken[each.row] = each
            else:
                others.append(each)
        for each in list(others):
            fitting = [n for n in spare - set(taken) if rows[n]["value"] == each.value]
            if fitting:
                taken[min(fitting, key=lambda n: (rows[n]["t0"] != each.t0, n))] = each
                others.remove(each)
        for number, row in sorted(rows.items()):
            ends = {"t0": taken[number].t0, "t1": taken[number].t1} if number in taken else {"t1": row["t0"] - 1}
            self._change("context", number, ends, t_us, why, act, undoes)
        for each in others:
            self._made(kind, each, t_us, why, act, undoes)

    def last_act(self) -> int | None:
        """The newest act that still holds and is no undo itself; None where there is none."""
        stand = standing(self._changes)
        acts = {change["act"] for change in self._changes if change["undoes"] is None}
        return max(acts & stand, default=None)

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

    def _made(
        self, kind: str, held: Held, t_us: int, why: str, act: int, undoes: int | None = None
    ) -> None:
        """A new interval, begun as one of no time: an undo leaves it so."""
        number = self._new("context", {"kind": kind, "value": held.value, "t0": held.t0, "t1": held.t0 - 1})
        self._change("context", number, {"t1": held.t1}, t_us, why, act, undoes)

    def _spoken(self) -> Spoken:
        return Spoken(self._placements, self._contexts, self._changes)

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
        always: bool = False,
    ) -> None:
        """Change what is different, with its history; ``always`` keeps that it was said where nothing is."""
        row = self._rows(table)[number]
        after = {name: value for name, value in columns.items() if always or row[name] != value}
        if after:
            self._note_change(table, number, after, t_us, why, act, undoes)

    def _note_change(
        self, table: str, number: int, after: Mapping[str, Any], t_us: int, why: str, act: int, undoes: int | None
    ) -> None:
        before = {name: self._rows(table)[number][name] for name in after}
        change = {"t": t_us, "target": table, "row": number, "why": why, "act": act, "undoes": undoes}
        if act not in self._said_by and all(each["act"] != act for each in self._changes):
            self._said_by[act] = self.speaker
            self._outbox.say("INSERT INTO act VALUES(?, ?)", act, self.speaker)
        self._outbox.insert("change", {**change, "before": to_json(before), "after": to_json(after)})
        self._changes.append({**change, "before": before, "after": dict(after)})
        self._update(table, number, after)


def _as_stored(columns: Mapping[str, Any]) -> dict[str, Any]:
    """A judgement is kept as JSON."""
    judgement = columns.get("judgement")
    return {**columns, "judgement": to_json(judgement)} if judgement is not None else dict(columns)


def _only(columns: Mapping[str, Any], allowed: set[str]) -> None:
    if unknown := set(columns) - allowed:
        raise TypeError(f"{', '.join(sorted(unknown))} cannot be set here, only {', '.join(sorted(allowed))}")
