"""When the power came on, read off a scope channel that carries the supply's current or a rail."""

import math

import numpy as np

from daemon.judge.hum import Volts
from daemon.judge.noise import noise_sigma
from daemon.judge.onset import onset_before

STANDS_OUT = 8.0  # times the noise before
LEAST_BEFORE = 20  # samples that say what lay there before


def power_onset(
    volts: Volts, dt_s: float, on_s: float, half_width_s: float, lsb_v: float
) -> tuple[float, float] | None:
    """Seconds after the first sample and half width; None where nothing stands out of what lay there before.

    ``on_s`` give or take ``half_width_s`` is when it was by other signs: it is looked for there alone.
    """
    first = max(math.floor((on_s - half_width_s) / dt_s), 0)
    last = min(math.ceil((on_s + half_width_s) / dt_s) + 1, len(volts))
    before = volts[:first] if first >= LEAST_BEFORE else volts[first : first + LEAST_BEFORE]
    if last - first < LEAST_BEFORE or len(before) < LEAST_BEFORE:
        return None
    series = np.abs(volts[first:last] - np.median(before))
    noise_v = max(noise_sigma(before, lsb_v), float(np.std(before)), 1e-12)
    if series.max() <= STANDS_OUT * noise_v:
        return None
    onset = onset_before(volts[first:last], int(np.argmax(series)), noise_v)
    return (first + onset - 0.5) * dt_s, dt_s
