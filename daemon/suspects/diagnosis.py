"""A drawing's worlds, made once, and what any evidence makes of them: single faults, then pairs."""

from collections.abc import Callable, Sequence
from functools import cached_property

from daemon.drawing import Drawing
from daemon.suspects.infer import Posterior
from daemon.suspects.pairs import Pairs
from daemon.suspects.printed import printed_table
from daemon.suspects.readings import Seen
from daemon.suspects.stages import named_apart
from daemon.suspects.solving import Solution
from daemon.suspects.worlds import Table, Unit
from drivers.errors import DrawingError

PAIRS_FROM = 2  # readings that no single fault explains but as wrong points: then two at once are thought of
TOP_PARTS, TOP_FAULTS = 8, 2
Keep = Callable[[Drawing, Callable[[], Solution]], Solution]


def _not_kept(_drawing: Drawing, solve: Callable[[], Solution]) -> Solution:
    return solve()


class Diagnosis:
    """Raises ``DrawingError`` where the drawing has neither a network nor printed volts.

    ``keep`` may answer with the solution that was found for the same drawing before; it is handed what solves them.
    """

    def __init__(self, drawing: Drawing, keep: Keep = _not_kept) -> None:
        if not drawing.parts and not any(point.printed_v for point in drawing.points):
            raise DrawingError([f"drawing of {drawing.unit}: neither printed_v nor [[part]]: give points one of them"])
        self.drawing, self._keep = drawing if drawing.parts else named_apart(drawing), keep
        self._with_pairs: dict[tuple[tuple[str, str], ...], Table] = {}

    @cached_property
    def _unit(self) -> Unit:
        return Unit(self.drawing)

    @cached_property
    def _pairs(self) -> Pairs:
        return Pairs(self._unit, self.table)

    @cached_property
    def table(self) -> Table:
        """Worlds of every single fault."""
        if not self.drawing.parts:
            return printed_table(self.drawing)
        return self._unit.table(lambda solve: self._keep(self.drawing, solve))

    def posterior(self, evidence: Sequence[Seen]) -> Posterior:
        """What the evidence makes of the drawing; with pairs of faults where no single one explains it."""
        return self.paired(Posterior(self.table, self.drawing, evidence))

    def paired(self, single: Posterior, solve: bool = True) -> Posterior:
        """The same evidence with pairs of faults, where no single one explains it; else the same posterior.

        Pairs take some seconds to solve: without ``solve`` only those that were solved for the last evidence count.
        """
        if not self.drawing.parts or single.unexplained < PAIRS_FROM:
            return single
        parts = [part for part in single.by_part if part][:TOP_PARTS]
        chosen = tuple((part, fault) for part in sorted(parts) for fault in _likely_faults(single, part))
        if chosen not in self._with_pairs and not solve:
            return single
        if chosen not in self._with_pairs:
            self._with_pairs.clear()  # the last one is enough, and each is large
            pairs = [(a, b) for a in chosen for b in chosen if a < b and a[0] != b[0]]
            self._with_pairs[chosen] = self._pairs.joined(pairs)
        return Posterior(self._with_pairs[chosen], self.drawing, [each.seen for each in single.weighed])


def _likely_faults(posterior: Posterior, part: str) -> list[str]:
    own = [
        (probability, each.fault)
        for each, probability in zip(posterior.table.hypotheses, posterior.by_hypothesis, strict=True)
        if each.part == part
    ]
    return [fault for _, fault in sorted(own, reverse=True)[:TOP_FAULTS]]
