"""What a net's voltage is at any moment, from the history of mode, power and fault stage.

A voltage has a slow part (DC, the approach to it, the switch-on waveform: what a meter reads)
and a fast part (ripple, oscillation), which is zero in the mean.
"""

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from simulated_instruments.unit.mains import MAINS_HZ, Mains
from simulated_instruments.unit.scenario import STAGES, Net, Scenario

Samples = NDArray[np.float64]

RISE_S = 0.05  # a rail after switch-on, where no waveform says otherwise
CHANGE_S = 0.08  # after the mode switch was turned
BLEND_S = 0.5  # from the end of a waveform to the listed voltage
# One period of ripple: charged in the first fifth, falling in the rest.
_SAW = np.interp(np.arange(100) / 100, [0.0, 0.2, 1.0], [-0.5, 0.5, -0.5])


@dataclass(frozen=True, slots=True)
class State:
    """What the technician has done to the unit."""

    mode: str
    on: bool = False
    stage: str = "faulty"

    @property
    def values(self) -> str:
        """Whose listed values hold: ``faulty`` or ``healthy``."""
        return STAGES[self.stage]


class Source(Protocol):
    """Anything with a voltage to 0 V (or between two legs)."""

    def slow(self, times: Samples) -> Samples:
        """Volts without ripple at each time."""

    def fast(self, times: Samples) -> Samples:
        """Ripple and oscillation, volts, at each time."""

    def ripple_vpp(self, t_s: float) -> float:
        """Peak to peak of the fast part now."""


@dataclass(frozen=True, slots=True)
class Wave:
    """A switch-on waveform, its mean over a ripple period, and one period of what is left at its end."""

    t_s: Samples
    volts: Samples
    mean_v: Samples
    last_v: float
    shape: Samples

    @property
    def end_s(self) -> float:
        """How long it lasts."""
        return float(self.t_s[-1])


def wave_of(scenario: Scenario, net: str, state: str) -> Wave:
    """The waveform of a net, its last 0.2 s folded into one period of ripple, peak to peak 1."""
    t_s, volts = (np.array(column) for column in scenario.wave(net, state))
    per_period = round(1 / (2 * MAINS_HZ * (t_s[1] - t_s[0])))
    tail = volts[-round(0.2 / (t_s[1] - t_s[0])) :]
    period = tail.reshape(-1, per_period).mean(axis=0)
    phase = (t_s[-len(tail)] * 2 * MAINS_HZ) % 1
    shape = np.interp((np.arange(100) / 100 - phase) % 1, np.arange(per_period + 1) / per_period,
                      np.append(period, period[0]))  # fmt: skip
    unit_shape = (shape - shape.mean()) / (float(np.ptp(shape)) or 1.0)
    return Wave(t_s, volts, _mean_over(volts, per_period), float(tail.mean()), unit_shape)


def _mean_over(volts: Samples, count: int) -> Samples:
    """Centred moving average: nothing before the waveform, its last period again after it."""
    before = count // 2
    padded = np.concatenate([np.zeros(before), volts, volts[-count:][: count - 1 - before]])
    return np.convolve(padded, np.full(count, 1 / count), mode="valid")


@dataclass(frozen=True, slots=True)
class Segment:
    """A stretch in which nobody changed anything."""

    t_s: float
    on: bool
    start_v: float
    target_v: float
    tau_s: float
    wave: Wave | None
    ripple_vpp: float
    shape: Samples


