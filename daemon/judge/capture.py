"""A captured record made ready to be judged, and a reference brought to its sampling."""

import math
from dataclasses import dataclass

import numpy as np

from daemon.judge import course as courses
from daemon.judge.course import Course
from daemon.judge.hum import Hum, Mask, Volts, mains_frequency
from daemon.judge.noise import noise_sigma
from daemon.judge.trial import Shape

MOST_SAMPLES = 12_000
LEAST_SAMPLES = 50
LEAD_S = 0.25  # of the reference kept before its switch-on, whose time is only known so well


@dataclass(frozen=True, slots=True, eq=False)
class Capture:
    """``on`` is the sample of the switch-on; it may lie ``early`` samples before or ``late`` after.

    ``seen`` marks what was captured and not clipped.
    """

    volts: Volts
    dt_s: float
    seen: Mask
    lsb_v: float
    on: int
    early: int
    late: int
    mains_hz: float

    @property
    def earliest(self) -> int:
        """The first sample that may be the switch-on."""
        return self.on - self.early

    @property
    def latest(self) -> int:
        """The last sample that may be the switch-on."""
        return self.on + self.late

    @property
    def is_usable(self) -> bool:
        """False where there is nothing to look at."""
        return len(self.volts) >= LEAST_SAMPLES and bool(self.seen.any())


@dataclass(frozen=True, slots=True, eq=False)
class Healthy:
    """The reference at the record's own sampling.

    ``sharp_peak_v`` is its peak at its own sampling, where a short kick stands higher; with ``clipped``
    its true peak is unknown, only larger.
    """

    shape: Shape
    course: Course
    on: int
    hum: Hum | None
    sharp_peak_v: float
    clipped: bool = False

    @property
    def onset(self) -> int:
        """Samples from its switch-on to its onset."""
        return self.course.onset_at - self.on

    @property
    def duration(self) -> int:
        """Samples from its switch-on until it has settled."""
        return max(self.course.settled_at - self.on, 1)

    def level_v(self, first: int, last: int) -> float:
        """Its mean between two samples after switch-on; its last value goes on beyond its end."""
        indices = np.clip(np.arange(first, last) + self.on, 0, len(self.course.smooth_v) - 1)
        return float(self.course.smooth_v[indices].mean())


def ready_capture(
    volts: Volts,
    dt_s: float,
    on_s: float,
    on_uncertainty_s: tuple[float, float],
    lowest_v: float | None,
    highest_v: float | None,
    lsb_v: float | None,
) -> Capture:
    """Mark what was captured and not clipped, thin long records, find the mains frequency."""
    volts = np.asarray(volts, dtype=np.float64)
    step_v = courses.step_of(volts) if lsb_v is None else lsb_v
    seen = np.isfinite(volts)
    volts = np.where(seen, volts, 0.0)
    if lowest_v is not None:
        seen &= volts > lowest_v + step_v / 2
    if highest_v is not None:
        seen &= volts < highest_v - step_v / 2
    volts, seen, factor = _thinned(volts, seen)
    dt_s *= factor
    usable = len(volts) >= LEAST_SAMPLES and bool(seen.any())
    hz = mains_frequency(volts, dt_s, seen) if usable else 50.0
    early, late = (math.ceil(u / dt_s - 1e-9) for u in on_uncertainty_s)
    return Capture(volts, dt_s, seen, step_v, round(on_s / dt_s), early, late, hz)


def ready_reference(
    volts: Volts, dt_s: float, on_s: float, wanted_dt_s: float, *, clipped: bool = False
) -> Healthy:
    """The reference without its hum and noise, relative to its own baseline."""
    volts = np.asarray(volts, dtype=np.float64)
    lsb_v = courses.step_of(volts)
    sigma_v = noise_sigma(volts, lsb_v)
    fine_v, fine_dt_s = volts, dt_s
    volts, averaged = resampled(volts, dt_s, wanted_dt_s)
    sigma_v /= math.sqrt(averaged)
    on, lead = round(on_s / wanted_dt_s), round(LEAD_S / wanted_dt_s)
    everything = np.ones(len(volts), bool)
    level = courses.baseline(volts, everything, on - lead)
    first = on - lead
    rough = courses.course_of(volts, wanted_dt_s, first, sigma_v, level)
    hz = mains_frequency(volts, wanted_dt_s, everything)
    hum = courses.hum_after(volts, everything, wanted_dt_s, rough, on, hz, lsb_v)
    if hum is not None and hum.hum.is_there:
        volts = volts - np.where(np.arange(len(volts)) >= on, hum.wave(len(volts), wanted_dt_s), 0.0)
    course = courses.course_of(volts, wanted_dt_s, first, sigma_v, level)
    lead = min(on, lead)
    shape = Shape(course.smooth_v[on - lead :], lead)
    sharp_v = course.peak_v if averaged == 1 else _sharp_peak_v(fine_v - level[0], fine_dt_s, on_s, course)
    return Healthy(shape, course, on, hum.hum if hum is not None else None, sharp_v, clipped)


def _sharp_peak_v(volts: Volts, dt_s: float, on_s: float, course: Course) -> float:
    """The peak before averaging, on the averaged peak's side; at least as large as that."""
    side = math.copysign(1.0, course.peak_v)
    after = volts[max(0, round((on_s - LEAD_S) / dt_s)) :]
    return side * max(float(np.max(side * after)), abs(course.peak_v))


def resampled(volts: Volts, dt_s: float, wanted_s: float) -> tuple[Volts, int]:
    """At the wanted sample distance; averaged first where that is coarser. Also samples per mean.

    Averaging keeps a kick shorter than a sample from being there or not by chance.
    """
    factor = max(1, int(wanted_s / dt_s + 0.25))
    if factor > 1:
        n = len(volts) // factor * factor
        volts, dt_s = volts[:n].reshape(-1, factor).mean(axis=1), dt_s * factor
    times_s = np.arange(0, (len(volts) - 0.5) * dt_s, wanted_s)
    return np.interp(times_s, np.arange(len(volts)) * dt_s, volts), factor


def _thinned(volts: Volts, seen: Mask) -> tuple[Volts, Mask, int]:
    """Long records as means of neighbours: the shapes looked for are much slower than a scope's rate."""
    factor = max(1, math.ceil(len(volts) / MOST_SAMPLES))
    n = len(volts) // factor * factor
    marks: Mask = np.logical_and.reduce(seen[:n].reshape(-1, factor), axis=1)
    return volts[:n].reshape(-1, factor).mean(axis=1), marks, factor
