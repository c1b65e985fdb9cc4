"""Two faults at once: solved pair by pair, kept, and joined to the worlds of the single ones."""

from collections.abc import Sequence

import numpy as np

from daemon.suspects.altered import AS_DRAWN, Altered
from daemon.suspects.net import Floats, Halves
from daemon.suspects.solving import Solution
from daemon.suspects.worlds import SECOND_FAULT, Hypothesis, Table, Unit

Named = tuple[str, str]  # a part and its fault
Pair = tuple[Named, Named]
MOST_KEPT = 300  # pairs; each is some tens of kilobytes
WORLDS_LAST = {"volts": 2, "sway": 0, "amps": 2, "amps_sway": 0}  # the axis of a solution that is its worlds


class Pairs:
    """Pairs of a unit's faults in one state of the unit; ``single`` are the worlds of its single faults."""

    def __init__(self, unit: Unit, single: Table, altered: Altered = AS_DRAWN) -> None:
        self._unit, self._single, self._altered = unit, single, altered
        self._faults = {(fault.part, fault.fault): fault for fault in unit.faults}
        self._chances = {(each.part, each.fault): each.prior for each in unit.hypotheses()}
        self._kept: dict[Pair, Solution] = {}

    def joined(self, chosen: Sequence[Pair]) -> Table:
        """Worlds of every single fault, and after them of each of the chosen pairs."""
        self._solve([pair for pair in chosen if pair not in self._kept])
        hypotheses, groups = self._unit.hypotheses(), self._unit.singles
        for one, other in chosen:
            chance = SECOND_FAULT * self._chances[one] * self._chances[other]
            names = f"{one[0]} + {other[0]}", f"{one[1]} + {other[1]}"
            hypotheses.append(Hypothesis(*names, chance, (one[0], other[0])))
            groups.append((self._faults[one], self._faults[other]))
        found = _side_by_side([self._of_single(), *(self._kept[pair] for pair in chosen)])
        return self._unit.tabled(hypotheses, groups, found, self._altered)

    def _of_single(self) -> Solution:
        """The single faults' own solution, with room for how far a second fault goes; lost worlds stay lost."""
        table = self._single
        volts = table.volts.astype(np.float32)
        volts[:, :, table.prior == 0] = np.nan
        return {
            "volts": volts,
            "sway": _with_room(table.sway),
            "amps": table.amps.astype(np.float32),
            "amps_sway": _with_room(table.amps_sway),
        }

    def _solve(self, pairs: Sequence[Pair]) -> None:
        if not pairs:
            return
        groups = [(self._faults[one], self._faults[other]) for one, other in pairs]
        counts = self._unit.counts(groups)
        start_v = np.repeat(np.stack([self._near(pair) for pair in pairs], axis=2), counts, axis=2)
        found = self._unit.solution(groups, self._altered, start_v)
        ends = np.cumsum(counts)
        for pair, first, end in zip(pairs, ends - counts, ends, strict=True):
            self._kept[pair] = {
                name: np.take(found[name], np.arange(first, end), axis=axis) for name, axis in WORLDS_LAST.items()
            }
        for old in list(self._kept)[:-MOST_KEPT]:
            if old not in pairs:
                del self._kept[old]

    def _near(self, pair: Pair) -> Floats:
        """Volts (modes, nodes) near those of a pair: what each fault alone moves, one after the other."""
        volts, of = self._single.volts, self._single.of
        numbers = {(each.part, each.fault): n for n, each in enumerate(self._single.hypotheses)}
        sound = volts[:, :, of == 0].mean(axis=2)
        one, other = (volts[:, :, of == numbers[fault]].mean(axis=2) - sound for fault in pair)
        larger = np.where(np.abs(one) > np.abs(other), one, other)
        return np.asarray(sound + np.where(one * other > 0, larger, one + other))


def _with_room(sway: Halves) -> Halves:
    """One more column of zeros, before the last."""
    found = np.zeros((*sway.shape[:2], sway.shape[2] + 1), dtype=np.float32)
    found[:, :, : sway.shape[2] - 1] = sway[:, :, :-1]
    found[:, :, -1] = sway[:, :, -1]
    return found


def _side_by_side(solutions: Sequence[Solution]) -> Solution:
    return {
        name: np.concatenate([each[name] for each in solutions], axis=axis) for name, axis in WORLDS_LAST.items()
    }
