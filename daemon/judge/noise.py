"""The size of noise among stray values, also where the converter's steps are as large as the noise."""

import math

import numpy as np

from daemon.judge.hum import Volts

_CLIP = 4.0
_ROUNDS = 6


def robust_sigma(values: Volts, lsb_v: float, least_v: float) -> float:
    """Standard deviation of the bulk, never below ``least_v``.

    It starts from the median absolute deviation and leaves out what lies beyond 4 sigma, again and again.
    The median alone falls to a half or less of the truth where noise dithers between two or three steps.
    """
    if not len(values):
        return least_v
    centred = np.abs(values - np.median(values))
    sigma = 1.4826 * float(np.median(centred))
    wide = max(sigma, lsb_v)
    for _ in range(_ROUNDS):
        kept = centred[centred <= _CLIP * wide]
        sigma = math.sqrt(float(np.mean(kept**2))) if len(kept) else 0.0
        if sigma >= wide or sigma == 0:
            break
        wide = max(sigma, lsb_v / 2)
    return max(sigma, least_v)


def noise_sigma(volts: Volts, lsb_v: float) -> float:
    """Noise from neighbours' differences, never below what the converter's steps make: LSB / sqrt(12)."""
    return max(robust_sigma(np.diff(volts), lsb_v, 0.0) / math.sqrt(2), lsb_v / math.sqrt(12))
