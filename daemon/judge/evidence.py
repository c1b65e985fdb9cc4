"""What a record says about a switch-on, before any verdict: with a reference, or alone."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from daemon.judge import course as courses
from daemon.judge.bank import bank_of_shapes
from daemon.judge.capture import Capture, Healthy, bridged
from daemon.judge.causes import cause_of
from daemon.judge.course import Course, PlacedHum
from daemon.judge.detector import Search, search
from daemon.judge.hum import Hum, Volts
from daemon.judge.noise import noise_sigma
from daemon.judge.onset import onset_before
from daemon.judge.sizes import Size, beyond_range_v, held_to_peaks, size_of
from daemon.judge.slide import Shape, place_shape
from daemon.judge.trial import Record

LEAST_BEFORE = 50  # samples that tell a drift
DRIFT_SIGMAS = 4.0
POWER_Z = 2.33  # a kick that is there is overlooked once in a hundred
HUM_FLOOR_V = 0.5e-3  # peak; below about -67 dBu nobody calls it a fault. Common practice, no source
UNDITHERED = 0.35  # of a step: scatter of the steps themselves (0.29) and next to no noise
STEPPED_HUM = 2 / math.pi  # of a step: the most that a square wave of one step has at one frequency
HUM_GROWTH = 3.0  # times the reference's hum and the pick-up before switch-on
BEHIND_GAP = 20  # part of the reference's duration: an onset so close behind a gap began in it
OTHER_SHARE = 0.1  # of the reference's peak: less is as good as missing, whatever its course
_RANGE_SIGMAS = 8.0  # what noise alone may span
_BEFORE_S = 0.02  # an onset may be seen so much before the switch-on is


@dataclass(frozen=True, slots=True, eq=False)
class Evidence:
    """Times in seconds after switch-on. ``would_show``: what a kick of a_min would reach, in sigma, worst case.

    ``needed`` is what it has to reach to be found 99 times in 100; ``onset_between_s`` the 95 % interval where
    the shape was found; ``cause`` why a kick would not have been seen; ``lag_s`` how much later than the
    reference; ``late_s`` from where on that is late; None where it needs a reference. ``muted_s``: a relay or mute
    keeps the point quiet so long. ``model_v`` (drift, hum and the fitted shape, shape (n,)) leaves noise of
    ``sigma_v``; ``level_v`` is where the record stood before the switch-on.
    """

    capture: Capture
    course: Course
    found: bool
    onset_s: float | None
    never_settles: bool
    hum: Hum | None
    hum_follows: bool
    steps: tuple[tuple[float, float], ...]
    coverage: float
    needed: float
    would_show: float = 0.0
    size: Size | None = None
    lag_s: float = 0.0
    late_s: float = math.inf
    healthy: Healthy | None = None
    healthy_final_v: float = 0.0
    onset_between_s: tuple[float, float] | None = None
    cause: str = ""
    muted_s: float = 0.0
    model_v: Volts = field(default_factory=lambda: np.zeros(0))
    sigma_v: float = 0.0
    level_v: float = 0.0

    @property
    def silent(self) -> bool:
        """Nothing found, though a kick would have been."""
        return not self.found and self.would_show >= self.needed


def evidence_against(capture: Capture, healthy: Healthy, a_min: float, late_tolerance_s: float) -> Evidence:
    """Hold the record against a healthy reference."""
    latest = capture.latest + round(late_tolerance_s / capture.dt_s)
    found = _search(capture, [healthy.shape], capture.earliest, latest)
    course = _course(capture)
    coverage = _coverage(capture, healthy, np.linspace(capture.earliest, latest, 21).round())
    end = len(capture.volts) - capture.on
    final_samples = max(round(courses.FINAL_S / capture.dt_s), 1)
    healthy_final_v = healthy.level_v(end - final_samples, end)
    limit_v = max(courses.SETTLED_SHARE * abs(healthy.course.peak_v), courses.SETTLED_V)
    judgeable = healthy.duration < end - final_samples
    astray = judgeable and _never_settles(capture, course, healthy_final_v, limit_v, healthy.duration)
    other = found.stands_out and abs(course.peak_v) >= OTHER_SHARE * abs(healthy.course.peak_v)
    something = found.found or other or astray or beyond_range_v(capture, course) > 0
    size = size_of(capture, found, course, healthy, coverage, something)
    lag = _earliest(capture, healthy, found, course, size) - capture.on
    hum, hum_follows = _hum(capture, course, healthy.hum)
    start_seen = capture.on + healthy.onset >= 0
    worst = _worst_detectability(found, capture.earliest, latest) * math.sqrt(healthy.rate_share)
    needed = float(found.thresholds[found.at(capture.on)]) + POWER_Z
    onset_s, between_s = _onset(capture, healthy, found, size, lag) if something else (None, None)
    return Evidence(
        capture,
        course,
        something,
        onset_s,
        astray,
        hum,
        hum_follows,
        courses.later_steps(course, capture.dt_s, capture.on, capture.on + healthy.duration),
        coverage,
        needed,
        worst * a_min,
        size,
        lag * capture.dt_s if start_seen else 0.0,
        late_tolerance_s + capture.late * capture.dt_s,
        healthy,
        healthy_final_v,
        between_s,
        cause_of(capture, healthy, found.sigma_v, needed / a_min, (capture.earliest, latest)),
        model_v=found.drift + found.hum + found.fitted,
        sigma_v=found.sigma_v,
        level_v=courses.baseline(capture.volts, capture.seen, capture.earliest)[0],
    )


def agreed(several: Sequence[Evidence]) -> Evidence:
    """The first one's, but no surer than all are: of one switch-on whose pieces may lie in time in several ways."""
    first, coverage = several[0], min(each.coverage for each in several)
    sizes = [each.size for each in several if each.size is not None]
    size = first.size
    if size is not None and first.healthy is not None and len(several) > 1:
        size = replace(size, low=min(each.low for each in sizes), high=max(each.high for each in sizes))
        size = held_to_peaks(size, first.course, first.healthy, coverage)
    return replace(
        first,
        size=size,
        found=any(each.found for each in several),
        never_settles=all(each.never_settles for each in several),
        hum_follows=all(each.hum_follows for each in several),
        coverage=coverage,
        needed=max(each.needed for each in several),
        would_show=min(each.would_show for each in several),
        lag_s=min(each.lag_s for each in several),
        cause=min(several, key=lambda each: each.coverage).cause,
    )


