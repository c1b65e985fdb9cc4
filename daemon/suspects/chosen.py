"""Which of the transistors that printed volts allow are there together, where no names tell."""

from collections.abc import Sequence

from daemon.suspects.coupled import Transistor

ODD = 1.5  # rivals that it counts for


def unnamed(allowed: Sequence[Transistor], main: Sequence[int], known: Sequence[Transistor]) -> list[Transistor]:
    """The most of ``allowed`` that do not contradict each other, nor the ``known``; ``main`` is each point's feeder.

    Of two points a junction apart either may be the other's base; whoever leaves room for more of the others is taken.
    """
    driven = {each.collector for each in (*allowed, *known)}
    fits = [each for each in allowed if not _is_upside(each, main) or each.base in driven or _beside(each, main)]
    open_ones = [each for each in fits if not any(_contradict(each, other) for other in known)]
    rivals = {each: sum(_contradict(each, other) for other in open_ones) for each in open_ones}
    found: list[Transistor] = []
    while fits := [each for each in open_ones if _base_is_free(each, main, [*known, *found])]:
        odd = {each: ODD * (_is_upside(each, main) and each.base not in driven) for each in fits}
        best = min(fits, key=lambda each: (rivals[each] + odd[each], open_ones.index(each)))
        found.append(best)
        open_ones = [each for each in open_ones if not _contradict(each, best)]
    return found


def _contradict(one: Transistor, other: Transistor) -> bool:
    """Two with the same emitter, the same base, one's base as the other's emitter, or the same way through."""
    legs = one.emitter == other.emitter >= 0 or one.base == other.base
    row = one.base == other.emitter or one.emitter == other.base
    return legs or row or {one.collector, one.emitter} == {other.collector, other.emitter}


def _is_upside(each: Transistor, main: Sequence[int]) -> bool:
    """Where the arrow leads from emitter to collector: the base then mostly is the collector of a stage before."""
    return each.collector >= 0 and main[each.collector] == each.emitter


def _beside(each: Transistor, main: Sequence[int]) -> bool:
    return main[each.base] == main[each.emitter]


def _base_is_free(each: Transistor, main: Sequence[int], found: Sequence[Transistor]) -> bool:
    """A base feeds nothing, but through the transistor that it is the collector or the emitter of."""
    carried = [{other.collector, other.emitter} for other in found]
    fed = [node for node, feeder in enumerate(main) if feeder == each.base and node != each.emitter]
    return all({node, each.base} in carried for node in fed)
