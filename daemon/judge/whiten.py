"""Noise that remembers: an autoregression learnt from a quiet stretch, and its inverse filter.

In noise whose neighbours correlate by 0.5 a detector built for white noise cries wolf in most records.
"""

from dataclasses import dataclass

import numpy as np

from daemon.judge.hum import Mask, Volts

ORDER = 8
SIGNIFICANT = 4.0  # standard errors of a sample autocorrelation


@dataclass(frozen=True, slots=True, eq=False)
class Whitener:
    """``weights`` of a filter that turns the noise white; its first is 1."""

    weights: Volts

    @classmethod
    def none(cls) -> "Whitener":
        """Leaves everything as it is."""
        return cls(np.ones(1))

    def apply(self, series: Volts) -> Volts:
        """Filter along the first axis; before the first sample it is taken to have been the same."""
        if len(self.weights) == 1:
            return series
        first = np.repeat(series[:1], len(self.weights) - 1, axis=0)
        extended = np.concatenate([first, series])
        n = len(series)
        parts = (w * extended[len(self.weights) - 1 - k :][:n] for k, w in enumerate(self.weights))
        total: Volts = sum(parts, start=np.zeros_like(series))
        return total

    def clear(self, seen: Mask) -> Mask:
        """Samples whose filtered value rests on seen ones only."""
        reach = len(self.weights)
        if reach == 1 or seen.all():
            return seen
        unseen = np.convolve(~seen, np.ones(reach))[: len(seen)] > 0
        return ~unseen


def whitener_of(noise: Volts) -> Whitener:
    """The whitener of a stretch of noise; none where its neighbours do not correlate."""
    n = len(noise)
    centred = noise - noise.mean()
    power = float(centred @ centred)
    if n < 20 * ORDER or power == 0:
        return Whitener.none()
    r = np.array([float(centred[: n - k] @ centred[k:]) / power for k in range(ORDER + 1)])
    if np.all(np.abs(r[1:]) < SIGNIFICANT / np.sqrt(n)):
        return Whitener.none()
    lags = np.abs(np.subtract.outer(np.arange(ORDER), np.arange(ORDER)))
    # A little white noise keeps the Yule-Walker equations well conditioned.
    prediction = np.linalg.solve(r[lags] + 1e-6 * np.eye(ORDER), r[1:])
    return Whitener(np.concatenate([[1.0], -prediction]))
