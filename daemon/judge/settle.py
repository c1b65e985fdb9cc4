"""When does a hand-held probe rest on something, and what does it read there?

Settled: the last W = 5 readings (and at least 1 s) are valid, lie within q sigma + tol of one another
(q: studentised range, 99 %) and do not drift; sigma comes from the differences of neighbours. Two ways of
being fooled are guarded against: an exponential that still has far to go, and a lull of an open lead.
Time is passed in; one detector a series.
"""

import math
from collections import deque
from dataclasses import dataclass
from statistics import fmean

from daemon.judge.open_lead import OpenLead
from daemon.judge.window import Sample, scatter, still_settling, window_is_still
from drivers.readings import Flag, Quantity

W = 5
LEAST_SPAN_US = 1_000_000
HISTORY_US = 12_000_000
LONGEST_GAP_US = 5_000_000
MOVED_SIGMAS = 6.0
MOVED_COUNTS = 2.0
TOLERANCE = 0.001
RIPPLE_TOLERANCE = 0.02
_WIDEST = 40


@dataclass(frozen=True, slots=True)
class Settled:
    """The probe rests: told when it begins to and again, refined, at every further reading.

    ``from_us`` is the landing; ``value`` and ``uncertainty`` (type A with resolution, one standard
    uncertainty) are in the series' unit and NaN with ``overload``; ``count`` readings are in the mean.
    """

    from_us: int
    value: float
    uncertainty: float
    count: int
    overload: bool = False


@dataclass(frozen=True, slots=True)
class Lifted:
    """The probe has left; ``at_us`` is just after the last reading that was still good."""

    at_us: int


Happening = Settled | Lifted


class _Stay:
    """Running mean of a stay (Welford), and what counts as having moved away from it."""

    def __init__(self, from_us: int, samples: list[Sample]) -> None:
        self.from_us = from_us
        self.count, self.mean, self._squares = 0, 0.0, 0.0
        self.last_us = from_us
        self.strikes: list[Sample] = []
        for sample in samples:
            self.add(sample)

    def add(self, sample: Sample) -> None:
        self.count += 1
        step = sample.value - self.mean
        self.mean += step / self.count
        self._squares += step * (sample.value - self.mean)
        self.resolution = sample.resolution
        self.last_us = sample.t_us
        self.strikes.clear()

    def _sd(self) -> float:
        return math.sqrt(self._squares / (self.count - 1)) if self.count > 1 else 0.0

    def is_beyond(self, sample: Sample, tolerance: float) -> bool:
        # What differs by less than the tolerance of settling cannot count as moved.
        sigma = max(self._sd(), sample.resolution / math.sqrt(12), tolerance / MOVED_SIGMAS)
        return abs(sample.value - self.mean) > MOVED_SIGMAS * sigma + MOVED_COUNTS * sample.resolution

    def settled(self) -> Settled:
        u = math.sqrt(self._sd() ** 2 / self.count + self.resolution**2 / 12)
        return Settled(self.from_us, self.mean, u, self.count)


