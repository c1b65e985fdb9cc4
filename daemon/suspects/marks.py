"""A session's marks and stays as evidence, in order of time: what was measured, and what was done to the unit.

Marks are a person's words, so a part counts as named where its name stands in them as a word of its own.
"""

import math
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from daemon.drawing import Drawing
from daemon.judge.across import legs_of
from daemon.judge.stays import ACROSS
from daemon.suspects.lifting import (
    lifted_or_back,
    named_parts,
    replaced,
    says_gone,
    surely_back,
    what_lies_across,
    with_what_is_lifted,
)
from daemon.suspects.mending import BYPASSED, UNMENDED
from daemon.suspects.readings import HALVES, Seen, place_of

OF_QUANTITY = {
    "dc_v": "dc_v",
    "ripple_vpp": "ripple_vpp",
    "current_a": "current_a",
    "dc_a": "current_a",
    "ohm": "ohm_off",
    "ohm_4w": "ohm_off",
    "continuity_ohm": "ohm_off",
}
GOOD = re.compile(r"\b(good|fine|ok|healthy|sound|in order)\b", re.I)
NOT_GOOD = re.compile(r"\b(not|no|bad|isn't)\b", re.I)
FOUND_BAD = (
    r"(?:bad|faulty|defective|short(?:ed)?|open|leaky|blown|out of tolerance|(?:not|isn't) (?:good|fine|ok|in order))"
)
AND_IT = (
    r"(?:[\s:,;-]+(?:is|was|and|it|lifted|out of circuit|by itself|found|tests?|tested|measures?|measured|reads?))*"
)
SAYS_TESTED = re.compile(r"\b(tests?|tested|measures?|measured|by itself|out of circuit)\b", re.I)
SAYS_LIFTED = re.compile(r"\b(lifted|out of circuit)\b", re.I)
NO_CHANGE = re.compile(r"\b(no (change|difference)|unchanged|still|same|stays|not)\b", re.I)
HOT = re.compile(r"\b(hot|warm|burnt|scorched|discolou?red)\b", re.I)
COOL = re.compile(r"\b(cool|cold)\b", re.I)
FAILS = re.compile(r"\b(does not work|doesn't work|dead|no output|fails)\b", re.I)
WORKS = re.compile(r"\bworks\b", re.I)


@dataclass(frozen=True, slots=True)
class Stay:
    """One settled stay of a probe; ``at_us`` when it settled."""

    placement: int
    at_us: int
    point: str
    leg: str
    mode: str
    condition: str
    quantity: str
    value: float
    uncertainty: float | None


@dataclass(frozen=True, slots=True)
class Mark:
    """An event of the session that may be evidence; ``mode`` is the one that held then."""

    at_us: int
    kind: str
    text: str
    mode: str
    data: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Evidence:
    """``seen`` in order of time, with when each came about; ``stays`` names the placement of each (None: a mark)."""

    seen: tuple[Seen, ...]
    at_us: tuple[int, ...]
    placements: tuple[int | None, ...]


def evidence_of(stays: Iterable[Stay], marks: Iterable[Mark], drawing: Drawing) -> Evidence:
    """Everything that says something of the drawing's parts."""
    told: list[tuple[int, int | None, Seen]] = []
    for stay in stays:
        seen = _of_stay(stay, drawing)
        if seen is not None:
            told.append((stay.at_us, stay.placement, seen))
    for mark in marks:
        told += [(mark.at_us, None, seen) for seen in _of_mark(mark, drawing)]
    told.sort(key=lambda item: item[0])
    told = list(with_what_is_lifted(told, drawing))
    return Evidence(tuple(s for _, _, s in told), tuple(t for t, _, _ in told), tuple(p for _, p, _ in told))


def _of_stay(stay: Stay, drawing: Drawing) -> Seen | None:
    quantity = OF_QUANTITY.get(stay.quantity)
    if quantity == "dc_v" and stay.leg == ACROSS:
        stay = _between_legs(stay, drawing)
    if quantity == "dc_v" and HALVES in stay.point:
        quantity = "across_v"
    point = f"{stay.point} {stay.leg}" if stay.leg and drawing.point(stay.point, stay.leg) is not None else stay.point
    if quantity is None or (quantity != "current_a" and not _known(point, drawing)):
        return None
    fed = quantity != "ohm_off" or SAYS_LIFTED.search(stay.condition)
    condition = stay.condition if fed else "off"
    return Seen(point, stay.mode, quantity, stay.value, stay.uncertainty, condition or "direct")


