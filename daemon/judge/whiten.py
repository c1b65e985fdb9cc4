"""Noise that remembers: an autoregression learnt from what a record's model leaves, and its inverse filter.

In noise whose neighbours correlate by 0.5 a detector built for white noise cries wolf in most records.
"""

from dataclasses import dataclass

import numpy as np

from daemon.judge.hum import Mask, Tones, Volts

ORDER = 8
BLOCKS = 24
LOUD = 1.6  # times the median power: a block that holds more than noise
_LEAST_BLOCK = 5 * ORDER


@dataclass(frozen=True, slots=True, eq=False)
class Whitener:
    """``weights`` of a filter that turns the noise white; its first is 1."""

    weights: Volts

    @classmethod
    def none(cls) -> "Whitener":
        """Leaves everything as it is."""
        return cls(np.ones(1))

    @property
    def changes_nothing(self) -> bool:
        """True for noise that was white already."""
        return len(self.weights) == 1

    def apply(self, series: Volts) -> Volts:
        """Filter a series; before its first sample there was silence."""
        whitened: Volts = series if self.changes_nothing else np.convolve(series, self.weights)[: len(series)]
        return whitened

    def response(self, turn: float, harmonics: tuple[int, ...]) -> Tones:
        """What it does to tones of ``turn`` periods a sample and their harmonics."""
        delays = np.outer(np.arange(len(self.weights)), harmonics)
        response: Tones = self.weights @ np.exp(-2j * np.pi * turn * delays)
        return response

    def clear(self, seen: Mask) -> Mask:
        """Samples whose filtered value rests on seen ones only."""
        reach = len(self.weights)
        if reach == 1:
            return seen
        unseen = np.convolve(~seen, np.ones(reach))[: len(seen)] > 0
        unseen[: reach - 1] = True
        return ~unseen


def whitener_of(noise: Volts) -> Whitener:
    """The whitener of a stretch of noise; none where its neighbours do not correlate.

    Correlations are means over blocks without the loud ones, for what the model has not described (a kick)
    is no noise. The order, up to 8, is the one of least BIC (G. Schwarz, 1978).
    """
    size = max(len(noise) // BLOCKS, _LEAST_BLOCK)
    count = len(noise) // size
    if count < 2:
        return Whitener.none()
    blocks = noise[: count * size].reshape(count, size)
    power = np.mean(blocks**2, axis=1)
    blocks = blocks[power <= LOUD * np.median(power)]
    total = float(np.sum(blocks**2))
    if total == 0:
        return Whitener.none()
    lags = [float(np.sum(blocks[:, : size - k] * blocks[:, k:])) / total * size / (size - k) for k in range(ORDER + 1)]
    return Whitener(_best_order(np.array(lags), blocks.size))


def _best_order(r: Volts, samples: int) -> Volts:
    """Levinson's recursion (J. Durbin, 1960), stopped where BIC is least."""
    weights, left = np.ones(1), 1.0 + 1e-9
    best, least = weights, 0.0
    for order in range(1, ORDER + 1):
        reflected = -float(weights @ r[order:0:-1][: len(weights)]) / left
        if abs(reflected) >= 1:
            break
        longer = np.append(weights, 0.0)
        weights = longer + reflected * longer[::-1]
        left *= 1 - reflected**2
        bic = samples * np.log(left) + order * np.log(samples)
        if bic < least:
            best, least = weights, bic
    return best
