"""A drawing's worlds, made once, and what any evidence makes of them: single faults, then pairs."""

from collections.abc import Callable, Sequence
from functools import cached_property, partial

from daemon.drawing import Drawing
from daemon.suspects.altered import AS_DRAWN, Altered
from daemon.suspects.infer import Posterior
from daemon.suspects.lifting import with_what_is_lifted
from daemon.suspects.pairs import Pair, Pairs, likely_pairs
from daemon.suspects.printed import printed_table
from daemon.suspects.readings import Seen
from daemon.suspects.solving import Solution
from daemon.suspects.stages import named_apart
from daemon.suspects.worlds import Table, Unit
from drivers.errors import DrawingError

PAIRS_FROM = 1  # readings that no single fault explains but as wrong points: then two at once are weighed against that
MOST_PAIRS = 100
MOST_ALTERED = 3  # states of a unit whose worlds are kept: some tens of megabytes each
Keep = Callable[[Drawing, Callable[[], Solution]], Solution]


def _not_kept(_drawing: Drawing, solve: Callable[[], Solution]) -> Solution:
    return solve()


class States:
    """The same worlds in several states of the unit, the last few of them kept; each is ``made`` when it is asked
    for."""

    def __init__(self, made: Callable[[Altered], Table]) -> None:
        self._made = made
        self._kept: dict[Altered, Table] = {}

    def __call__(self, altered: Altered, solve: bool) -> Table | None:
        """The worlds in this state; without ``solve`` None where they are not at hand."""
        found = self._kept.pop(altered, None)
        if found is None and solve:
            found = self._made(altered)
        if found is not None:
            self._kept[altered] = found
            for old in list(self._kept)[:-MOST_ALTERED]:
                del self._kept[old]
        return found


class Diagnosis:
    """Raises ``DrawingError`` where the drawing has neither a network nor printed volts.

    ``keep`` may answer with the solution that was found for the same drawing before; it is handed what solves them.
    """

    def __init__(self, drawing: Drawing, keep: Keep = _not_kept) -> None:
        if not drawing.parts and not any(point.printed_v for point in drawing.points):
            raise DrawingError([f"drawing of {drawing.unit}: neither printed_v nor [[part]]: give points one of them"])
        self.drawing, self._keep = drawing if drawing.parts else named_apart(drawing), keep
        self._states = States(lambda altered: self._unit.table(altered=altered))
        self._pairs: dict[Altered, Pairs] = {}
        self._last: tuple[tuple[Pair, ...], Table, States] | None = None  # pairs

    @cached_property
    def _unit(self) -> Unit:
        return Unit(self.drawing)

    @cached_property
    def table(self) -> Table:
        """Worlds of every single fault."""
        if not self.drawing.parts:
            return printed_table(self.drawing)
        return self._unit.table(lambda solve: self._keep(self.drawing, solve))

    def posterior(self, evidence: Sequence[Seen]) -> Posterior:
        """What the evidence makes of the drawing; with pairs of faults where no single one explains it."""
        return self.paired(self.single(evidence))

    def single(self, evidence: Sequence[Seen], solve: bool = True) -> Posterior:
        """What it makes of single faults. Without ``solve`` readings with a part lifted may have to wait
        (``wanting``)."""
        told = [seen for _, _, seen in with_what_is_lifted(((0, None, seen) for seen in evidence), self.drawing)]
        return Posterior(self.table, self.drawing, told, self._states, solve)

    def paired(self, single: Posterior, solve: bool = True) -> Posterior:
        """The same evidence with pairs of faults, where no single one explains it; else the same posterior.

        Pairs take half a second to solve: without ``solve`` those count that were solved for the last evidence.
        """
        if not self.drawing.parts or single.unexplained < PAIRS_FROM:
            return single
        chosen = tuple(likely_pairs(single, MOST_PAIRS))
        if self._last is None or (solve and self._last[0] != chosen):
            if not solve:
                return single
            joined = partial(self._joined, chosen)
            self._last = chosen, joined(AS_DRAWN), States(joined)  # the last one is enough, and each is large
        _, table, states = self._last
        found = Posterior(table, self.drawing, [each.seen for each in single.weighed], states, solve)
        return single if found.wanting and not single.wanting else found

    def _joined(self, pairs: Sequence[Pair], altered: Altered) -> Table:
        """Worlds of single faults and of these pairs; pairs that were solved before are not solved again."""
        single = self._states(altered, True) if altered else self.table
        found = self._pairs.pop(altered, None) or Pairs(self._unit, single or self.table, altered)
        self._pairs[altered] = found
        for old in [each for each in self._pairs if each][:-MOST_ALTERED]:
            del self._pairs[old]
        return found.joined(pairs)