def _between_legs(stay: Stay, drawing: Drawing) -> Stay:
    """A reading across a part as one between its two points, with the sign that is printed: the leads lie anyhow."""
    legs = None if HALVES in stay.point else legs_of(stay.point, drawing)
    if legs is None:
        return replace(stay, leg="")
    one, other = (leg.printed_v.get(stay.mode, 0.0) for leg in legs)
    between = HALVES.join(f"{leg.name} {leg.leg}".strip() for leg in legs)
    return replace(stay, point=between, leg="", value=math.copysign(stay.value, one - other))


def _known(point: str, drawing: Drawing) -> bool:
    return all(half in ("0", "0 V") or place_of(half, drawing) is not None for half in point.split(HALVES))


def _of_mark(mark: Mark, drawing: Drawing) -> Sequence[Seen]:
    parts = named_parts(mark.text, drawing)
    if mark.kind == "part replaced":
        return replaced(mark.text, drawing, mark.mode)
    if mark.kind == "bypassed":
        quantity, how = (UNMENDED, "") if says_gone(mark.text) else (BYPASSED, what_lies_across(mark.text))
        return [Seen(part, mark.mode, quantity, how=how) for part in parts]
    if mark.kind == "part lifted":
        return _lifted(mark, parts, drawing)
    if mark.kind == "proof":
        return [Seen(part, mark.mode, "proof", 0.0 if NO_CHANGE.search(mark.text) else 1.0) for part in parts]
    if mark.kind == "note":
        back = surely_back(mark.text, drawing, mark.mode)
        return [*back, *(_tested(mark, parts) or _heat(mark, parts) or _works(mark, drawing))]
    if mark.kind == "switch-on verdict":
        return _kick(mark, drawing)
    return []


def _tested(mark: Mark, parts: Sequence[str]) -> Sequence[Seen]:
    if GOOD.search(mark.text) and not NOT_GOOD.search(mark.text):
        return [Seen(part, mark.mode, "good") for part in parts]
    return [Seen(part, mark.mode, "good", 0.0) for part in parts if _found_bad(part, mark)]


def _found_bad(part: str, mark: Mark) -> bool:
    """Only where the word is said of the part: "C7 lifted, the rail is still bad" tells nothing of C7; and in a note
    only of a test: "C7 shorted" may be a thought, or done for a trial."""
    said = re.search(rf"(?<![\w.+-]){re.escape(part)}({AND_IT})[\s:,;-]+{FOUND_BAD}\b(?!\?)", mark.text, re.I)
    return said is not None and (mark.kind != "note" or SAYS_TESTED.search(said[1]) is not None)


def _lifted(mark: Mark, parts: Sequence[str], drawing: Drawing) -> Sequence[Seen]:
    """A part lifted to be tested is back once its result is said, unless the words are that it is lifted."""
    found = lifted_or_back(mark.text, drawing, mark.mode)
    said = SAYS_LIFTED.search(mark.text) or any(each.quantity != "lifted" for each in found)
    tested = _tested(mark, parts)
    return [*(found if said or not tested else []), *tested]


def _heat(mark: Mark, parts: Sequence[str]) -> Sequence[Seen]:
    hot, cool = HOT.search(mark.text), COOL.search(mark.text)
    warm = bool(hot) and not NOT_GOOD.search(mark.text)
    return [Seen(part, mark.mode, "heat", float(warm)) for part in parts] if hot or cool else []


def _works(mark: Mark, drawing: Drawing) -> Sequence[Seen]:
    fails, works = FAILS.search(mark.text), WORKS.search(mark.text)
    if not fails and not works:
        return []
    named = [mode for mode in drawing.modes if re.search(rf"\b{re.escape(mode)}\b", mark.text, re.I)]
    modes = named or [mode for mode in drawing.modes if mode == mark.mode]
    return [Seen("", mode, "works", 0.0 if fails else 1.0) for mode in modes]


def _kick(mark: Mark, drawing: Drawing) -> Sequence[Seen]:
    verdict, point = mark.data.get("verdict"), str(mark.data.get("point") or "")
    if verdict in (None, "not observed", "size uncertain") or place_of(point, drawing) is None:
        return []
    return [Seen(point, str(mark.data.get("mode") or ""), "kick", 1.0 if verdict == "same" else 0.0)]
