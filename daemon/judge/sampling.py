"""What sampling and coupling leave of a shape, and how unsure its size is because of them."""

import math

import numpy as np

from daemon.judge.hum import Volts
from daemon.judge.slide import Shape

HALF_HEIGHT_SAMPLES = 2  # a kick of fewer samples at half its height was met by chance


def rate_share(volts: Volts, dt_s: float, own_dt_s: float) -> float:
    """Share of a shape's energy that samples ``own_dt_s`` apart keep, however they fall; 0 where that is chance."""
    every = int(own_dt_s / dt_s + 0.25)
    power = volts**2
    if every <= 1:
        return 1.0 if int((power > power.max() / 4).sum()) >= HALF_HEIGHT_SAMPLES else 0.0
    whole = float(power.sum()) / every
    worst = min(float(power[phase::every].sum()) for phase in range(every))
    return min(1.0, worst / whole) if whole > 0 else 0.0


def relative_u(shape: Shape, sigma_v: float) -> float:
    """One standard uncertainty of a shape's size, relative: its noise, and where in a sample it began.

    A shape that falls in one sample from its peak may have begun anywhere in it, in the reference as in the
    record: a triangle either side, whose standard deviation is 1 / sqrt(6). A flat top does not care.
    """
    power = float(shape.volts @ shape.volts)
    if power == 0:
        return math.inf
    neighbours = float(shape.volts[1:] @ shape.volts[:-1]) / power
    height = np.abs(np.concatenate([[0.0], shape.volts, [shape.volts[-1]]]))
    top = int(np.argmax(height))
    falls = 1 - max(float(height[top - 1]), float(height[top + 1])) / float(height[top])
    return math.hypot(sigma_v / math.sqrt(power), max(0.0, min(falls, 1 - neighbours)) / math.sqrt(6))


def coupled(shape: Shape, corner_hz: float | None, dt_s: float) -> tuple[Shape, float]:
    """A shape behind a first-order high-pass, and the share of its energy that came through."""
    whole = float(shape.volts @ shape.volts)
    if corner_hz is None or whole == 0:
        return shape, 1.0
    keep = math.exp(-2 * math.pi * corner_hz * dt_s)
    passed, slow = np.empty(len(shape.volts)), float(shape.volts[0])
    for i, volts in enumerate(shape.volts.tolist()):
        passed[i] = volts - slow
        slow = keep * slow + (1 - keep) * volts
    return Shape(passed, shape.lead), min(1.0, float(passed @ passed) / whole)