class NetHistory:
    """One net of the scenario over time; a ``Source``."""

    def __init__(self, scenario: Scenario, net: Net, mains: Mains) -> None:
        self._net = net
        self._mains = mains
        self._waves = {state: wave_of(scenario, net.name, state) for state in net.wave}
        self._segments: list[Segment] = []
        self._starts: list[float] = []

    def change(self, t_s: float, before: State, now: State) -> None:
        """The unit's state became ``now`` at ``t_s``."""
        switched_on = now.on and not before.on
        target = self._net.volts[now.values].get(now.mode, 0.0) if now.on else 0.0
        wave = self._waves.get(now.values) if now.mode in self._net.wave_modes else None
        segment = Segment(
            t_s=t_s,
            on=now.on,
            start_v=float(self.slow(np.array([t_s]))[0]),
            target_v=target,
            tau_s=RISE_S if switched_on else CHANGE_S if now.on else self._net.fall_s,
            wave=wave if switched_on else None,
            ripple_vpp=self._net.ripple_vpp.get(now.values, 0.0) if now.on else 0.0,
            shape=_SAW if wave is None else wave.shape,
        )
        self._segments.append(segment)
        self._starts.append(t_s)

    def _pieces(self, times: Samples) -> list[tuple[Segment, NDArray[np.bool_]]]:
        """Each segment that is met, and which of ``times`` lie in it; before the first there is nothing."""
        which = np.searchsorted(self._starts, times, side="right") - 1
        return [(self._segments[i], which == i) for i in np.unique(which) if i >= 0]

    def slow(self, times: Samples) -> Samples:
        """See ``Source``."""
        volts = np.zeros(len(times))
        for segment, mask in self._pieces(times):
            volts[mask] = _slow(segment, times[mask] - segment.t_s)
        if self._net.follows_mains and len(times):
            volts *= self._mains.factor(float(times[-1]))
        return volts

    def fast(self, times: Samples) -> Samples:
        """See ``Source``."""
        volts = np.zeros(len(times))
        for segment, mask in self._pieces(times):
            if segment.on:
                volts[mask] = self._fast(segment, times[mask])
        return volts

    def ripple_vpp(self, t_s: float) -> float:
        """See ``Source``."""
        pieces = self._pieces(np.array([t_s]))
        return max(pieces[0][0].ripple_vpp, self._oscillation(pieces[0][0])) if pieces else 0.0

    def _oscillation(self, segment: Segment) -> float:
        return self._net.oscillation_vpp if segment.on and segment.target_v > 0 else 0.0

    def _fast(self, segment: Segment, times: Samples) -> Samples:
        since = times - segment.t_s
        phase = (since * 2 * MAINS_HZ) % 1 * 100
        volts = segment.ripple_vpp * np.interp(phase, np.arange(101), np.append(segment.shape, segment.shape[0]))
        if segment.wave is not None:
            wave, during = segment.wave, since <= segment.wave.end_s
            volts[during] = np.interp(since[during], wave.t_s, wave.volts - wave.mean_v)
        height = self._oscillation(segment)
        if height:
            volts = volts + height / 2 * np.sin(2 * np.pi * self._net.oscillation_hz * times)
        return np.asarray(volts)


def _slow(segment: Segment, since: Samples) -> Samples:
    if segment.wave is None:
        return segment.target_v + (segment.start_v - segment.target_v) * np.exp(-since / segment.tau_s)
    wave = segment.wave
    after = segment.target_v + (wave.last_v - segment.target_v) * np.exp(-(since - wave.end_s) / BLEND_S)
    return np.where(since <= wave.end_s, np.interp(since, wave.t_s, wave.mean_v), after)


@dataclass(frozen=True, slots=True)
class Across:
    """The difference between two nets: a probe on either leg of a part; a ``Source``."""

    upper: Source
    lower: Source

    def slow(self, times: Samples) -> Samples:
        """See ``Source``."""
        return self.upper.slow(times) - self.lower.slow(times)

    def fast(self, times: Samples) -> Samples:
        """See ``Source``."""
        return self.upper.fast(times) - self.lower.fast(times)

    def ripple_vpp(self, t_s: float) -> float:
        """See ``Source``; of both legs together at most their sum."""
        return self.upper.ripple_vpp(t_s) + self.lower.ripple_vpp(t_s)


@dataclass(frozen=True, slots=True)
class Steady:
    """A voltage that no switch changes: 0 V, or what a test fixture applies; a ``Source``."""

    volts: float = 0.0

    def slow(self, times: Samples) -> Samples:
        """See ``Source``."""
        return np.full(len(times), self.volts)

    def fast(self, times: Samples) -> Samples:
        """See ``Source``."""
        return np.zeros(len(times))

    def ripple_vpp(self, t_s: float) -> float:
        """See ``Source``."""
        return 0.0
