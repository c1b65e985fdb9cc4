"""What an open lead looks like, so that a lull in its wandering is not taken for a landing."""

import math
from collections import deque
from collections.abc import Iterable, Sequence
from itertools import pairwise
from statistics import fmean, median

from daemon.judge.window import Sample

_KEPT = 60
_APART_US = 150_000  # nearer readings of a wandering lead say little more than one of them
_ENOUGH = 5
_PRIOR_SIGMA = 0.02  # volts an open lead of a 10 Mohm meter wanders before it has been seen; common practice
MOST_V = 1.0  # and within this; what reads more lies on something: common practice, no source
_BAND = 4.0
_SAME_COUNTS = 2.0
_LULL_CHANCE = 1e-6


class OpenLead:
    """Level and wandering of a series while nothing is settled; robust against landings in between."""

    def __init__(self) -> None:
        self._kept: deque[Sample] = deque(maxlen=_KEPT)
        self._seen_after_stays = 0

    def add_after_a_stay(self, samples: Iterable[Sample]) -> None:
        """Readings that followed straight upon a stay and rest as well: perhaps a lead that does not wander."""
        self._seen_after_stays += 1
        self.add(samples)

    def add(self, samples: Iterable[Sample]) -> None:
        """Readings that turned out to belong to no stay, in order."""
        for sample in samples:
            apart = not self._kept or sample.t_us - self._kept[-1].t_us >= _APART_US
            if apart and abs(sample.value) <= MOST_V:
                self._kept.append(sample)

    def band(self, before: Sequence[Sample] = ()) -> tuple[float, float, float]:
        """Level, spread, and spread from one reading to the next, with the newest readings ``before``."""
        seen = [sample.value for sample in [*self._kept, *_thinned(before)][-_KEPT:]]
        if len(seen) < _ENOUGH:
            return 0.0, _PRIOR_SIGMA, _PRIOR_SIGMA
        level = median(seen)
        spread = 1.4826 * median(abs(value - level) for value in seen)
        step = 1.4826 * median(abs(b - a) for a, b in pairwise(seen)) / math.sqrt(2)
        return level, spread, min(step, spread)

    def knows(self, before: Sequence[Sample]) -> bool:
        """True where enough of the open lead was seen to tell how it wanders."""
        return len(self._kept) >= _ENOUGH or len(_thinned(before)) >= _ENOUGH

    @staticmethod
    def is_within(value: float, level: float, spread: float, tolerance: float) -> bool:
        """True where an open lead of that level and spread could read ``value``."""
        return abs(value - level) <= _BAND * spread + tolerance

    def explains(self, window: Sequence[Sample], tolerance: float, before: Sequence[Sample]) -> bool:
        """True where the window may be a lull: within the band, and not stiller than chance allows.

        A lead that does not wander while open explains all that reads the same: 0 V cannot be told from it. It
        is known by what comes after one stay and after the next.
        """
        values = [sample.value for sample in window]
        level, spread, step = self.band(before)
        resolution = window[-1].resolution
        if spread < resolution / 2:
            return self._seen_after_stays > 1 and abs(fmean(values) - level) <= _SAME_COUNTS * resolution
        if not self.is_within(fmean(values), level, spread, tolerance):
            return False
        within = max(max(values) - min(values), resolution)
        return lull_chance(len(_thinned(window)), within / max(step, resolution)) > _LULL_CHANCE


def _thinned(samples: Sequence[Sample]) -> list[Sample]:
    kept: list[Sample] = []
    for sample in samples:
        if not kept or sample.t_us - kept[-1].t_us >= _APART_US:
            kept.append(sample)
    return kept


def lull_chance(n: int, range_in_sigma: float) -> float:
    """Upper bound of the chance that n normal values span at most so much: n r^(n-1) times int phi^n."""
    density = math.pow(2 * math.pi, -n / 2) * math.sqrt(2 * math.pi / n)
    return min(1.0, n * math.pow(min(range_in_sigma, 10.0), n - 1) * density)
