"""Records for the switch-on benchmark: one kick or none in noise, hum that may begin, drift, eight bits.

Everything is in units of the converter's step, which is a millivolt; noise is one step. SNR is peak / sigma.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from daemon.judge.capture import Capture, Healthy, ready_capture, ready_reference

Volts = NDArray[np.float64]

STEP_V = 1e-3
DECAY_S = 0.02
ON_S, UNSURE_S = 1.5, 1.0
REFERENCE_PEAK_V = 0.1


@dataclass(frozen=True)
class Bench:
    """Sampling of all records of a cell."""

    dt_s: float = 4e-4
    n: int = 7500

    @property
    def times_s(self) -> Volts:
        """Sample times, the first is 0."""
        return np.arange(self.n) * self.dt_s

    def kick(self, at_s: float, peak_v: float) -> Volts:
        """An exponential that begins between two samples like any other."""
        since_s = self.times_s - at_s
        return np.where(since_s >= 0, peak_v * np.exp(-np.maximum(since_s, 0) / DECAY_S), 0.0)

    def noise(self, rng: np.random.Generator, phi: float = 0.0) -> Volts:
        """White, or an autoregression of the first order; its standard deviation is one step either way."""
        white = rng.normal(0, STEP_V, self.n)
        if not phi:
            return white
        remembered = white.copy()
        for i in range(1, self.n):
            remembered[i] = phi * remembered[i - 1] + np.sqrt(1 - phi**2) * white[i]
        return remembered

    def hum(self, rng: np.random.Generator, *, begins: bool, off: float = 0.004) -> Volts:
        """Three harmonics, 3 to 15 sigma, mains off by up to ``off`` of 50 Hz."""
        mains_hz = 50 * (1 + rng.uniform(-off, off))
        level_v = rng.uniform(3, 15) * STEP_V
        parts = [
            rng.uniform(0.1, 1) * np.sin(2 * np.pi * k * mains_hz * self.times_s + rng.uniform(0, 2 * np.pi))
            for k in (1, 2, 3)
        ]
        wave = level_v * np.sum(parts, axis=0)
        start_s = ON_S + rng.uniform(-UNSURE_S, UNSURE_S) if begins else -1.0
        return np.where(self.times_s >= start_s, wave, 0.0)

    def drift(self, rng: np.random.Generator) -> Volts:
        """A parabola of up to two steps."""
        line = np.linspace(-1, 1, self.n)
        return STEP_V * (rng.uniform(-2, 2) * line + rng.uniform(-2, 2) * line**2)

    def onset_s(self, rng: np.random.Generator) -> float:
        """Anywhere within what is known of the switch-on."""
        return float(ON_S + rng.uniform(-UNSURE_S, UNSURE_S))

    def capture(self, volts: Volts, bits: int = 8) -> Capture:
        """As a scope hands it over: steps, and a range that may clip."""
        half = 2 ** (bits - 1)
        codes = np.clip(np.round(volts / STEP_V), -half, half - 1)
        ends = -half * STEP_V, (half - 1) * STEP_V
        return ready_capture(codes * STEP_V, self.dt_s, ON_S, (UNSURE_S, UNSURE_S), *ends, STEP_V)

    def reference(self, peak_v: float = REFERENCE_PEAK_V, seed: int = 7) -> Healthy:
        """A healthy kick (40 dB), at the switch-on but for a part of a sample, through the same converter."""
        rng = np.random.default_rng(seed)
        volts = self.kick(1.0 - self.dt_s * rng.uniform(0, 1), peak_v) + self.noise(rng)
        return ready_reference(np.round(volts / STEP_V) * STEP_V, self.dt_s, 1.0, self.dt_s)
