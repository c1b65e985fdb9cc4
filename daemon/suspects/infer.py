"""What the readings so far make of every hypothesis. Evidence is a list; undo is the same list with less in it."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from daemon.drawing import Drawing
from daemon.suspects.altered import Altered
from daemon.suspects.mending import AS_IT_CAME, DONE, DONE_FOR_GOOD, State, Work, is_mended, state_of
from daemon.suspects.net import Floats, Halves, Ints
from daemon.suspects.readings import Seen, is_mains
from daemon.suspects.weighing import Expected, density, expected, other_likelihood
from daemon.suspects.worlds import Table

Tables = Callable[[Altered, bool], Table | None]
CREDIBLE = 0.9
NEW_BITS = 0.05
BESIDE = 0.95  # of a chance, where places are put in order: a point that is fed is nearer to what is between two
OF_THE_NETWORK = frozenset({"dc_v", "across_v", "current_a", "ohm_off"})  # what worlds of an altered unit tell of
OF_A_PART = frozenset({"good", "heat", "proof"})  # whatever else is lifted or led past
CERTAIN = 0.95  # of a probe on the right point, before its reading tells of tolerances
AGAIN = 0.7  # of a reading's spread: by how much it differs when it is taken again


@dataclass(frozen=True, slots=True)
class Weighed:
    """One reading's log likelihood in every world (None: it says nothing), the bits that it taught, and ``good``: the
    chance in every world that the probe was on the right point (None: no probe was). ``state`` is the unit's then."""

    seen: Seen
    logs: Floats | None
    bits: float
    good: Floats | None = None
    state: State = AS_IT_CAME


def _only_as_drawn(_altered: Altered, _solve: bool) -> Table | None:
    return None


