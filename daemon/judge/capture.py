"""A captured record made ready to be judged, and a reference brought to its sampling."""

import math
from dataclasses import dataclass

import numpy as np

from daemon.judge import course as courses
from daemon.judge.course import Course
from daemon.judge.hum import Hum, Mask, Volts, mains_frequency
from daemon.judge.noise import noise_sigma
from daemon.judge.sampling import coupled, rate_share, relative_u
from daemon.judge.slide import Shape

MOST_SAMPLES = 12_000
LEAST_SAMPLES = 50
LEAD_S = 0.25  # of the reference kept before its switch-on, whose time is only known so well


@dataclass(frozen=True, slots=True, eq=False)
class Capture:
    """``on`` is the sample of the switch-on; it may lie ``early`` samples before or ``late`` after.

    ``seen`` marks what was captured and not clipped, ``clipped`` what was captured at an end of the range;
    ``own_dt_s`` is the scope's own sample distance, ``dt_s`` that of the means that are judged.
    """

    volts: Volts
    dt_s: float
    seen: Mask
    lsb_v: float
    on: int
    early: int
    late: int
    mains_hz: float
    clipped: Mask
    own_dt_s: float

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
        enough = len(self.volts) >= LEAST_SAMPLES and bool(self.seen.any())
        return enough and not self.ends_before and not self.begins_long_after

    @property
    def ends_before(self) -> bool:
        """The record is over before the first moment that may be the switch-on."""
        return self.earliest >= len(self.volts)

    @property
    def begins_long_after(self) -> bool:
        """The record begins when nothing that a switch-on makes can be told from a level any more."""
        return self.latest < -MOST_SAMPLES


@dataclass(frozen=True, slots=True, eq=False)
class Healthy:
    """The reference at the record's own sampling.

    ``sharp_peak_v`` is its peak at its own sampling, where a short kick stands higher; with ``clipped``
    its true peak is unknown, only larger. ``relative_u`` is one standard uncertainty of its size, from its own
    noise and from where its samples fell. ``rate_share`` is what of its energy the record's sampling keeps
    however the samples fall, ``coupling_share`` what an AC-coupled input lets through.
    """

    shape: Shape
    course: Course
    on: int
    hum: Hum | None
    sharp_peak_v: float
    clipped: bool = False
    relative_u: float = 0.0
    rate_share: float = 1.0
    coupling_share: float = 1.0

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
    volts, captured, clipped, factor = _thinned(volts, *_inner_ends(lowest_v, highest_v, step_v))
    seen, own_dt_s = captured & ~clipped, dt_s
    dt_s *= factor
    usable = len(volts) >= LEAST_SAMPLES and bool(seen.any())
    hz = mains_frequency(volts, dt_s, seen) if usable else 50.0
    early, late = (math.ceil(u / dt_s - 1e-9) for u in on_uncertainty_s)
    return Capture(volts, dt_s, seen, step_v, round(on_s / dt_s), early, late, hz, clipped, own_dt_s)


def ready_reference(
    volts: Volts,
    dt_s: float,
    on_s: float,
    wanted_dt_s: float,
    *,
    clipped: bool = False,
    own_dt_s: float | None = None,
    coupled_hz: float | None = None,
) -> Healthy:
    """The reference without its hum and noise, relative to its own baseline.

    ``own_dt_s`` is how the record it is for was sampled, ``coupled_hz`` the corner of that record's AC coupling.
    """
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
    hz = mains_frequency(volts, wanted_dt_s, everything)
    settled = courses.settles_under_hum(volts - level[0], wanted_dt_s, first, sigma_v, hz)
    hum = courses.hum_after(volts, everything, wanted_dt_s, settled, on, hz, lsb_v)
    if hum is not None and hum.hum.is_there:
        volts = volts - np.where(np.arange(len(volts)) >= on, hum.wave(len(volts), wanted_dt_s), 0.0)
    course = courses.course_of(volts, wanted_dt_s, first, sigma_v, level)
    lead = min(on, lead)
    shape = Shape(course.smooth_v[on - lead :], lead)
    sharp_v = course.peak_v if averaged == 1 else _sharp_peak_v(fine_v - level[0], fine_dt_s, on_s, course)
    rate = rate_share(fine_v - level[0], fine_dt_s, own_dt_s or wanted_dt_s)
    unsure = relative_u(shape, sigma_v)
    passed, through = coupled(shape, coupled_hz, wanted_dt_s)
    hum_then = hum.hum if hum is not None else None
    return Healthy(passed, course, on, hum_then, sharp_v, clipped, unsure, rate, through)


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


def _inner_ends(lowest_v: float | None, highest_v: float | None, step_v: float) -> tuple[float, float]:
    """The volts at and beyond which a sample counts as clipped."""
    low = -math.inf if lowest_v is None else lowest_v + step_v / 2
    return low, math.inf if highest_v is None else highest_v - step_v / 2


def _thinned(volts: Volts, low_v: float, high_v: float) -> tuple[Volts, Mask, Mask, int]:
    """Long records as means of neighbours: volts, captured, clipped, and samples to a mean."""
    factor = max(1, math.ceil(len(volts) / MOST_SAMPLES))
    blocks = volts[: len(volts) // factor * factor].reshape(-1, factor)
    means = blocks.mean(axis=1) if factor > 1 else volts
    captured = np.isfinite(means)  # a mean over a gap is none
    lowest, highest = (blocks.min(axis=1), blocks.max(axis=1)) if factor > 1 else (volts, volts)
    clipped = captured & ((lowest <= low_v) | (highest >= high_v))
    return bridged(means, captured), captured, clipped, factor


def bridged(volts: Volts, captured: Mask) -> Volts:
    """Gaps as straight lines: they count nowhere, and a course must not fall into a hole there."""
    if captured.all() or not captured.any():
        return np.where(captured, volts, 0.0)
    at = np.arange(len(volts))
    return np.where(captured, volts, np.interp(at, at[captured], volts[captured]))
