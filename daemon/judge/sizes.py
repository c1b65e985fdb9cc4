"""How large a switch-on was against its reference, with a 99 % interval."""

import math
from dataclasses import dataclass, replace
from statistics import NormalDist

import numpy as np

from daemon.judge.capture import Capture, Healthy
from daemon.judge.course import Course
from daemon.judge.detector import Search
from daemon.judge.hum import Volts

Z99 = 2.5758
_DIFFERS_SIGMA = 6.0
_DIFFERS_SHARE = 0.05
ENOUGH_COVERAGE = 0.8
SMALLER_BELOW = 0.7
_AS_GOOD_AS_NOTHING = 0.1
_EDGE_SHARE = 0.01  # of the peak: beyond it the kick is over
_SURELY = 3.0  # standard deviations of noise power


@dataclass(frozen=True, slots=True)
class Size:
    """Ratio to the reference, 1 = equal. ``by_shape``: from the fitted shape, else from the peaks."""

    ratio: float
    low: float
    high: float
    by_shape: bool

    def chance_between(self, low: float, high: float) -> float:
        """Chance that the true ratio lies there, normal distribution (JCGM 106:2012)."""
        sigma = max(self.high - self.low, 1e-12) / (2 * Z99)
        if not math.isfinite(sigma):
            return math.nan
        normal = NormalDist(self.ratio, sigma)
        return normal.cdf(high) - (normal.cdf(low) if math.isfinite(low) else 0.0)


def size_of(
    capture: Capture, found: Search, course: Course, healthy: Healthy, coverage: float, something: bool
) -> Size:
    """By the fitted shape where that is what happened; where another course was seen, by the peaks.

    Where nothing happened (``something`` is False), the size that fits best at the switch-on, with what
    noise leaves open.
    """
    if not something:
        seen = _by_peaks(course, healthy, 0.0, coverage)
        if found.stands_out and coverage >= ENOUGH_COVERAGE and seen.high < _AS_GOOD_AS_NOTHING:
            return seen
        at = found.at(capture.on)
        detectability = float(found.detectability[at])
        if detectability == 0:
            return Size(0.0, -math.inf, math.inf, True)
        ratio = float(found.sizes[at])
        sd = math.hypot(1 / detectability, ratio * healthy.relative_u)
        return Size(ratio, ratio - Z99 * sd, ratio + Z99 * sd, True)
    beyond_v = beyond_range_v(capture, course)
    known = found.found and not beyond_v and not healthy.clipped
    if known and not shape_differs(capture, found, course, healthy):
        size, sd = _by_shape(capture, found)
        half = Z99 * math.hypot(sd, size * healthy.relative_u)
        least, most = _as_good(capture, found, size)
        return Size(size, least - half, most + half, True)
    return _by_peaks(course, healthy, beyond_v, coverage)


def _by_shape(capture: Capture, found: Search) -> tuple[float, float]:
    """Size and one standard uncertainty. What the fit leaves beyond noise says how unlike the shapes are.

    Where that is more than the noise, a plain fit is taken: the whitened one looks at edges, which differ first.
    """
    clean = np.where(capture.seen, capture.volts - found.drift - found.hum, 0.0)
    kick = np.where(capture.seen, found.fitted, 0.0)
    power = float(kick @ kick)
    spread = np.abs(kick) > _EDGE_SHARE * np.abs(kick).max()
    left = (clean - kick)[spread]
    usual = found.sigma_v**2 * (len(left) + _SURELY * math.sqrt(2 * len(left)))
    beyond = math.sqrt(max(float(left @ left) - usual, 0.0) / power) * abs(found.size)
    if beyond < found.sd:
        return abs(found.size), math.hypot(found.sd, beyond)
    return abs(found.size * float(kick @ clean) / power), math.hypot(found.sd, beyond)


def _as_good(capture: Capture, found: Search, size: float) -> tuple[float, float]:
    """Smallest and largest size that fits as well, where the beginning may lie in a gap."""
    if capture.seen.all():
        return size, size
    sizes = np.abs(found.sizes[found.as_good])
    return min(size, float(sizes.min())), max(size, float(sizes.max()))


def _by_peaks(course: Course, healthy: Healthy, beyond_v: float, coverage: float) -> Size:
    peak, u = max(abs(course.peak_v), beyond_v), Z99 * course.peak_u_v
    least = abs(healthy.course.peak_v) - Z99 * healthy.course.peak_u_v
    most = abs(healthy.sharp_peak_v) + Z99 * healthy.course.peak_u_v
    low = 0.0 if healthy.clipped else max(0.0, peak - u) / most
    high = (peak + u) / least if least > 0 else math.inf
    if beyond_v or coverage < ENOUGH_COVERAGE:
        high = math.inf  # what was not seen may have been the larger part
    return Size(peak / abs(healthy.sharp_peak_v) if most else math.inf, low, high, False)


def held_to_peaks(size: Size, course: Course, healthy: Healthy, coverage: float) -> Size:
    """What pieces that are loosely dated say of a size: the fit alone carries it no further than what was seen.

    A tail fits a large kick and a small one as well, and a second hump fits as the first: so nothing is small
    whose largest part may lie in a gap, and nothing larger than the largest that was seen.
    """
    if not size.by_shape or coverage >= ENOUGH_COVERAGE:
        return size
    seen = _by_peaks(course, healthy, 0.0, coverage)
    return replace(size, low=min(size.low, seen.low), high=size.high if seen.low > SMALLER_BELOW else math.inf)


def beyond_range_v(capture: Capture, course: Course) -> float:
    """How far a clipped excursion after switch-on went at least, volts; 0 where there was none."""
    after = max(capture.earliest, 0)
    clipped = capture.clipped[after:]
    reached = np.abs(course.smooth_v[after:][clipped])
    largest = float(reached.max()) if len(reached) else 0.0
    return largest if largest > _DIFFERS_SIGMA * course.sigma_v else 0.0


def shape_differs(capture: Capture, found: Search, course: Course, healthy: Healthy) -> bool:
    """True where what the fit leaves is more than noise and more than a twentieth of the kick."""
    if abs(healthy.sharp_peak_v) > 1.05 * abs(healthy.course.peak_v):
        return True  # shorter than a sample: the fit depends on where the samples happened to fall
    width = max(3, healthy.duration // 50)
    left = np.where(capture.seen, capture.volts - found.drift - found.hum - found.fitted, 0.0)
    left = left[max(capture.earliest, 0) :]
    if len(left) < width:
        return False
    worst = float(np.abs(_means(left, width)).max())
    noise = _DIFFERS_SIGMA * course.sigma_v / math.sqrt(width)
    return worst > max(noise, _DIFFERS_SHARE * abs(found.size * healthy.course.peak_v))


def _means(volts: Volts, width: int) -> Volts:
    total = np.concatenate([[0.0], np.cumsum(volts)])
    means: Volts = (total[width:] - total[:-width]) / width
    return means