class Posterior:
    """Weights of a table's worlds after the evidence; a new one for each step, so that undo is to take the last.

    Within each world the things that differ from unit to unit are normal, and each reading of volts tells of them
    (a Kalman filter's step with a still state): ``lean`` is where they are by now, in standard deviations.
    ``tables`` answers with the same worlds of a unit that is altered for a while (parts lifted, or led past): the
    same unit, so that what readings tell of its tolerances holds in both. Without ``solve`` it may have none yet; then
    the readings say nothing, and ``wanting`` is true.
    """

    def __init__(
        self,
        table: Table,
        drawing: Drawing,
        evidence: Sequence[Seen] = (),
        tables: Tables = _only_as_drawn,
        solve: bool = True,
    ) -> None:
        self.table, self.drawing, self._tables = table, drawing, tables
        self.weighed: tuple[Weighed, ...] = ()
        self.work, self.state, self.wanting = Work(), AS_IT_CAME, False
        self._tried: frozenset[str] = frozenset()
        self._log = np.log(np.maximum(table.prior, 1e-300))
        self._log[table.prior == 0] = -np.inf
        self.now: Ints = np.arange(len(table.of))
        self.lean: Halves = np.zeros((len(table.of), table.sway.shape[2]), dtype=np.float32)
        self.known: Halves = np.zeros((0, *self.lean.shape), dtype=np.float32)
        self._weigh_all(evidence, solve)

    def _weigh_all(self, evidence: Sequence[Seen], solve: bool) -> None:
        for seen in evidence:
            if seen.quantity in DONE:
                self._mend(seen)
                continue
            before = self.by_hypothesis
            logs, good = self._logs(seen, solve)
            if logs is not None:
                self._log = self._log + logs
                self._tried |= {part for part, _ in self.work.lifted | self.work.bypassed}
            self.weighed += (Weighed(seen, logs, _bits(before, self.by_hypothesis), good, self.state),)
        if self.state.altered and not self.state.untold:  # what is read next is foreseen in these worlds
            self.wanting |= self._tables(self.state.altered, solve) is None

    def _mend(self, seen: Seen) -> None:
        """A world whose fault is mended reads like its healthy twin from here on."""
        self.work = self.work.after(seen)
        self.state = state_of(self.work, self.drawing)
        mended = self.table.of_world([is_mended(each, self.state.done) for each in self.table.hypotheses])
        self.now = np.where(mended > 0, self.table.healthy, np.arange(len(mended)))
        self.weighed += (Weighed(seen, None, 0.0),)

    @property
    def here(self) -> Table:
        """The worlds as they read now: with what is lifted or led past, where that is known."""
        found = self._tables(self.state.altered, False) if self.state.altered and not self.state.untold else None
        return self.table if found is None else found

    def _table_of(self, seen: Seen, solve: bool) -> Table | None:
        """The worlds that a reading is held against; None where no worlds are like the unit that it was taken of."""
        if seen.quantity == "proof" and seen.point in self._tried:
            return None  # what was read meanwhile was weighed: a person who sums it up adds nothing
        if seen.quantity in OF_A_PART or is_mains(seen.point) or not (self.state.altered or self.state.untold):
            return self.table
        if self.state.untold or seen.quantity not in OF_THE_NETWORK:
            return None
        found = self._tables(self.state.altered, solve)
        self.wanting |= found is None
        return found

    def _logs(self, seen: Seen, solve: bool) -> tuple[Floats | None, Floats | None]:
        """Of one reading in every world; what it tells of each world's tolerances is kept."""
        table = self._table_of(seen, solve)
        if table is None:
            return None, None
        about = expected(table, self.drawing, seen, self.now)
        if about is None:
            found = other_likelihood(table, self.drawing, seen, self.now)
            return None if found is None else np.asarray(np.log(np.maximum(found, 1e-300))), None
        left = about.sway
        if len(self.known):
            told = np.einsum("wp,nwp->nw", about.sway, self.known)
            left = left - np.einsum("nw,nwp->wp", told, self.known)
        still = np.maximum(np.einsum("wp,wp->w", left, about.sway), 0)
        moved = np.einsum("wp,wp->w", about.sway, self.lean)
        # A world that is bent is off by how far it may yet go or has gone from where it was solved, and not again with
        # every reading by as far as it could have gone: worlds that may go far would lose by being looked at.
        spread = np.sqrt(still + about.noise**2 + about.bent**2 * (still + moved**2))
        away = seen.value - about.mean - moved
        likely, good = density(away, spread, about.elsewhere, table.skirt)
        # In a world where the probe may as well have been on a wrong point, the reading tells nothing of that world.
        teaches = good > CERTAIN
        again = self.taken.get((seen.point, seen.mode, seen.quantity))
        if again is not None and again.good is not None:
            likely, good = _once_more(seen.value - again.seen.value, about, again.good, likely, good)
            teaches &= again.good <= 0.5
        step = left * np.where(teaches, 1 / spread, 0.0).astype(np.float32)[:, None]
        if step.any():
            self.known = np.concatenate([self.known, step[None]])
            self.lean = self.lean + step * np.clip(np.nan_to_num(away) / spread, -3, 3).astype(np.float32)[:, None]
        return np.asarray(table.trust * np.log(likely)), good

    @property
    def taken(self) -> dict[tuple[str, str, str], Weighed]:
        """The last reading of each point, mode and quantity of the unit as it is now: with the same parts lifted, and
        since something was last mended or led past."""
        found: dict[tuple[str, str, str], Weighed] = {}
        for each in self.weighed:
            if each.seen.quantity in DONE_FOR_GOOD:
                found = {}
            elif each.good is not None and each.state == self.state:
                found[each.seen.point, each.seen.mode, each.seen.quantity] = each
        return found

    def after(self, *evidence: Seen, solve: bool = True) -> "Posterior":
        """The posterior with further evidence."""
        new = object.__new__(Posterior)
        new.__dict__.update(self.__dict__)
        new._weigh_all(evidence, solve)
        return new

    def without(self, number: int) -> "Posterior":
        """The posterior as if the evidence of that number (from 0) had never been: the rest is replayed."""
        rest = [each.seen for index, each in enumerate(self.weighed) if index != number]
        return Posterior(self.table, self.drawing, rest, self._tables)

    @property
    def weights(self) -> Floats:
        """Of each world; they sum to 1."""
        weights = np.exp(self._log - self._log.max())
        return np.asarray(weights / weights.sum())

    @property
    def by_hypothesis(self) -> Floats:
        """Probability of each hypothesis of the table."""
        return np.bincount(self.table.of, self.weights, len(self.table.hypotheses)).astype(float)

    @property
    def by_part(self) -> dict[str, float]:
        """Probability of each part ("" is none of them), highest first; a pair counts for both of its parts, and what
        lies between two points for both of them: of two that are nearly alike the one that is fed comes first."""
        found: dict[str, float] = {}
        order: dict[str, float] = {}
        for each, probability in zip(self.table.hypotheses, self.by_hypothesis, strict=True):
            for part in (*(each.parts or (each.part,)), *each.beside):
                found[part] = found.get(part, 0.0) + float(probability)
                order[part] = order.get(part, 0.0) + float(probability) * (BESIDE if part in each.beside else 1.0)
        return dict(sorted(found.items(), key=lambda item: -order[item[0]]))

    @property
    def credible_set(self) -> list[str]:
        """The fewest parts that together hold 90 %; of places, what two of them have in common counts once."""
        if not self.drawing.parts:
            return self._covering()
        total, chosen = 0.0, []
        for part, probability in self.by_part.items():
            if total >= CREDIBLE:
                break
            chosen.append(part)
            total += probability
        return chosen

    def _covering(self) -> list[str]:
        left = dict(enumerate(self.by_hypothesis))
        chosen: list[str] = []
        while sum(left.values()) > 1 - CREDIBLE:
            held: dict[str, float] = {}
            for number, probability in left.items():
                each = self.table.hypotheses[number]
                for part in (*(each.parts or (each.part,)), *each.beside):
                    held[part] = held.get(part, 0.0) + float(probability)
            best = max(held, key=lambda part: held[part])
            chosen.append(best)
            for number in list(left):
                each = self.table.hypotheses[number]
                if best in (*(each.parts or (each.part,)), *each.beside):
                    del left[number]
        return chosen

    @property
    def silent_since(self) -> int:
        """How many of the last readings taught nothing."""
        count = 0
        for each in reversed(self.weighed):
            if each.bits >= NEW_BITS:
                break
            count += 1
        return count

    @property
    def unexplained(self) -> int:
        """How many readings the likeliest world can only put down to a probe on a wrong point."""
        best = int(np.argmax(self.weights))
        return sum(each.good is not None and bool(each.good[best] < 0.5) for each in self.weighed)


def _once_more(away: float, about: Expected, before: Floats, likely: Floats, good: Floats) -> tuple[Floats, Floats]:
    """A reading taken again tells whether it was on the point the first time, and hardly more.

    What is left between a drawing and a unit is the same both times, so that only the first one may tell of it.
    """
    same, right = density(np.full(len(likely), away), AGAIN * about.noise, about.elsewhere)
    total = before * same + (1 - before) * likely
    return total, (before * same * right + (1 - before) * likely * good) / total


def _bits(before: Floats, after: Floats) -> float:
    kept = after > 1e-12
    return float((after[kept] * np.log2(after[kept] / np.maximum(before[kept], 1e-12))).sum())
