"""Every placement in a whole series of one meter, by the same detector that follows a probe live.

A series that is over is gone through twice: what the open lead looks like is known from the beginning then.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from daemon.judge.settle import Settled, StayDetector
from drivers.readings import Flag, Quantity


@dataclass(frozen=True, slots=True)
class Shown:
    """One row of a series: ``value`` is NaN where a flag says that there is none; ``resolution`` None: not known."""

    t_us: int
    value: float
    flags: Flag = Flag.NONE
    resolution: float | None = None


@dataclass(frozen=True, slots=True)
class Placement:
    """One stay of a probe, from its landing to its last good reading; ``told_us`` is when it was first known.

    ``uncertainty`` is one standard uncertainty, type A with resolution (GUM 4.2.3, 4.3.7); NaN with the value
    where the meter read overload throughout (an open path on ohms).
    """

    from_us: int
    to_us: int
    value: float
    uncertainty: float
    count: int
    told_us: int


def find_placements(series: Sequence[Shown], quantity: Quantity = Quantity.DC_V) -> list[Placement]:
    """All placements of a series, in order."""
    learning = StayDetector.of(quantity)
    follow(series, learning)
    return follow(series, StayDetector.of(quantity, learning.open_lead))


def follow(series: Sequence[Shown], detector: StayDetector) -> list[Placement]:
    """Placements as they are told live, by ``detector`` with what it knows already."""
    found: dict[int, Placement] = {}
    for shown in series:
        for happening in detector.feed(shown.t_us, shown.value, shown.flags, shown.resolution):
            if isinstance(happening, Settled):
                found[happening.from_us] = _placement(happening, shown.t_us, found.get(happening.from_us))
    return [found[from_us] for from_us in sorted(found)]


def _placement(settled: Settled, now_us: int, before: Placement | None) -> Placement:
    told_us = now_us if before is None else before.told_us
    return Placement(settled.from_us, now_us, settled.value, settled.uncertainty, settled.count, told_us)


def with_accuracy(placement: Placement, percent_reading: float) -> float:
    """Its uncertainty with limits of error of so many per cent of reading, taken as rectangular (GUM 4.3.7)."""
    half_width = abs(placement.value) * percent_reading / 100
    return math.hypot(placement.uncertainty, half_width / math.sqrt(3))


