"""Is a window of readings still, and if it creeps, has the creep still far to go? Pure arithmetic."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import fmean, median

# 99 % points of the range of n normal values in units of sigma (studentised range, infinite freedom).
_RANGE_Q99 = {4: 4.403, 5: 4.603, 6: 4.757, 8: 4.987, 10: 5.157, 15: 5.448, 20: 5.645, 30: 5.911, 50: 6.228,
              100: 6.636}  # fmt: skip
_DRIFT_Z = 2.58
_TWO_TAU = math.exp(-2)
_NO_LONGER_CONVERGING = 0.97


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


def window_is_still(window: Sequence[Sample], tolerance: float) -> bool:
    """Range and drift of the window are what its own scatter and the tolerance allow."""
    values = [sample.value for sample in window]
    sigma = scatter(values, window[-1].resolution / math.sqrt(12), tolerance)
    if max(values) - min(values) > range_factor(len(values)) * sigma + tolerance:
        return False
    return abs(_creep(values)) <= _creep_limit(len(values), sigma) + tolerance


def still_settling(before: Sequence[Sample], window: Sequence[Sample], tolerance: float) -> bool:
    """True for an exponential with more than the tolerance to go and a window shorter than 2 tau.

    With D the change over this window and r its ratio to the change over the window before, what is
    left after it is D r / (1 - r), and the mean of the window lags behind its end by half of D. A creep
    that cannot yet be compared with what came before is not believed; one that does not slow down is a
    drift of the point itself, and is.
    """
    values = [sample.value for sample in window]
    resolution = window[-1].resolution
    # The bend of an exponential passes for scatter: only half of the tolerance is granted to it here.
    sigma = scatter(values, resolution / math.sqrt(12), tolerance / 2)
    creep = _creep(values)
    if abs(creep) <= _creep_limit(len(values), sigma) + resolution:
        return False
    previous = [sample.value for sample in before[-len(window) :]]
    if len(previous) < len(window):
        return True
    ratio = creep / (fmean(_first(values)) - fmean(_first(previous)) or math.inf)
    if ratio <= _TWO_TAU:
        return ratio > 0 and abs(max(previous, key=lambda v: abs(v - values[0])) - values[0]) > 50 * abs(creep)
    if ratio >= _NO_LONGER_CONVERGING:
        return False
    return abs(creep) * (0.5 + ratio / (1 - ratio)) > tolerance


def _ends(count: int) -> int:
    return max(2, 2 * count // 5)


def _first(values: Sequence[float]) -> Sequence[float]:
    return values[: _ends(len(values))]


def _creep(values: Sequence[float]) -> float:
    return fmean(values[-_ends(len(values)) :]) - fmean(_first(values))


def _creep_limit(count: int, sigma: float) -> float:
    return _DRIFT_Z * sigma * math.sqrt(2 / _ends(count))
