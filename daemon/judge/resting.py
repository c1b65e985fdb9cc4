"""What is known of a probe that rests: the mean of its stay, and what counts as having moved away from it."""

import math
from collections.abc import Sequence
from statistics import fmean, variance

from daemon.judge.window import Sample

MOVED_SIGMAS = 6.0
MOVED_COUNTS = 2.0
_KEPT = 240  # readings of the beginning that are looked at again: later, the end of an approach weighs nothing
_LOOK_AGAIN = 1.3
_TAIL_Z = 2.58


class Resting:
    """Running mean of a stay (Welford). The end of an approach that still shows in it is left out again."""

    def __init__(self, from_us: int, samples: Sequence[Sample]) -> None:
        self.from_us = from_us
        self.last_us = from_us
        self.resolution = samples[-1].resolution
        self._first: list[float] = []
        self._looked_at = len(samples)
        self._clear()
        for sample in samples:
            self._take(sample)
        self._leave_out_the_tail()

    def _clear(self) -> None:
        self.count, self.mean, self._squares = 0, 0.0, 0.0

    def add(self, sample: Sample) -> None:
        """One more reading of the same."""
        self._take(sample)
        if self.count >= _LOOK_AGAIN * self._looked_at:
            self._leave_out_the_tail()

    def _take(self, sample: Sample) -> None:
        self._count_in(sample.value)
        if len(self._first) < _KEPT:
            self._first.append(sample.value)
        self.resolution, self.last_us = sample.resolution, sample.t_us

    def _count_in(self, value: float) -> None:
        self.count += 1
        step = value - self.mean
        self.mean += step / self.count
        self._squares += step * (value - self.mean)

    def _leave_out_the_tail(self) -> None:
        """A first quarter that differs from the rest by more than scatter is no part of what rests."""
        while self.count == len(self._first) >= 8 and _differs(self._first, self.resolution):
            self._first = self._first[self.count // 4 :]
            self._clear()
            for value in self._first:
                self._count_in(value)
        self._looked_at = self.count

    @property
    def sd(self) -> float:
        """Standard deviation of the readings."""
        return math.sqrt(self._squares / (self.count - 1)) if self.count > 1 else 0.0

    @property
    def uncertainty(self) -> float:
        """Standard uncertainty of the mean: type A (GUM 4.2.3) with the resolution's (GUM F.2.2.1)."""
        return math.sqrt(self.sd**2 / self.count + self.resolution**2 / 12)

    def is_beyond(self, sample: Sample, tolerance: float) -> bool:
        """True where a reading is none of this stay; what differs by less than the tolerance never is."""
        sigma = max(self.sd, sample.resolution / math.sqrt(12), tolerance / MOVED_SIGMAS)
        return abs(sample.value - self.mean) > MOVED_SIGMAS * sigma + MOVED_COUNTS * sample.resolution


def _differs(values: Sequence[float], resolution: float) -> bool:
    quarter, rest = values[: len(values) // 4], values[len(values) // 4 :]
    apart = abs(fmean(quarter) - fmean(rest))
    spread = math.sqrt(variance(rest) * (1 / len(quarter) + 1 / len(rest)))
    return apart > max(_TAIL_Z * spread, resolution / 4)
