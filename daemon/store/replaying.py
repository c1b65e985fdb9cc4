"""What the acts that stand give, said again in order over what was first said. Pure.

Nothing is kept for it but rows as they are and every change of them: taking all changes back gives what was first
said; what each act meant follows from the rows that it changed.

- A correction of a placement speaks of it as a part of its stay, from where it begins.
- A split divides a stay at a moment; the later part inherits what stood then.
- A relabelling speaks of a time: stays that it knows are divided at its ends. One without an end also speaks of every
  stay that began after it, until somebody says live what holds.
- What is said live holds from then on, over all that was said before it.
"""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from daemon.store.tags import TAGS

OPINIONS = (*TAGS, "struck")
Row = Mapping[str, Any]
Rows = Mapping[int, Row]
Parts = dict[int, dict[str, Any]]  # of one stay: the opinions of each part, by where it begins


@dataclass(frozen=True, slots=True)
class Held:
    """One value of a context from ``t0`` to before ``t1`` (None: still); ``row`` is where it was said, if it was."""

    row: int | None
    value: str
    t0: int
    t1: int | None
    live: bool = False


@dataclass(frozen=True, slots=True)
class Relabelling:
    """What an act said of a time, when, and the row of ``context`` that it made for it.

    Without an end it reigns until somebody says live what holds, at ``reigns_until_us``.
    """

    kind: str
    value: str
    from_us: int
    until_us: int | None
    said_us: int
    row: int
    reigns_until_us: int | None


def standing(changes: Sequence[Row]) -> frozenset[int]:
    """The acts that hold: those that no act which holds itself takes back."""
    undoes = {change["act"]: change["undoes"] for change in changes}
    back: set[int] = set()
    for act in sorted(undoes, reverse=True):
        if act not in back and undoes[act] is not None:
            back.add(undoes[act])
    return frozenset(undoes) - back


def over(held: Sequence[Held], paint: Held) -> list[Held]:
    """What holds once ``paint`` was said over what held before."""
    return [part for each in held for part in _beside(each, paint)] + [paint]


def _beside(each: Held, paint: Held) -> list[Held]:
    if paint.live:
        ends_us = paint.t0 if each.t1 is None else min(each.t1, paint.t0)
        return [replace(each, t1=ends_us)]
    begins_later = paint.t1 is not None and each.t0 >= paint.t1
    ended_before = each.t1 is not None and each.t1 <= max(paint.t0, each.t0 - 1)
    if begins_later or ended_before:
        return [each]
    parts = [replace(each, t1=paint.t0)] if each.t0 < paint.t0 else []
    if paint.t1 is not None and (each.t1 is None or each.t1 > paint.t1):
        parts.append(replace(each, t0=paint.t1))
    return parts


