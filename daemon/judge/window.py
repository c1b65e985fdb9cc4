"""Is a window of readings still? Pure arithmetic."""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import fmean, median

# 99 % points of the range of n normal values in units of sigma (studentised range, infinite freedom).
_RANGE_Q99 = {4: 4.403, 5: 4.603, 6: 4.757, 8: 4.987, 10: 5.157, 15: 5.448, 20: 5.645, 30: 5.911, 50: 6.228,
              100: 6.636}  # fmt: skip
_DRIFT_Z = 2.58
_MOST_STATED = 10.0
_COME_AGAIN = 0.6
_WIDEST_US = 4_000_000


@dataclass(frozen=True, slots=True)
class Sample:
    """One valid reading: session time, value and resolution in the series' unit."""

    t_us: int
    value: float
    resolution: float


def range_factor(n: int) -> float:
    """q: how many sigma n still readings span at most, 99 % of the time; n from 4 on, log-interpolated."""
    counts = list(_RANGE_Q99)
    if n >= counts[-1]:
        return _RANGE_Q99[counts[-1]]
    above = next(each for each in counts if each >= n)
    below = max((each for each in counts if each <= n), default=above)
    if above == below:
        return _RANGE_Q99[above]
    share = math.log(n / below) / math.log(above / below)
    return _RANGE_Q99[below] + share * (_RANGE_Q99[above] - _RANGE_Q99[below])


def scatter(values: Sequence[float], least: float, most: float) -> float:
    """Sigma from the median absolute deviation of neighbours' differences, clamped."""
    steps = [b - a for a, b in pairwise(values)]
    middle = median(steps)
    sigma = 1.4826 * median(abs(step - middle) for step in steps) / math.sqrt(2)
    return min(max(sigma, least), max(most, least))


def grain_of(window: Sequence[Sample]) -> float:
    """The step that the readings really go in: some meters show more digits than they resolve.

    It is told by values that come again; where hardly any does, the step is the stated one.
    """
    stated = window[-1].resolution
    if len({sample.value for sample in window}) > _COME_AGAIN * len(window):
        return stated
    steps = [step for a, b in pairwise(window) if (step := abs(b.value - a.value)) > stated / 2]
    return max(stated, min([_MOST_STATED * stated, *steps]))


def window_is_still(window: Sequence[Sample], tolerance: float, most_scatter: float = 0.0) -> bool:
    """Range and drift of the window are what its own scatter and the tolerance allow.

    Scatter beyond the tolerance is granted up to ``most_scatter``.
    """
    values = [sample.value for sample in window]
    sigma = scatter(values, grain_of(window) / math.sqrt(12), max(tolerance, most_scatter))
    if max(values) - min(values) > range_factor(len(values)) * sigma + tolerance:
        return False
    return abs(_creep(values)) <= _creep_limit(len(values), sigma) + tolerance


def wider_and_wider(
    window: list[Sample], before: list[Sample], tolerance: float, most_scatter: float = 0.0
) -> Iterator[tuple[list[Sample], list[Sample]]]:
    """Window and what was before it, with more and more of that taken in while it stays still.

    The longer, the less a lull explains it.
    """
    while True:
        yield window, before
        step = min(len(before), max(1, len(window) // 4))
        wider = [*before[len(before) - step :], *window]
        too_wide = not step or wider[-1].t_us - wider[0].t_us > _WIDEST_US
        if too_wide or not window_is_still(wider, tolerance, most_scatter):
            return
        window, before = wider, before[: len(before) - step]


def _ends(count: int) -> int:
    return max(2, 2 * count // 5)


def _creep(values: Sequence[float]) -> float:
    return fmean(values[-_ends(len(values)) :]) - fmean(values[: _ends(len(values))])


def _creep_limit(count: int, sigma: float) -> float:
    return _DRIFT_Z * sigma * math.sqrt(2 / _ends(count))
