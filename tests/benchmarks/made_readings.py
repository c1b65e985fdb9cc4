"""Readings as a bench makes them, invented and the same each time: four series, stays that settle, jittered times.

Two meters at 50 and 30 readings a second and 10 uV (6.5 digits on the 12 V range), a supply's current at 15, the mains
at 5: 100 readings a second.
"""

from typing import NamedTuple

import numpy as np

from daemon.store.codec import Stretch
from drivers.readings import Flag, Quantity

START_US = 1_772_359_200_000_000
HOUR_US = 3_600_000_000
JITTER_US = 150.0
NOISE_STEPS = 2.0
SETTLING_S = 0.15


class MadeSeries(NamedTuple):
    """``levels`` are what it may settle at, in its unit, shown to so many ``decimals``."""

    instrument: str
    quantity: Quantity
    rate_hz: int
    decimals: int
    levels: tuple[float, ...]


SERIES = (
    MadeSeries("bench meter", Quantity.DC_V, 50, 5, (0.0, 0.62, 5.04, -5.1, 8.97, 11.99, -11.98)),
    MadeSeries("second meter", Quantity.DC_V, 30, 5, (0.0, 1.31, 3.3, 6.54, 11.93)),
    MadeSeries("supply", Quantity.SUPPLY_CURRENT, 15, 4, (0.183, 0.241, 0.402)),
    MadeSeries("mains meter", Quantity.MAINS, 5, 3, (229.4, 231.2, 232.8)),
)


class Stays(NamedTuple):
    """Where one probe stood: begin and end (us), and the level there; between two stays it hangs in the air."""

    t0: np.ndarray
    t1: np.ndarray
    level: np.ndarray


def stays(series: MadeSeries, hours: float, count: int, rng: np.random.Generator) -> Stays:
    """So many stays one after the other, with a fifteenth of the time or so between them."""
    bounds = np.sort(rng.uniform(0.0, hours * HOUR_US, count - 1)).astype(np.int64)
    t0 = START_US + np.concatenate([[0], bounds])
    t1 = np.append(t0[1:], START_US + round(hours * HOUR_US))
    return Stays(t0, t1 - (t1 - t0) // 15, rng.choice(series.levels, count) * rng.normal(1.0, 0.002, count))


def readings(series: MadeSeries, own: Stays, start_us: int, end_us: int, rng: np.random.Generator) -> Stretch:
    """All that ``series`` reads from ``start_us`` to before ``end_us``."""
    t = _times(series, start_us, end_us, rng)
    stay = np.searchsorted(own.t0, t, "right") - 1
    lifted = t > own.t1[stay]
    target = np.where(lifted, 0.0, own.level[stay])
    former = np.where(lifted, own.level[stay], 0.0)
    since_s = (t - np.where(lifted, own.t1[stay], own.t0[stay])) / 1e6
    v = target + (former - target) * np.exp(-since_s / SETTLING_S)
    v += rng.normal(0.0, NOISE_STEPS * 10.0**-series.decimals, len(t))
    flags = np.where(since_s < 5 * SETTLING_S, int(Flag.CHANGING), 0).astype(np.uint8)
    return Stretch(t, np.round(v, series.decimals) + 0.0, flags)  # + 0.0: no instrument's zero is negative here


def _times(series: MadeSeries, start_us: int, end_us: int, rng: np.random.Generator) -> np.ndarray:
    due = np.arange(start_us, end_us, 1_000_000 // series.rate_hz)
    t = due + np.abs(rng.normal(0.0, JITTER_US, len(due))).astype(np.int64)
    places = np.arange(len(t))
    return np.maximum.accumulate(t - places) + places
