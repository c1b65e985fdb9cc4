"""Simpler rules for when a probe rests, as data loggers and hold functions have them, given their best settings.

Each takes a series and gives (from, to, value). The settings that did best on the very series that are judged are
used, which nobody could know beforehand: a favour to all of them.
"""

import math
from collections.abc import Callable, Iterator, Sequence
from itertools import product
from statistics import fmean, median

from daemon.judge.placements import Shown

Told = tuple[float, float, float]
Rule = Callable[[Sequence[Shown]], list[Told]]

LEAST_READINGS, LEAST_US = 5, 1_000_000


def window_spread(series: Sequence[Shown], relative: float, absolute: float) -> Iterator[Told]:
    """Rests while all readings of the last second lie within a band: what an automatic hold does."""
    stay: list[Shown] = []
    for shown in series:
        band = relative * abs(shown.value) + absolute
        values = [each.value for each in [*stay, shown]]
        if math.isfinite(shown.value) and max(values) - min(values) <= band:
            stay.append(shown)
            continue
        yield from _long_enough(stay)
        stay = _newest_within(stay, shown, band)
    yield from _long_enough(stay)


def _newest_within(stay: Sequence[Shown], shown: Shown, band: float) -> list[Shown]:
    kept: list[Shown] = []
    for each in [shown, *reversed(stay)]:
        if not abs(each.value - shown.value) <= band:
            break
        kept.insert(0, each)
    return kept if len(kept) < LEAST_READINGS else kept[-1:]


def _long_enough(stay: Sequence[Shown]) -> Iterator[Told]:
    if len(stay) >= LEAST_READINGS and stay[-1].t_us - stay[0].t_us >= LEAST_US:
        yield stay[0].t_us / 1e6, stay[-1].t_us / 1e6, fmean(each.value for each in stay)


def plain_threshold(series: Sequence[Shown], least_v: float, change: float) -> Iterator[Told]:
    """Rests while the size is above a threshold and no reading jumps: what a trigger on level does."""
    stay: list[Shown] = []
    for shown in series:
        above = math.isfinite(shown.value) and abs(shown.value) >= least_v
        if above and (not stay or abs(shown.value - stay[-1].value) <= change * abs(stay[-1].value)):
            stay.append(shown)
            continue
        if len(stay) >= LEAST_READINGS and stay[-1].t_us - stay[0].t_us >= LEAST_US:
            yield stay[0].t_us / 1e6, stay[-1].t_us / 1e6, median(each.value for each in stay)
        stay = [shown] if above else []
    yield from _long_enough(stay)


def _with(rule: Callable[..., Iterator[Told]], *settings: float) -> Rule:
    return lambda series: list(rule(series, *settings))


RIVALS: dict[str, list[Rule]] = {
    "window spread": [_with(window_spread, r, a) for r, a in product((0.001, 0.003, 0.01), (0.001, 0.005, 0.02))],
    "plain threshold": [_with(plain_threshold, v, c) for v, c in product((0.1, 0.3, 1.0), (0.01, 0.1))],
}
