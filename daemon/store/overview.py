"""Long stretches drawn with few points, no extreme lost. Pure."""

from dataclasses import dataclass
from typing import Self

import numpy as np
from numpy.typing import NDArray

from daemon.store.codec import Floats, Ints, Stretch


@dataclass(frozen=True, slots=True, eq=False)
class Blocks:
    """Stretches summed up: time of the first reading (us), lowest, highest, mean, finite values.

    ``exact`` when every stretch is one reading.
    """

    t: Ints
    low: Floats
    high: Floats
    mean: Floats
    n: Ints
    exact: bool

    @classmethod
    def of_readings(cls, stretch: Stretch) -> Self:
        """Every reading a block of its own."""
        return cls(stretch.t, stretch.v, stretch.v, stretch.v, np.isfinite(stretch.v).astype(np.int64), True)

    @classmethod
    def of_envelope(cls, rows: NDArray[np.void]) -> Self:
        """Rows as ``daemon.store.codec.envelope`` makes them."""
        low, high, mean = (rows[name].astype(np.float64) for name in ("low", "high", "mean"))
        return cls(rows["t"].astype(np.int64), low, high, mean, rows["n"].astype(np.int64), not len(rows))

    @classmethod
    def joined(cls, blocks: list[Self]) -> Self:
        """Blocks that follow each other."""
        t, low, high, mean, n = (
            np.concatenate([getattr(each, name) for each in blocks]) for name in ("t", "low", "high", "mean", "n")
        )
        return cls(t, low, high, mean, n, all(each.exact for each in blocks))


@dataclass(frozen=True, slots=True, eq=False)
class Overview:
    """Points to draw: time (us), lowest, highest and mean value, all of shape (k,), k <= buckets.

    NaN where a bucket holds no finite value; ``exact`` when every point is one reading.
    """

    t: Ints
    low: Floats
    high: Floats
    mean: Floats
    exact: bool


def overview(blocks: Blocks, start_us: int, end_us: int, buckets: int) -> Overview:
    """Sum ``blocks`` up in equal buckets of time between ``start_us`` and ``end_us``; empty ones are left out.

    A bucket's time is that of its first block, and it sums up all readings from there to the next bucket's time.
    Blocks that are few enough come back as they are.
    """
    if len(blocks.t) <= buckets:
        return Overview(blocks.t, blocks.low, blocks.high, blocks.mean, blocks.exact)
    firsts = _firsts(blocks.t, start_us, end_us, buckets)
    counts = np.add.reduceat(blocks.n, firsts)
    low, high = np.fmin.reduceat(blocks.low, firsts), np.fmax.reduceat(blocks.high, firsts)
    return Overview(blocks.t[firsts], low, high, _means(blocks, firsts, counts, low, high), exact=False)


def _firsts(t: Ints, start_us: int, end_us: int, buckets: int) -> Ints:
    """Where the buckets that hold something begin in ``t``; what lies before ``start_us`` is the first one's."""
    width = max(1.0, (end_us - start_us + 1) / buckets)
    bounds = start_us + np.ceil(np.arange(1, buckets) * width).astype(np.int64)
    firsts = np.unique(np.append(np.searchsorted(t, bounds), 0))
    return firsts[firsts < len(t)]


def _means(blocks: Blocks, firsts: Ints, counts: Ints, low: Floats, high: Floats) -> Floats:
    # Shares of at most 1 keep the sum of huge values from overflowing.
    most = max(1, int(counts.max()))
    sums = np.add.reduceat(np.where(blocks.n > 0, blocks.mean, 0.0) * (blocks.n / most), firsts)
    means = np.clip(sums * (most / np.maximum(counts, 1)), low, high)
    return np.where(counts > 0, means, np.nan)