class StayDetector:
    """Feed it every reading of one series; it says when the probe has settled and when it has lifted.

    ``quantity_needs_dead``: ohms and its kin, where steady overload is a reading (open) and settles too.
    ``tolerance`` is relative, ``tolerance_counts`` in resolutions.
    """

    def __init__(
        self,
        quantity_needs_dead: bool = False,
        *,
        tolerance: float = TOLERANCE,
        tolerance_counts: float = 1.0,
    ) -> None:
        self._overload_settles = quantity_needs_dead
        self._tolerance, self._counts = tolerance, tolerance_counts
        self._open_lead = OpenLead()
        self._recent: deque[Sample] = deque()
        self._stay: _Stay | None = None
        self._overloads: list[int] = []  # time of the first, time of the last, count
        self._left_value: float | None = None
        self._finest = math.inf
        self._last_us: int | None = None
        self._looks_landed = False

    @classmethod
    def of(cls, quantity: Quantity) -> "StayDetector":
        """The detector that suits a quantity: peak to peak scatters more than a mean does."""
        if quantity is Quantity.RIPPLE:
            return cls(tolerance=RIPPLE_TOLERANCE, tolerance_counts=3.0)
        return cls(quantity.needs_dead_unit)

    @property
    def state(self) -> str:
        """``floating``, ``settling`` or ``settled``."""
        if self._stay is not None or self._overload_is_settled():
            return "settled"
        return "settling" if self._looks_landed else "floating"

    def reset(self, *, after_lift: bool = False) -> None:
        """Begin a new stay: the tags changed. Old readings are not used again.

        With ``after_lift`` what the probe rests on now is not believed again until it has left it.
        """
        self._left_value = self._stay.mean if after_lift and self._stay is not None else None
        self._stay = None
        self._recent.clear()
        self._overloads.clear()

    def feed(self, t_us: int, value: float, flags: Flag, resolution: float | None) -> list[Happening]:
        """Take in one reading. Returns at most one ``Lifted`` and then at most one ``Settled``."""
        happened: list[Happening] = []
        if self._last_us is not None and t_us - self._last_us > LONGEST_GAP_US:
            happened += self._lift()
        self._last_us = t_us
        if flags & Flag.OVERLOAD:
            return happened + self._feed_overload(t_us)
        if not math.isfinite(value) or flags & Flag.NOT_A_NUMBER:
            return happened + self._lift()
        happened += self._lift_overload()
        sample = Sample(t_us, value, self._resolution(value, resolution))
        if self._stay is not None:
            return happened + self._feed_stay(self._stay, sample, bool(flags & Flag.CHANGING))
        if flags & Flag.CHANGING:
            self._recent.clear()
            return happened
        return happened + self._feed_unsettled(sample)

    def _resolution(self, value: float, resolution: float | None) -> float:
        """A silent instrument's resolution is the smallest step it has been seen to make."""
        if resolution:
            return resolution
        last = self._recent[-1].value if self._recent else value
        if value != last:
            self._finest = min(self._finest, abs(value - last))
        return self._finest if self._finest < math.inf else 0.0

    def _tol(self, sample: Sample) -> float:
        return self._tolerance * abs(sample.value) + self._counts * sample.resolution

    def _feed_stay(self, stay: _Stay, sample: Sample, changing: bool) -> list[Happening]:
        if not changing and not stay.is_beyond(sample, self._tol(sample)):
            stay.add(sample)
            return [stay.settled()]
        stay.strikes.append(sample)
        if len(stay.strikes) < 2:
            return []
        away = [] if changing else list(stay.strikes)
        lifted = self._lift()
        for strike in away:
            self._feed_unsettled(strike)
        return lifted

    def _feed_unsettled(self, sample: Sample) -> list[Happening]:
        if self._left_value is not None:
            if abs(sample.value - self._left_value) <= 2 * self._tol(sample) + MOVED_COUNTS * sample.resolution:
                return []
            self._left_value = None
        self._remember(sample)
        count = self._window_count()
        before = list(self._recent)[:-count] if count else list(self._recent)[:-1]
        tolerance = self._tol(sample)
        self._looks_landed = not self._open_lead.holds(sample.value, tolerance, before)
        if not count:
            return []
        window = list(self._recent)[-count:]
        if not window_is_still(window, tolerance) or still_settling(before, window, tolerance):
            return []
        before, window = _widen(before, window, tolerance)
        if self._open_lead.explains(window, tolerance, before):
            return []
        return self._settle(before, window, tolerance)

    def _remember(self, sample: Sample) -> None:
        if self._recent and not 0.5 < (sample.resolution or 1) / (self._recent[-1].resolution or 1) < 2:
            self._forget(len(self._recent))  # another range: its readings do not mix
        self._recent.append(sample)
        while self._recent[0].t_us < sample.t_us - HISTORY_US:
            self._forget(1)

    def _forget(self, count: int) -> None:
        self._open_lead.add([self._recent.popleft().value for _ in range(count)])

    def _window_count(self) -> int:
        """How many of the newest readings make a window of W and 1 s at least; 0 while there are too few."""
        newest = self._recent[-1].t_us
        for count, sample in enumerate(reversed(self._recent), 1):
            if count >= W and newest - sample.t_us >= LEAST_SPAN_US:
                return count
        return 0

    def _settle(self, before: list[Sample], window: list[Sample], tolerance: float) -> list[Happening]:
        approach = self._approach(before, window, tolerance)
        floating = before[: len(before) - len(approach)]
        self._open_lead.add([sample.value for sample in floating])
        self._recent.clear()
        self._stay = _Stay((approach or window)[0].t_us, window)
        return [self._stay.settled()]

    def _approach(self, before: list[Sample], window: list[Sample], tolerance: float) -> list[Sample]:
        """The readings just before the window that came nearer and nearer to it, from one side."""
        value = fmean(sample.value for sample in window)
        noise = 3 * scatter([s.value for s in window], window[-1].resolution, tolerance)
        floating = before[: len(before) // 2]  # the older half: an approach must not pass for open lead
        level = self._open_lead.band(floating)[0]
        first, farthest = len(before), 0.0
        for sample in reversed(before):
            away = sample.value - value
            near_open_lead = abs(sample.value - level) <= 0.1 * abs(value - level)
            if near_open_lead or self._open_lead.holds(sample.value, tolerance, floating):
                break
            turned = abs(away) > noise and away * farthest < 0 and abs(farthest) > noise
            if turned or abs(away) < abs(farthest) - noise:
                break
            farthest, first = max(away, farthest, key=abs), first - 1
        return before[first:]

    def _feed_overload(self, t_us: int) -> list[Happening]:
        happened = self._lift()
        if not self._overload_settles:
            return happened
        self._overloads = [self._overloads[0] if self._overloads else t_us, t_us, self._overload_count() + 1]
        if self._overload_is_settled():
            settled = Settled(self._overloads[0], math.nan, math.nan, self._overload_count(), overload=True)
            happened.append(settled)
        return happened

    def _overload_count(self) -> int:
        return self._overloads[2] if self._overloads else 0

    def _overload_is_settled(self) -> bool:
        if self._overload_count() < W:
            return False
        return self._overloads[1] - self._overloads[0] >= LEAST_SPAN_US

    def _lift_overload(self) -> list[Happening]:
        was_settled, run = self._overload_is_settled(), self._overloads
        self._overloads = []
        return [Lifted(run[1] + 1)] if was_settled else []

    def _lift(self) -> list[Happening]:
        """End what there is; the broken-off readings become knowledge of the open lead."""
        stay, self._stay = self._stay, None
        self._left_value = None
        self._looks_landed = False
        self._forget(len(self._recent))
        return [Lifted(stay.last_us + 1)] if stay is not None else []


def _widen(
    before: list[Sample], window: list[Sample], tolerance: float
) -> tuple[list[Sample], list[Sample]]:
    """Take earlier readings into the window while it stays still: the longer, the less a lull explains it."""
    while before and len(window) < _WIDEST and window_is_still([before[-1], *window], tolerance):
        before, window = before[:-1], [before[-1], *window]
    return before, window
