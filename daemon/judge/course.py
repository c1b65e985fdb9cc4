"""The course of a switch-on: baseline, smooth course, peak, onset, final value, later steps.

Volts have shape (n,), times are seconds, ``on`` is the sample at which the unit was switched on.
"""

import math
from dataclasses import dataclass

import numpy as np

from daemon.judge.hum import Hum, Mask, Volts, fit_hum, moving_mean

WIDTHS = (1, 3, 9, 27, 81)
KAPPA = 3.5  # sigma by which a wider mean may differ from a narrower one
SETTLED_SHARE = 0.02  # of the peak; or 20 mV: when an output counts as settled (common practice, no source)
SETTLED_V = 0.02
ONSET_SHARE = 0.05
FINAL_S = 0.2
_STEP_S = 0.05
LEAST_PERIODS = 2


@dataclass(frozen=True, slots=True, eq=False)
class Course:
    """What the output did, hum taken off and smoothed as far as the noise permits.

    ``smooth_v`` is relative to the baseline; ``peak_v`` has its sign, ``peak_u_v`` one standard
    uncertainty; ``peak_at`` and ``onset_at`` are samples; ``settled_at`` the sample from which it stays.
    """

    smooth_v: Volts
    sigma_v: float
    peak_v: float
    peak_u_v: float
    peak_at: int
    onset_at: int
    settled_at: int
    final_v: float
    final_u_v: float


def step_of(volts: Volts) -> float:
    """The converter's step as the values show it, 0 where they are not stepped."""
    levels = np.unique(volts[np.isfinite(volts)])
    if len(levels) < 2 or len(levels) > 1024 or len(levels) * 4 > len(volts):
        return 0.0
    return float(np.diff(levels).min())


def baseline(volts: Volts, seen: Mask, before: int) -> tuple[float, float]:
    """Level before the switch-on and its uncertainty; 0 where the record has no such stretch."""
    quiet = volts[: max(before, 0)][seen[: max(before, 0)]]
    if len(quiet) < 20:
        return 0.0, 0.0
    return float(np.median(quiet)), 1.25 * float(np.std(quiet)) / math.sqrt(len(quiet))


def smooth(volts: Volts, sigma_v: float) -> tuple[Volts, Volts]:
    """Each sample averaged as widely as nothing is lost (Lepski's rule); also the widths used, shape (n,)."""
    widths = [w for w in WIDTHS if w * 8 <= len(volts)]
    means: list[Volts] = []
    result, used = volts.copy(), np.ones(len(volts))
    agrees = np.ones(len(volts), bool)
    for width in widths:
        mean = moving_mean(volts, width)
        for narrower, narrow_mean in zip(widths, means, strict=False):
            agrees &= np.abs(mean - narrow_mean) <= KAPPA * sigma_v / math.sqrt(narrower)
        result[agrees], used[agrees] = mean[agrees], width
        means.append(mean)
    return result, used


def course_of(volts: Volts, dt_s: float, first: int, sigma_v: float, level: tuple[float, float]) -> Course:
    """The course of hum-free ``volts`` from sample ``first`` on, relative to the baseline ``level``."""
    smooth_v, widths = smooth(volts - level[0], sigma_v)
    first = min(max(first, 0), len(volts) - 1)
    event = smooth_v[first:]
    peak_at = first + int(np.argmax(np.abs(event)))
    peak_v = float(smooth_v[peak_at])
    tail = smooth_v[-max(2, round(FINAL_S / dt_s)) :] if len(event) * dt_s > 2 * FINAL_S else event[-2:]
    final_v = float(np.mean(tail))
    limit = max(SETTLED_SHARE * abs(peak_v), SETTLED_V, 3 * sigma_v)
    away = np.nonzero(np.abs(event - final_v) > limit)[0]
    risen = np.abs(event) > np.maximum(ONSET_SHARE * abs(peak_v), 5 * sigma_v / np.sqrt(widths[first:]))
    return Course(
        smooth_v,
        sigma_v,
        peak_v,
        math.hypot(sigma_v / math.sqrt(float(widths[peak_at])), level[1]),
        peak_at,
        first + int(np.argmax(risen)),
        first + (int(away[-1]) + 1 if len(away) else 0),
        final_v,
        math.hypot(sigma_v / math.sqrt(len(tail)), level[1]),
    )


