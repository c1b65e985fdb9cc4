"""One probe over time: where it lies, how it bounced when it landed, what its input shows."""

import random
from dataclasses import dataclass

import numpy as np

from simulated_instruments.unit.mains import MAINS_HZ
from simulated_instruments.unit.nets import Samples, Source

BOUNCE_S = 0.08  # a tip on solder makes and breaks this long
LET_GO_S = 0.05  # the input's charge leaves a lifted lead
METER_TAU_S = (0.08, 0.15)  # a hand-held meter's input filter
SCOPE_TAU_S = 2e-4
PICKUP_V = 0.04
SWAY_S = 0.37
_GOLDEN = (np.sqrt(5) - 1) / 2


@dataclass(frozen=True, slots=True)
class Stay:
    """The probe on one thing (``source`` None: in the air) from ``t_s`` on."""

    t_s: float
    thing: str | None
    source: Source | None
    start_v: float
    tau_s: float
    made_t_s: Samples  # edges of the bounce...
    made_s: Samples  # ...and how long contact was made up to each


class Probe:
    """What one probe touched and touches. Meters settle slowly and their lead picks nothing up here.

    An open meter lead's pickup depends on when the meter measures, so the meter adds it; the
    scope sees it as the 50 Hz that it is.
    """

    def __init__(self, name: str, fast_input: bool, seed: int) -> None:
        self.name = name
        self._fast_input = fast_input
        self._draw = random.Random(f"{name} {seed}")
        self._stays: list[Stay] = []
        self._starts: list[float] = []

    def move(self, t_s: float, thing: str | None, source: Source | None) -> None:
        """The tip lands on ``source``, or is lifted when it is None."""
        edges = sorted(self._draw.uniform(0.0, BOUNCE_S) for _ in range(6))
        touching = np.diff([0.0, *edges]) * (np.arange(len(edges)) % 2 == 0)
        made = np.concatenate([[0.0], np.cumsum(touching)])
        tau = SCOPE_TAU_S if self._fast_input else self._draw.uniform(*METER_TAU_S)
        start = float(self.slow(np.array([t_s]))[0])
        self._stays.append(Stay(t_s, thing, source, start, tau, np.array([0.0, *edges]), made))
        self._starts.append(t_s)

    def at(self, t_s: float) -> Stay | None:
        """Where the probe was at ``t_s``; None before it was first moved."""
        index = int(np.searchsorted(self._starts, t_s, side="right")) - 1
        return self._stays[index] if index >= 0 else None

    @property
    def thing(self) -> str | None:
        """What it lies on now."""
        return self._stays[-1].thing if self._stays else None

    def slow(self, times: Samples) -> Samples:
        """The input's volts without ripple and pickup."""
        volts = np.zeros(len(times))
        for stay, mask in self._pieces(times):
            since = times[mask] - stay.t_s
            if stay.source is None:
                volts[mask] = stay.start_v * np.exp(-since / LET_GO_S)
            else:
                there = stay.source.slow(times[mask])
                volts[mask] = there + (stay.start_v - there) * np.exp(-_contact(stay, since) / stay.tau_s)
        return volts

    def fast(self, times: Samples) -> Samples:
        """Ripple, oscillation, and the pickup of an open scope lead."""
        volts = np.zeros(len(times))
        for stay, mask in self._pieces(times):
            if stay.source is not None:
                there = stay.source.fast(times[mask])
                volts[mask] = there * (_contact(stay, times[mask] - stay.t_s) > 0)
            elif self._fast_input:
                volts[mask] = pickup(times[mask])
        if not self._stays and self._fast_input:
            volts = pickup(times)
        return volts

    def _pieces(self, times: Samples) -> list[tuple[Stay, np.ndarray[tuple[int], np.dtype[np.bool_]]]]:
        which = np.searchsorted(self._starts, times, side="right") - 1
        return [(self._stays[i], which == i) for i in np.unique(which) if i >= 0]


def _contact(stay: Stay, since: Samples) -> Samples:
    """Seconds of contact made since the landing began."""
    bounced = np.interp(since, stay.made_t_s, stay.made_s)
    return np.where(since > stay.made_t_s[-1], stay.made_s[-1] + since - stay.made_t_s[-1], bounced)


def pickup(times: Samples) -> Samples:
    """Volts of stray 50 Hz and its third on an open lead, stronger and weaker as the hand moves.

    Golden-ratio steps: two looks shortly after each other never find the same strength.
    """
    turn = 2 * np.pi * MAINS_HZ * times
    step = np.floor(times / SWAY_S)
    share = times / SWAY_S - step
    before, after = ((number * _GOLDEN) % 1 for number in (step, step + 1))
    sway = 0.3 + 0.7 * (before * (1 - share) + after * share)
    return np.asarray(PICKUP_V * sway * (np.sin(turn) + 0.3 * np.sin(3 * turn + 1.0)))
