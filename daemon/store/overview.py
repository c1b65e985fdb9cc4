"""Long stretches drawn with few points, no extreme lost. Pure."""

from dataclasses import dataclass
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray

from daemon.store.codec import Floats, Ints, Stretch


@dataclass(frozen=True, slots=True, eq=False)
class Blocks:
    """Stretches summed up: time of the first reading (us), lowest, highest, mean, finite values."""

    t: Ints
    low: Floats
    high: Floats
    mean: Floats
    n: Ints

    @classmethod
    def of_readings(cls, stretch: Stretch) -> Self:
        """Every reading a block of its own."""
        return cls(stretch.t, stretch.v, stretch.v, stretch.v, np.isfinite(stretch.v).astype(np.int64))

    @classmethod
    def of_envelope(cls, rows: NDArray[np.void]) -> Self:
        """Rows as ``daemon.store.codec.envelope`` makes them."""
        low, high, mean = (rows[name].astype(np.float64) for name in ("low", "high", "mean"))
        return cls(rows["t"].astype(np.int64), low, high, mean, rows["n"].astype(np.int64))

    @classmethod
    def joined(cls, blocks: list[Self]) -> Self:
        """Blocks that follow each other."""
        names = ("t", "low", "high", "mean", "n")
        columns: list[Any] = [np.concatenate([getattr(each, name) for each in blocks]) for name in names]
        return cls(*columns)


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

    A bucket's time is that of its first block. Blocks that are few enough come back as they are.
    """
    if len(blocks.t) <= buckets:
        return Overview(blocks.t, blocks.low, blocks.high, blocks.mean, exact=True)
    width = max(1.0, (end_us - start_us + 1) / buckets)
    place = np.clip((blocks.t - start_us) / width, 0, buckets - 1).astype(np.int64)
    firsts = np.flatnonzero(np.diff(place, prepend=-1))
    counts = np.add.reduceat(blocks.n, firsts)
    # Weights of at most 1 keep the sum of huge values from overflowing.
    lengths = np.diff(np.append(firsts, len(place)))
    weights = blocks.n / np.repeat(np.maximum(counts, 1), lengths)
    sums = np.add.reduceat(np.where(blocks.n > 0, blocks.mean, 0.0) * weights, firsts)
    return Overview(
        blocks.t[firsts],
        np.fmin.reduceat(blocks.low, firsts),
        np.fmax.reduceat(blocks.high, firsts),
        np.where(counts > 0, sums, np.nan),
        exact=False,
    )
