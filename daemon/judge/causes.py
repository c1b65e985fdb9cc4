"""Why a kick would not have been seen: the one thing without which it would have been."""

import math

import numpy as np

from daemon.judge.capture import Capture, Healthy

DEAD_TIME, CLIPPING, NOT_ARMED = "dead time", "clipping", "not armed"
COUPLING, RATE, NOISE = "coupling", "rate too low for the shape", "noise"
PLACES = 21


def cause_of(
    capture: Capture, healthy: Healthy, sigma_v: float, needed: float, possible: tuple[int, int]
) -> str:
    """``needed`` is the detectability that a whole kick has to have; ``possible`` the first and last switch-on.

    What noise and converter hide even where everything was captured is noise; else what was lost most.
    """
    passed = float(healthy.shape.volts @ healthy.shape.volts)
    whole = passed / max(healthy.coupling_share, 1e-12)
    if math.sqrt(whole) < needed * sigma_v:
        return NOISE
    if math.sqrt(passed) < needed * sigma_v:
        return COUPLING
    if math.sqrt(passed * healthy.rate_share) < needed * sigma_v:
        return RATE
    return _what_was_lost(capture, healthy, possible)


def _what_was_lost(capture: Capture, healthy: Healthy, possible: tuple[int, int]) -> str:
    """Where most of the kick fell that was not counted, for the switch-on that fares worst."""
    n, shape = len(capture.volts), healthy.shape
    power = shape.volts[: shape.lead + healthy.duration] ** 2
    worst, cause = 0.0, NOISE
    for origin in np.linspace(*possible, PLACES).round().astype(int):
        at = np.arange(len(power)) + int(origin) - shape.lead
        inside = (at >= 0) & (at < n)
        clipped = np.zeros(len(power), bool)
        clipped[inside] = capture.clipped[at[inside]]
        gap = np.zeros(len(power), bool)
        gap[inside] = ~capture.seen[at[inside]] & ~capture.clipped[at[inside]]
        lost = {
            DEAD_TIME: float(power[gap].sum() + power[at < 0].sum()),
            CLIPPING: float(power[clipped].sum()),
            NOT_ARMED: float(power[at >= n].sum()),
        }
        if sum(lost.values()) > worst:
            worst = sum(lost.values())
            cause = max(lost, key=lambda name: lost[name])
    return cause
