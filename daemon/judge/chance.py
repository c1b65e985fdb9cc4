"""What chance does: how high noise reaches in many looks, and where an onset may be."""

import math
from functools import lru_cache
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

from daemon.judge.hum import Volts

FALSE_ALARM = 1e-3
_NORMAL = NormalDist()
_POINTS, _BEYOND = 400, 6.0
_KEPT_MASS = 1e-7


@lru_cache(maxsize=64)
def threshold(trials: int, false_alarm: float = FALSE_ALARM, correlation: float = 0.0) -> float:
    """u that the largest of ``trials`` two-sided looks exceeds with at most the chance of a false alarm.

    Looks whose neighbours correlate are fewer than they seem: P(any) <= sum P(A_i) - sum P(A_i and A_i+1)
    (D. Hunter 1976, K. J. Worsley 1982). Without correlation u = Q^-1(Pfa / (2 N)); 5,000 at 1e-3: 5.20.
    """
    u = -_NORMAL.inv_cdf(false_alarm / (2 * trials))
    if trials < 2 or correlation <= 0:
        return u
    for _ in range(8):
        fresh = 1 - _neighbour_too(u, min(correlation, 1 - 1e-9))
        u = -_NORMAL.inv_cdf(min(false_alarm / (2 * (1 + (trials - 1) * fresh)), 0.4))
    return u


def _neighbour_too(u: float, correlation: float) -> float:
    """P(Z2 > u | Z1 > u) of two normal values that correlate."""
    z = u + (np.arange(_POINTS) + 0.5) * (_BEYOND / _POINTS)
    density = np.exp(-(z**2 - u**2) / 2)
    spread = math.sqrt(1 - correlation**2)
    beyond = np.array([0.5 * math.erfc(float(v) / math.sqrt(2)) for v in (u - correlation * z) / spread])
    return float(density @ beyond / density.sum())


def span_95(gain: Volts, energy: Volts, origins: NDArray[np.int64]) -> tuple[float, float]:
    """95 % interval of the origin, samples, any origin as likely before the record was seen.

    ``gain`` is the fall of RSS/sigma^2 at each origin; the size is integrated out. An origin is the first
    sample after what happened, so it happened anywhere in the sample distance before.
    """
    usable = energy > 0
    if not usable.any():
        return float(origins[0]), float(origins[-1])
    weight = np.where(usable, np.exp((gain - gain[usable].max()) / 2), 0.0)
    weight = weight / np.sqrt(np.where(usable, energy / energy[usable].max(), 1.0))
    kept = np.nonzero(weight > _KEPT_MASS * weight.max())[0]
    first, last = int(kept[0]), int(kept[-1])
    reached = np.concatenate([[0.0], np.cumsum(weight[first : last + 1])])
    edges = np.arange(origins[first] - 1, origins[last] + 1)
    low, high = np.interp([0.025, 0.975], reached / reached[-1], edges)
    return float(low), float(high)
