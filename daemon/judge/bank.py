"""Shapes to look for where there is no reference: what capacitors and feedback make of a switch-on."""

import numpy as np

from daemon.judge.slide import Shape

_DECAYS_S = (0.002, 0.005, 0.0125, 0.03, 0.08, 0.2)
_RINGS_HZ = (12.0, 24.0, 45.0, 90.0, 180.0)
_RING_PERIODS = 1.5  # until a ring has died down to 1/e
_LENGTH_TAU = 5.0
_SLOW_SAMPLES = (2.0, 6.0, 20.0)


def bank_of_shapes(dt_s: float) -> list[Shape]:
    """Six exponentials of 2 to 200 ms, damped sines and cosines of 12 to 180 Hz; each begins at its origin.

    What this sampling cannot show (less than three samples to a shape) is left out; where that is everything,
    slower exponentials of a few samples remain, and a level that stays.
    """
    shapes = [_decay(tau, dt_s) for tau in _DECAYS_S if tau >= dt_s]
    for hz in _RINGS_HZ:
        if hz * dt_s < 1 / 6:
            shapes += [_ring(hz, dt_s, 0.0), _ring(hz, dt_s, np.pi / 2)]
    slow = [_decay(samples * dt_s, dt_s) for samples in _SLOW_SAMPLES]
    return shapes or [*slow, Shape(np.ones(2), 0)]


def _decay(tau_s: float, dt_s: float) -> Shape:
    times_s = np.arange(0, _LENGTH_TAU * tau_s, dt_s)
    return Shape(np.append(np.exp(-times_s / tau_s), 0.0), 0)


def _ring(hz: float, dt_s: float, phase: float) -> Shape:
    tau_s = _RING_PERIODS / hz
    times_s = np.arange(0, _LENGTH_TAU * tau_s, dt_s)
    return Shape(np.append(np.exp(-times_s / tau_s) * np.sin(2 * np.pi * hz * times_s + phase), 0.0), 0)