def settles_under_hum(volts: Volts, dt_s: float, first: int, sigma_v: float, mains_hz: float) -> int:
    """The sample from which the output stays, whatever hum it has: means over one period of the mains."""
    period = min(max(1, round(1 / mains_hz / dt_s)), len(volts) // 2) | 1
    first = min(max(first, 0), len(volts) - 1)
    event = moving_mean(volts, period)[first:]
    final_v = float(np.mean(event[-max(2, round(FINAL_S / dt_s)) :]))
    limit = max(SETTLED_SHARE * float(np.abs(event).max()), SETTLED_V, 3 * sigma_v / math.sqrt(period))
    away = np.flatnonzero(np.abs(event - final_v) > limit)
    return first + (int(away[-1]) + 1 if len(away) else 0)


@dataclass(frozen=True, slots=True, eq=False)
class PlacedHum:
    """Hum of a stretch, fitted from sample ``start`` on."""

    start: int
    hum: Hum

    def wave(self, n: int, dt_s: float) -> Volts:
        """The hum over a whole record of n samples."""
        return self.hum.wave((np.arange(n, dtype=np.float64) - self.start) * dt_s)


def hum_between(
    volts: Volts, seen: Mask, dt_s: float, ends: tuple[int, int], mains_hz: float, lsb_v: float
) -> PlacedHum | None:
    """Hum of the longest whole stretch between two samples; None where it has too few periods."""
    first, last = longest_run(seen, *ends)
    if (last - first) * dt_s * mains_hz < LEAST_PERIODS:
        return None
    hum = fit_hum(volts[first:last], dt_s, mains_hz=mains_hz, least_sigma_v=lsb_v / math.sqrt(12))
    return PlacedHum(first, hum)


def hum_after(
    volts: Volts, seen: Mask, dt_s: float, settled_at: int, on: int, mains_hz: float, lsb_v: float
) -> PlacedHum | None:
    """Hum from where the output has settled, at least over the last quarter and 0.2 s; None if too short."""
    n = len(volts)
    latest = n - max((n - max(on, 0)) // 4, round(FINAL_S / dt_s))
    start = max(min(settled_at + round(_STEP_S / dt_s), latest), on, 0)
    return hum_between(volts, seen, dt_s, (start, n), mains_hz, lsb_v)


def longest_run(seen: Mask, first: int, last: int) -> tuple[int, int]:
    """The longest stretch between two samples in which all were seen."""
    within = np.concatenate([[False], seen[first:last], [False]])
    turns = np.flatnonzero(within[1:] != within[:-1])
    if not len(turns):
        return first, first
    lengths = turns[1::2] - turns[::2]
    best = int(np.argmax(lengths))
    return first + int(turns[2 * best]), first + int(turns[2 * best + 1])


def later_steps(course: Course, dt_s: float, on: int, settled: int) -> tuple[tuple[float, float], ...]:
    """Steps after the output had settled (a relay or mute that opens): seconds after switch-on, volts.

    ``settled`` is the sample from which the reference rests, or ``on`` where there is none.
    """
    raw = course.smooth_v
    width = max(4, round(_STEP_S / dt_s))
    start = max(settled, on) + 2 * width
    if start + 2 * width >= len(raw):
        return ()
    total = np.concatenate([[0.0], np.cumsum(raw)])
    mean = (total[width:] - total[:-width]) / width
    jump = mean[width:] - mean[:-width]  # jump[i]: around sample i + width
    limit = max(8 * course.sigma_v / math.sqrt(width), SETTLED_V, SETTLED_SHARE * abs(course.peak_v))
    found: list[tuple[float, float]] = []
    at = start - width
    while len(above := np.nonzero(np.abs(jump[at:]) > limit)[0]):
        at += int(above[0])
        top = at + int(np.argmax(np.abs(jump[at : at + 2 * width])))
        if _is_abrupt(jump, top, 2 * width):
            found.append(((top + width - on) * dt_s, _between_states(mean, top + width, width)))
        at = top + 2 * width
    return tuple(found)


def _between_states(mean: Volts, middle: int, width: int) -> float:
    """From the level before to the level after, half a width away from the middle: a transition takes its time."""
    before, after = middle - width - width // 2, middle + width // 2
    return float(mean[min(after, len(mean) - 1)] - mean[max(before, 0)])


def _is_abrupt(jump: Volts, top: int, away: int) -> bool:
    """True where the level rests on both sides; a slope goes on moving there."""
    sides = [jump[i] for i in (top - away, top + away) if 0 <= i < len(jump)]
    return all(abs(side) < abs(jump[top]) / 3 for side in sides)
