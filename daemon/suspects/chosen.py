"""Which of the transistors that printed volts allow are there together, where no names tell."""

from collections.abc import Sequence

from daemon.suspects.coupled import Transistor

# What each costs or is worth, against one transistor more or less. Common practice, no source.
UPSIDE = 0.9  # the arrow leads from emitter to collector, and no collector is seen to drive the base
OFF_V = 4.0  # each volt that its junction lies beside the usual
ON_COLLECTOR = 0.6  # its emitter hangs on another's collector: two in a row
FAR, MOST_FAR = 0.01, 0.2  # each line of the drawing between its base and its emitter: stages are written in a row
DRIVEN = 0.3  # another's collector drives its base: one stage after the other


def unnamed(
    allowed: Sequence[Transistor], off_v: Sequence[float], main: Sequence[int], known: Sequence[Transistor]
) -> list[Transistor]:
    """The likeliest of ``allowed`` that do not contradict each other, nor the ``known``: mostly the most of them.

    ``off_v`` is how far the junction of each lies beside the usual volts, ``main`` each point's feeder. Of two points a
    junction apart either may be the other's base: whoever goes best with the others is taken.
    """
    driven = {each.collector for each in (*allowed, *known)}
    beside = dict(zip(allowed, off_v, strict=True))
    fits = [each for each in allowed if not _is_upside(each, main) or each.base in driven or _beside(each, main)]
    fits = [each for each in fits if not any(_contradict(each, other) for other in known)]
    rivals = {each: sum(_contradict(each, other) for other in fits) for each in fits}
    fits.sort(key=lambda each: rivals[each] + OFF_V * beside[each] + _far(each))  # a stable sort: else as they came
    found: list[Transistor] = []
    worth, better = 0.0, True
    while better:
        better = False
        for more in _steps(fits):
            kept = [other for other in found if not any(_contradict(each, other) for each in more)]
            if len(found) - len(kept) > len(more) + 1 or all(each in found for each in more):
                continue  # many that go for one or two are never worth it
            trial = [*kept, *more]
            if (now := _worth(trial, known, beside, main)) > worth + 1e-9:
                found, worth, better = trial, now, True
    return found


def _steps(fits: Sequence[Transistor]) -> list[tuple[Transistor, ...]]:
    """Each alone, and each with what may drive it."""
    alone = [(each,) for each in fits]
    return alone + [
        (each, driver)
        for each in fits
        for driver in fits
        if driver.collector == each.base and not _contradict(each, driver)
    ]


def _worth(
    chosen: Sequence[Transistor], known: Sequence[Transistor], beside: dict[Transistor, float], main: Sequence[int]
) -> float:
    """Of some together; none of them where a base could not feed what it feeds."""
    if not all(_base_is_free(each, main, [*known, *chosen]) for each in chosen):
        return -1.0
    collectors = {each.collector for each in (*known, *chosen)}
    total = 0.0
    for each in chosen:
        driven = each.base in collectors
        total += 1 + DRIVEN * driven - OFF_V * beside[each] - ON_COLLECTOR * (each.emitter in collectors)
        total -= UPSIDE * (_is_upside(each, main) and not driven)
        total -= _far(each)
    return total


def _far(each: Transistor) -> float:
    return min(FAR * abs(each.base - each.emitter), MOST_FAR)


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
