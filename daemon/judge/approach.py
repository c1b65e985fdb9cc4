"""How far has an approach still to go? An exponential is laid through what was read since the landing.

Pure arithmetic on samples of one series. First order (exact): of D at the beginning D exp(-t / tau) is left.
"""

import math
from collections.abc import Sequence
from itertools import pairwise
from statistics import fmean

import numpy as np
from numpy.typing import NDArray

from daemon.judge.window import Sample, grain_of, scatter

Floats = NDArray[np.float64]

# Time constants that are thought of, seconds: from a meter's filter to 1 uF that a 10 Mohm meter discharges.
_TAUS_S = np.geomspace(0.1, 10.0, 15)
_SLOPE_Z = 2.58
_FAR = 30.0  # tolerances; what was farther away says more of the meter's filter than of what is left
_LONG_APPROACH_S = 0.5
_DRIFT_SPAN_S, _STEADY = 8.0, 0.8
_ENOUGH = 200  # samples in a fit


def still_settling(approach: Sequence[Sample], window: Sequence[Sample], tolerance: float) -> bool:
    """True while more than a third of the tolerance may still be to come; ``approach`` led to the window.

    One that goes on steadily for 8 s and longer is a drift of the point itself, and is believed.
    """
    level = float(np.mean([sample.value for sample in window]))
    near = [sample for sample in approach if abs(sample.value - level) <= _FAR * tolerance]
    times_s, values = _arrays([*near, *window])
    window_s, window_values = times_s[len(near) :], values[len(near) :]
    grain = grain_of(window)
    sigma = scatter(window_values.tolist(), grain / math.sqrt(12), tolerance / 2)
    creeps = _creeps(window_s, window_values, sigma, grain)
    if not creeps and (not near or window_s[0] - times_s[0] < _LONG_APPROACH_S):
        return False
    if _is_steady_drift(times_s, values):
        return False
    return _left(times_s, values, window_s, max(sigma, grain / math.sqrt(12))) > tolerance / 3


def one_way(before: Sequence[Sample], window: Sequence[Sample], tolerance: float) -> list[Sample]:
    """The readings just before the window that came nearer and nearer to it, from one side."""
    value = fmean(sample.value for sample in window)
    noise = 4 * scatter([s.value for s in window], grain_of(window), tolerance)
    first, farthest = len(before), 0.0
    for sample in reversed(before):
        away = sample.value - value
        turned = abs(away) > noise and away * farthest < 0 and abs(farthest) > noise
        if turned or abs(away) < abs(farthest) - noise:
            break
        farthest, first = max(away, farthest, key=abs), first - 1
    return list(before[first:])


def goes_one_way(samples: Sequence[Sample]) -> bool:
    """True where five of the samples, taken far apart, rise or fall throughout: no open lead goes on like that."""
    looked_at = [samples[len(samples) * sixth // 6].value for sixth in range(5)]
    steps = [b - a for a, b in pairwise(looked_at)]
    return min(steps) > 0 or max(steps) < 0


def _arrays(samples: Sequence[Sample]) -> tuple[Floats, Floats]:
    """Seconds before the last sample (negative), and values."""
    last_us = samples[-1].t_us
    times = np.array([(sample.t_us - last_us) / 1e6 for sample in samples])
    return times, np.array([sample.value for sample in samples])


def _span(times_s: Floats) -> float:
    return float(times_s[-1] - times_s[0])


def _slope(times_s: Floats, values: Floats) -> tuple[float, float]:
    """Slope a second by least squares, and the sum of squares of the times that it stands on."""
    centred = times_s - times_s.mean()
    squares = float(centred @ centred)
    return (float(centred @ values) / squares, squares) if squares else (0.0, 0.0)


def _creeps(times_s: Floats, values: Floats, sigma: float, resolution: float) -> bool:
    """The window moves one way by more than its scatter and its last digit explain."""
    slope, squares = _slope(times_s, values)
    return abs(slope) * _span(times_s) > resolution / 2 and abs(slope) * math.sqrt(squares) > _SLOPE_Z * sigma


def _is_steady_drift(times_s: Floats, values: Floats) -> bool:
    if _span(times_s) < _DRIFT_SPAN_S:
        return False
    early = times_s < times_s[0] + _span(times_s) / 2
    before, after = (_slope(times_s[half], values[half])[0] for half in (early, ~early))
    return before * after > 0 and abs(after) >= _STEADY * abs(before)


def _left(times_s: Floats, values: Floats, window_s: Floats, sigma: float) -> float:
    """What the window's mean still lacks of the end of the approach, averaged over the time constants that fit."""
    step = max(1, len(times_s) // _ENOUGH)
    t, v = times_s[::step], values[::step]
    shapes = np.exp(-t[None, :] / _TAUS_S[:, None])
    # From far back exp grows beyond sense: scaled to its first value, the fit is the same.
    scale = shapes.max(axis=1, keepdims=True)
    centred = shapes / scale - (shapes / scale).mean(axis=1, keepdims=True)
    squares = np.maximum((centred**2).sum(axis=1), 1e-12)
    sizes = centred @ v / squares
    rest = ((v - v.mean()) ** 2).sum() - sizes**2 * squares
    weights = np.exp(-np.maximum(rest - rest.min(), 0.0) / (2 * max(sigma, 1e-12) ** 2))
    lacks = np.abs(sizes / scale[:, 0]) * np.exp(-window_s[None, :] / _TAUS_S[:, None]).mean(axis=1)
    return float((weights * lacks).sum() / weights.sum())
