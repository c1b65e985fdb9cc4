"""A bypass as a proof: the same point in the same mode before, during and after it. Two of the three prove nothing.

A part counts as proved only where the fault was read, was gone with the part led past, and came back without; or where
it tested bad by itself.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from daemon.drawing import Drawing
from daemon.judge.expected import why_printed_values_do_not_hold
from daemon.suspects.infer import Posterior
from daemon.suspects.mending import BACK, DONE, LIFTED, MENDED, UNMENDED, tested_parts
from daemon.suspects.readings import HALVES, Seen, node_name, place_of
from daemon.suspects.weighing import METER_RELATIVE, METER_V
from daemon.suspects.worlds import Table

READ = ("dc_v", "across_v", "ripple_vpp", "works")
REPEATS_RELATIVE, REPEATS_V = 0.03, 0.05  # what differs less is the same: common practice, no source
LEAST_BAND_V = 0.05
Key = tuple[str, str, str]  # point, mode, quantity


@dataclass(frozen=True, slots=True)
class Proof:
    """One part led past or replaced. ``state`` is proved, for, against, unclear or wanting; ``said`` is a sentence.

    ``before``, ``during`` and ``after`` are the readings of one point in one mode, "" where there is none yet.
    """

    part: str
    how: str
    in_place: bool
    before: str
    during: str
    after: str
    state: str
    said: str


@dataclass(frozen=True, slots=True)
class _Trial:
    """What was read at every point before, during and after; the last of each."""

    part: str
    how: str
    before: dict[Key, Seen]
    during: dict[Key, Seen]
    after: dict[Key, Seen]
    in_place: bool = True


def proofs(posterior: Posterior) -> list[Proof]:
    """Of every bypass and every replaced part so far, in the order in which they came about; then of every part that
    tested bad by itself and is still to be replaced."""
    evidence = [each.seen for each in posterior.weighed]
    return [*(_judged(trial, posterior) for trial in _trials(evidence)), *_tested_bad(evidence)]


def _tested_bad(evidence: Sequence[Seen]) -> Iterator[Proof]:
    for part, good in tested_parts(evidence).items():
        if not good:
            said = f"{part} tested bad by itself: it is faulty, whatever else may be."
            yield Proof(part, "tested", False, "", "", "", "proved", said)


def _trials(evidence: Sequence[Seen]) -> list[_Trial]:
    latest: dict[Key, Seen] = {}
    found: list[_Trial] = []
    lifted: set[str] = set()
    for seen in evidence:
        if seen.quantity in (LIFTED, BACK, MENDED):
            lifted = lifted | {seen.point} if seen.quantity == LIFTED else lifted - {seen.point}
        if seen.quantity in (LIFTED, BACK) or (lifted and seen.quantity not in DONE):
            continue  # what is read with a part out of circuit is no phase of a proof: the worlds know what it means
        if seen.quantity == UNMENDED:
            found = [replace(t, in_place=False) if t.part == seen.point and t.how != MENDED else t for t in found]
        elif seen.quantity in DONE:
            found.append(_Trial(seen.point, seen.quantity, dict(latest), {}, {}))
        elif seen.quantity in READ and why_printed_values_do_not_hold(seen.condition) is None:
            key = seen.point, seen.mode, seen.quantity
            latest[key] = seen
            for trial in found:
                (trial.during if trial.in_place else trial.after)[key] = seen
    return found


def _judged(trial: _Trial, posterior: Posterior) -> Proof:
    """By the reading that says most: it was faulty before, and was read during, and after."""
    bad = [key for key, seen in trial.before.items() if not _is_sound(seen, posterior)]
    key = max(bad, key=lambda each: (each in trial.during, each in trial.after), default=None)
    before, during, after = (phase.get(key) if key else None for phase in (trial.before, trial.during, trial.after))
    state, said = _said(trial, before, during, after, posterior)
    how = "replaced" if trial.how == MENDED else "bypassed"
    in_place = trial.in_place and trial.how != MENDED
    return Proof(trial.part, how, in_place, _words(before), _words(during), _words(after), state, said)


def _words(seen: Seen | None) -> str:
    return "" if seen is None else seen.words()


def _said(
    trial: _Trial, before: Seen | None, during: Seen | None, after: Seen | None, posterior: Posterior
) -> tuple[str, str]:
    part, how = trial.part, "replaced" if trial.how == MENDED else "bypassed"
    if before is None:
        return "wanting", f"No faulty reading was taken before {part} was {how}: it proves nothing."
    if during is None:
        if not trial.in_place:
            return "wanting", f"Nothing was read while {part} was {how}: it proves nothing."
        return "wanting", f"With {part} {how}, read again what was faulty: {before.words()}."
    told = f"{before.words()} before, {during.words()} with {part} {how}"
    if _same(before, during):
        return "against", f"{told}: it is not {part} alone, or not what a bypass helps."
    if not _is_sound(during, posterior):
        return "unclear", f"{told}: it has changed, and is not right."
    if trial.how == MENDED:
        return "for", f"{told}: it speaks for {part}."
    if trial.in_place:
        return "for", f"{told}: it speaks for {part}. Take the bypass away and read again: the fault has to come back."
    if after is None:
        return "for", f"{told}: it speaks for {part}. Read again without the bypass: the fault has to come back."
    if _is_sound(after, posterior):
        return "unclear", f"{told}, {after.words()} after: the fault has not come back. A contact may have moved."
    return "proved", f"{told}, {after.words()} after: {part} is proved."


def _same(one: Seen, other: Seen) -> bool:
    if one.quantity == "works":
        return one.value == other.value
    apart = abs(one.value - other.value)
    unsure = (one.uncertainty or 0.0) + (other.uncertainty or 0.0)
    return apart <= max(REPEATS_RELATIVE * max(abs(one.value), abs(other.value)), REPEATS_V) + unsure


def _is_sound(seen: Seen, posterior: Posterior) -> bool:
    """Within the drawing's tolerance of what a sound unit reads; where that is not known nothing is faulty."""
    if seen.quantity == "works":
        return bool(seen.value)
    drawing = posterior.drawing
    if seen.quantity == "ripple_vpp":
        point = place_of(seen.point, drawing)
        return point is None or point.ripple_vpp is None or seen.value <= 2 * point.ripple_vpp
    usual = _usual_v(posterior.table, drawing, seen)
    if usual is None:
        return True
    own = METER_RELATIVE * abs(seen.value) + METER_V if seen.uncertainty is None else seen.uncertainty
    return abs(seen.value - usual) <= max(drawing.tolerance_percent / 100 * abs(usual), LEAST_BAND_V) + own


def _usual_v(table: Table, drawing: Drawing, seen: Seen) -> float | None:
    if seen.mode not in table.modes:
        return None
    total = 0.0
    for sign, half in zip((1, -1), seen.point.split(HALVES), strict=False):
        node = node_name(half, drawing)
        if node is not None and node in table.nodes:
            volts = table.volts[table.modes.index(seen.mode), table.nodes[node], table.of == 0]
            total += sign * float(np.median(volts))
        elif node != "0":
            return None
    return total if np.isfinite(total) else None