def _earliest(capture: Capture, healthy: Healthy, found: Search, course: Course, size: Size) -> int:
    """The sample where the reference's switch-on lay; where it began in a gap, the earliest that it can have been."""
    if size.by_shape:
        if capture.seen.all():
            return found.origin
        return min(found.origin, int(found.origins[found.as_good].min()))
    onset = course.onset_at
    behind = capture.seen[: max(onset - max(healthy.duration // BEHIND_GAP, 2), 0)]
    if onset > 0 and not capture.seen[len(behind) : onset].all():
        onset = int(np.flatnonzero(behind)[-1]) + 1 if behind.any() else 0
    return onset - healthy.onset


def _onset(
    capture: Capture, healthy: Healthy, found: Search, size: Size, lag: int
) -> tuple[float, tuple[float, float] | None]:
    """Between the sample that shows it and the one before; with a 95 % interval where the shape was found."""
    at_s = (healthy.onset + lag - 0.5) * capture.dt_s
    if not size.by_shape:
        return at_s, None
    low, high = (capture.dt_s * (healthy.onset + at - capture.on) for at in (found.origin_low, found.origin_high))
    return at_s, (low, high)


def evidence_alone(capture: Capture, relay_delay_s: float) -> Evidence:
    """Look for anything that a switch-on may look like, from the end of the relay's delay on."""
    first = capture.earliest + round(relay_delay_s / capture.dt_s)
    found = _search(capture, bank_of_shapes(capture.dt_s), first, capture.latest)
    course = _course(capture)
    hum, hum_follows = _hum(capture, course, None)
    limit_v = max(courses.SETTLED_SHARE * abs(course.peak_v), courses.SETTLED_V)
    return Evidence(
        capture,
        course,
        found.found,
        _onset_alone(capture, course) if found.found else None,
        _never_settles(capture, course, 0.0, limit_v, 0),
        hum,
        hum_follows,
        courses.later_steps(course, capture.dt_s, capture.on, course.settled_at),
        float(capture.seen[max(first, 0) :].mean()) if first < len(capture.seen) else 0.0,
        found.threshold + POWER_Z,
        muted_s=relay_delay_s,
        model_v=found.drift + found.hum + found.fitted,
        sigma_v=found.sigma_v,
    )


def _onset_alone(capture: Capture, course: Course) -> float:
    """A shape of the bank is like the kick at best; where that began is read off the course itself."""
    start = min(max(capture.earliest, 0), course.peak_at)
    onset = start + onset_before(course.smooth_v[start:], course.peak_at - start, course.sigma_v)
    return (onset - capture.on) * capture.dt_s


def _worst_detectability(found: Search, earliest: int, latest: int) -> float:
    """Over every possible switch-on; 0 where one lies outside of what could be tried."""
    if earliest < found.origins[0] or latest > found.origins[-1]:
        return 0.0
    tried = (found.origins >= earliest) & (found.origins <= latest)
    return float(found.detectability[tried].min())


def _search(capture: Capture, shapes: list[Shape], first: int, last: int) -> Search:
    """``first`` to ``last`` is where the switch-on may be; a kick may come at any time after it."""
    record = Record(capture.volts, capture.dt_s, capture.seen, capture.lsb_v, capture.mains_hz)
    first -= round(_BEFORE_S / capture.dt_s)
    origins: NDArray[np.int64] = np.arange(first, max(len(capture.volts) - 3, first + 1))
    return search(record, shapes, origins, capture.earliest, (first, last))


def _course(capture: Capture) -> Course:
    """The course without the hum that is there for certain: the leads' before, the unit's after."""
    sigma_v = noise_sigma(capture.volts, capture.lsb_v)
    settled = courses.settles_under_hum(capture.volts, capture.dt_s, capture.earliest, sigma_v, capture.mains_hz)
    before, after = _pick_up(capture), _hum_after(capture, settled)
    n, cleaned = len(capture.volts), capture.volts.copy()
    if before is not None and before.hum.is_there:
        end = max(capture.on, 0) if after is not None else n
        cleaned[:end] -= before.wave(end, capture.dt_s)
    if after is not None and after.hum.is_there:
        cleaned[max(capture.on, 0) :] -= after.wave(n, capture.dt_s)[max(capture.on, 0) :]
    cleaned = bridged(cleaned, capture.seen | capture.clipped)
    level = courses.baseline(cleaned, capture.seen, capture.earliest)
    sigma_v = noise_sigma(cleaned, capture.lsb_v)
    return courses.course_of(cleaned, capture.dt_s, capture.earliest, sigma_v, level)


def _hum_after(capture: Capture, settled_at: int) -> PlacedHum | None:
    c = capture
    return courses.hum_after(c.volts, c.seen, c.dt_s, settled_at, c.on, c.mains_hz, c.lsb_v)


def _coverage(capture: Capture, healthy: Healthy, possible: Volts) -> float:
    """Share of the reference's energy, until it settles, that was captured unclipped: the worst onset."""
    event = healthy.shape.volts[: healthy.shape.lead + healthy.duration] ** 2
    whole = float(event.sum())
    if whole == 0:
        return 0.0
    shape = Shape(np.append(event, 0.0), healthy.shape.lead)
    n = len(capture.volts)
    return min(float(place_shape(shape, int(o), n)[capture.seen].sum()) / whole for o in possible)


def _never_settles(
    capture: Capture, course: Course, healthy_final_v: float, limit_v: float, healthy_settled: int
) -> bool:
    """Ends elsewhere than the reference, or is still on the move where the reference rests."""
    unsure_v = 3 * course.final_u_v + capture.lsb_v + _drift_before_v(capture)
    if abs(course.final_v - healthy_final_v) > limit_v + unsure_v:
        return True
    n = len(capture.volts)
    start = max(n - (n - capture.on) // 4, capture.on + healthy_settled)
    period = max(1, round(1 / capture.mains_hz / capture.dt_s))
    tail = course.smooth_v[max(start, 0) :]
    if len(tail) < 4 * period:
        return False
    total = np.cumsum(tail)
    slow = (total[period:] - total[:-period]) / period
    noise_v = _RANGE_SIGMAS * course.sigma_v / math.sqrt(period)
    return float(np.ptp(slow)) > 2 * limit_v + noise_v + capture.lsb_v


def _drift_before_v(capture: Capture) -> float:
    """How far the level would have gone by the end, had it only drifted on as before the switch-on."""
    first, last = courses.longest_run(capture.seen, 0, max(capture.earliest, 0))
    if last - first < LEAST_BEFORE:
        return 0.0
    at = np.arange(first, last) - (first + last - 1) / 2
    power = float(at @ at)
    slope = float(at @ capture.volts[first:last]) / power
    left = capture.volts[first:last] - np.mean(capture.volts[first:last]) - slope * at
    unsure = float(np.std(left)) / math.sqrt(power)
    return abs(slope) * (len(capture.volts) - last) if abs(slope) > DRIFT_SIGMAS * unsure else 0.0


def _hum(capture: Capture, course: Course, usual: Hum | None) -> tuple[Hum | None, bool]:
    """The hum that follows, and whether it is more than the reference has and the leads pick up."""
    after = _hum_after(capture, course.settled_at)
    if after is None:
        return None, False
    before = _pick_up(capture)
    others = usual, before.hum if before else None
    # Without noise to dither it hum of less than a step comes and goes with where the level lies between two.
    stepped = after.hum.sigma_v < UNDITHERED * capture.lsb_v
    least_v = max(HUM_FLOOR_V, STEPPED_HUM * capture.lsb_v) if stepped else HUM_FLOOR_V
    return after.hum, after.hum.exceeds(others, HUM_GROWTH, least_v)


def _pick_up(capture: Capture) -> PlacedHum | None:
    """Hum that was there before the unit was on: the leads', not the unit's."""
    c = capture
    return courses.hum_between(c.volts, c.seen, c.dt_s, (0, max(c.earliest, 0)), c.mains_hz, c.lsb_v)
