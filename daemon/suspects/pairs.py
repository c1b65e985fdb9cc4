"""Two faults at once: solved pair by pair, kept, and joined to the worlds of the single ones."""

from collections.abc import Sequence

import numpy as np

from daemon.suspects.altered import AS_DRAWN, Altered
from daemon.suspects.infer import Posterior
from daemon.suspects.net import Floats, Halves
from daemon.suspects.solving import Solution
from daemon.suspects.worlds import SECOND_FAULT, Hypothesis, Table, Unit

Named = tuple[str, str]  # a part and its fault
Pair = tuple[Named, Named]
MOST_KEPT = 300  # pairs; each is some tens of kilobytes
# The axis of each of a solution's arrays that is its worlds.
WORLDS_LAST = {"volts": 2, "bare": 2, "across": 2, "sway": 0, "amps": 2, "amps_sway": 0}


def likely_pairs(posterior: Posterior, most: int) -> list[Pair]:
    """Pairs of different parts' faults of a posterior of single ones that may explain the evidence together.

    Roughly: each piece of evidence is taken to read as that fault of the two makes it read which moves it further from
    a sound unit, however far that fault goes. What is chosen so is solved, and weighed as it should be.
    """
    table = posterior.table
    named = [(each.part, each.fault) for each in table.hypotheses]
    firsts = np.flatnonzero(np.diff(table.of, prepend=-1))
    worlds = np.maximum.reduceat(np.where(table.prior > 0, 0.0, -np.inf), firsts)
    chance = np.log([each.prior for each in table.hypotheses]) + worlds
    total = chance[:, None] + chance[None, :]
    for each in posterior.weighed:
        if each.logs is not None:
            best = np.maximum.reduceat(np.where(table.prior > 0, each.logs, -np.inf), firsts)
            moved = np.abs(best - best[0])
            total += np.where(moved[:, None] >= moved[None, :], best[:, None], best[None, :])
    parts = np.unique([part for part, _ in named], return_inverse=True)[1]
    total[(parts[:, None] == parts[None, :]) | np.tri(len(named), dtype=bool)] = -np.inf
    total[0] = -np.inf
    order = np.argsort(-total, axis=None)[:most]
    found = [(named[n // len(named)], named[n % len(named)]) for n in order if np.isfinite(total.flat[n])]
    return sorted((min(pair), max(pair)) for pair in found)


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
        self._kept |= {pair: self._kept.pop(pair) for pair in chosen}  # the last asked for are the last to go
        for old in list(self._kept)[: max(0, len(self._kept) - max(MOST_KEPT, len(chosen)))]:
            del self._kept[old]
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
            "bare": table.bare.astype(np.float32),
            "across": table.across.astype(np.float32),
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

    def _near(self, pair: Pair) -> Floats:
        """Volts (modes, nodes) near those of a pair: what each fault alone moves, one after the other."""
        volts, of = self._single.bare, self._single.of
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
    return {name: np.concatenate([each[name] for each in solutions], axis=axis) for name, axis in WORLDS_LAST.items()}