class Spoken:
    """All that was ever said of a session: its rows as they stand, and every change of them."""

    def __init__(self, placements: Rows, contexts: Rows, changes: Sequence[Row]) -> None:
        self._first = _first_said(placements, changes, "placement")
        self._contexts = _first_said(contexts, changes, "context")
        self._acts: dict[int, list[Row]] = {}
        for change in changes:
            if change["undoes"] is None:
                self._acts.setdefault(change["act"], []).append(change)
        changed = {change["row"] for change in changes if change["target"] == "context"}
        self._made = {number for number in changed if _is_made(self._contexts[number])}
        self.relabellings = {act: found for act in self._acts if (found := self._relabelling(act)) is not None}
        self._stay_of: dict[int, int] = {}
        for rows in self._acts.values():
            self._find_stays(rows)
        self._number_of = {(stay, self._first[n]["t0"]): n for n, stay in sorted(self._stay_of.items(), reverse=True)}

    # What holds for the whole bench

    def held(self, kind: str, acts: Collection[int]) -> list[Held]:
        """What holds of a kind where ``acts`` stand; what is said later is said over what was said before."""
        held: list[Held] = []
        for paint in self._paints(kind, acts):
            held = over(held, paint)
        return held

    def reigning(self, kind: str) -> list[int]:
        """Acts, standing or not, that relabelled a kind without an end, and nothing was said live since; in order."""
        last = self.last_live(kind)
        return [
            act
            for act, said in sorted(self.relabellings.items())
            if said.kind == kind and said.until_us is None and said.row > (0 if last is None else last[0])
        ]

    def relabelled_kinds(self) -> list[str]:
        """The kinds that any act relabelled."""
        return sorted({said.kind for said in self.relabellings.values()})

    def last_live(self, kind: str) -> tuple[int, str] | None:
        """The row and the value that were last said live of a kind."""
        own = [(number, str(row["value"])) for number, row in self._live(kind)]
        return own[-1] if own else None

    def is_spare(self, number: int) -> bool:
        """True for a row of ``context`` that only holds a part of what another row says."""
        own = {said.row for said in self.relabellings.values()}
        return number in self._made and number not in own

    def _live(self, kind: str) -> list[tuple[int, Row]]:
        rows = sorted(self._contexts.items())
        return [(number, row) for number, row in rows if row["kind"] == kind and number not in self._made]

    def _paints(self, kind: str, acts: Collection[int]) -> list[Held]:
        paints = [Held(number, row["value"], row["t0"], None, live=True) for number, row in self._live(kind)]
        for act, said in self.relabellings.items():
            if said.kind == kind and act in acts:
                paints.append(Held(said.row, said.value, said.from_us, said.until_us))
        return sorted(paints, key=lambda paint: paint.row or 0)

    def _relabelling(self, act: int) -> Relabelling | None:
        made = [change for change in self._acts[act] if change["target"] == "context" and change["row"] in self._made]
        made = [change for change in made if change["before"].get("t1") == self._contexts[change["row"]]["t1"]]
        if not made:
            return None
        own = made[-1]
        row = self._contexts[own["row"]]
        later = [live["t0"] for number, live in self._live(row["kind"]) if number > own["row"]]
        said = row["kind"], row["value"], row["t0"], own["after"]["t1"], own["t"], own["row"]
        return Relabelling(*said, reigns_until_us=min(later, default=None))

    # What each stay was

    def parts(self, acts: Collection[int]) -> tuple[dict[int, dict[str, Any]], frozenset[int]]:
        """What every placement that was ever spoken of is where ``acts`` stand: its end and its opinions.

        And those acts among them that speak of a part that is not there: they wait until it is again.
        """
        stays = {stay: {row["t0"]: _opinions(row)} for stay, row in self._first.items() if self._is_told_of(stay)}
        waiting = set()
        for act in sorted(self._acts.keys() & set(acts)):
            for change in self._acts[act]:
                if change["target"] == "placement" and not self._speak(stays, act, change):
                    waiting.add(act)
            if act in self.relabellings:
                self._relabel(stays, act)
        return self._as_rows(stays), frozenset(waiting)

    def part(self, placement: int, at_us: int) -> int | None:
        """The placement that was once made where a stay, or a part of it, was divided at a moment."""
        return self._number_of.get((self._stay_of.get(placement, placement), at_us))

    def _is_told_of(self, number: int) -> bool:
        if self._stay_of.get(number, number) != number:
            return False
        return number in self._stay_of or any(self._began_under(said, number) for said in self.relabellings.values())

    def _began_under(self, said: Relabelling, number: int) -> bool:
        """True for a stay that began after a relabelling without an end was said, and before anything was said live."""
        begins_us = self._first[number]["t0"]
        if said.until_us is not None or begins_us < said.said_us:
            return False
        return said.reigns_until_us is None or bool(begins_us < said.reigns_until_us)

    def _speak(self, stays: Mapping[int, Parts], act: int, change: Row) -> bool:
        """Do what one change did; False where the part that it is about is not there."""
        number = change["row"]
        parts, begins_us = stays[self._stay_of[number]], self._first[number]["t0"]
        if self._divides(change):
            _divide(parts, begins_us)
        elif begins_us not in parts:
            return False
        elif act not in self.relabellings:
            parts[begins_us].update({name: value for name, value in change["after"].items() if name in OPINIONS})
        return True

    def _relabel(self, stays: Mapping[int, Parts], act: int) -> None:
        said = self.relabellings[act]
        named = {self._stay_of[change["row"]] for change in self._acts[act] if change["target"] == "placement"}
        for stay, parts in stays.items():
            if stay not in named and not self._began_under(said, stay):
                continue
            for moment_us in (said.from_us, said.until_us):
                if moment_us is not None and (stay, moment_us) in self._number_of:
                    _divide(parts, moment_us)
            for begins_us, opinions in parts.items():
                if said.from_us <= begins_us and (said.until_us is None or begins_us < said.until_us):
                    opinions[said.kind] = said.value

    def _as_rows(self, stays: Mapping[int, Parts]) -> dict[int, dict[str, Any]]:
        """Parts as rows: each ends where the next begins, and one that is not there ends before it begins."""
        rows: dict[int, dict[str, Any]] = {}
        for stay, parts in stays.items():
            begins = sorted(parts)
            ends = [*(each - 1 for each in begins[1:]), self._first[stay]["t1"]]
            for begins_us, ends_us in zip(begins, ends, strict=True):
                rows[self._number_of.get((stay, begins_us), stay)] = {"t1": ends_us, **parts[begins_us]}
        for number in self._stay_of:
            rows.setdefault(number, {"t1": self._first[number]["t0"] - 1, "struck": 1})
        return rows

    def _divides(self, change: Row) -> bool:
        first, end_us = self._first[change["row"]], change["after"].get("t1", -1)
        is_part = self._stay_of.get(change["row"], change["row"]) != change["row"] or _is_made(first)
        return is_part and change["before"].get("t1") == first["t0"] - 1 and end_us >= first["t0"]

    def _find_stays(self, rows: Sequence[Row]) -> None:
        """Which stay each placement is a part of: a part is made right after the one that it was cut off."""
        cut = 0
        for change in rows:
            if change["target"] != "placement":
                continue
            number = change["row"]
            if number not in self._stay_of:
                self._stay_of[number] = self._stay_of[cut] if self._divides(change) and cut else number
            cut = number if "t1" in change["after"] else cut


def _divide(parts: Parts, at_us: int) -> None:
    """A part begins here, with what stands for the one that it was in."""
    before = [begins_us for begins_us in parts if begins_us < at_us]
    if before and at_us not in parts:
        parts[at_us] = dict(parts[max(before)])


def _first_said(rows: Rows, changes: Sequence[Row], target: str) -> dict[int, dict[str, Any]]:
    first = {number: dict(row) for number, row in rows.items()}
    for change in reversed(changes):
        if change["target"] == target:
            first[change["row"]].update(change["before"])
    return first


def _is_made(row: Row) -> bool:
    """True for what an act began as an interval of no time."""
    return row["t1"] is not None and bool(row["t1"] < row["t0"])


def _opinions(row: Row) -> dict[str, Any]:
    return {name: row[name] for name in OPINIONS}
