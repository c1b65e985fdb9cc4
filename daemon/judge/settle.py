"""When does a hand-held probe rest on something, and what does it read there?

Settled: the last W = 5 readings (and as many as cover 1 s) are valid, lie within q sigma + tol of one another
(q: studentised range, 99 %) and do not drift; sigma comes from the differences of neighbours. Two ways of
being fooled are guarded against: an exponential that still has far to go, and a lull of an open lead.
A probe that is off its point for a moment (it lifts, slips, scratches, the meter changes its range) and
comes back to the same value has not left. Time is passed in; one detector a series.
"""

import math
from collections import deque
from dataclasses import dataclass
from statistics import fmean

from daemon.judge.approach import goes_one_way, one_way, still_settling
from daemon.judge.open_lead import OpenLead
from daemon.judge.resting import MOVED_COUNTS, Resting
from daemon.judge.window import Sample, grain_of, wider_and_wider, window_is_still
from drivers.readings import Flag, Quantity

W = 5
LEAST_COVERED_US = 990_000  # a second, but for the jitter of the polls
HISTORY_US = 12_000_000
LONGEST_GAP_US = 5_000_000
# Off the point for no longer than this, and back at the same value: it was one stay. A reading on its way back,
# or one without a value (a change of range), is waited for longer.
MOMENT_US, COMING_BACK_US = 500_000, 1_200_000
NEARER = 0.8
BACK_US = 80_000  # a tenth of a second, but for the jitter of the polls
COUNTS_GRANTED, LIVELIER = 2.0, 10.0
TOLERANCE = 0.001
RIPPLE_TOLERANCE = 0.02
UNSTATED_COUNTS, UNSTATED_STEP = 10_000, 1e-3  # common practice, no source


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


@dataclass(frozen=True, slots=True)
class _Shown:
    """One reading as it came; ``resolution`` is known or guessed."""

    t_us: int
    value: float
    flags: Flag
    resolution: float

    @property
    def sample(self) -> Sample | None:
        """The reading where it has a value that can be believed."""
        if self.flags & (Flag.OVERLOAD | Flag.NOT_A_NUMBER | Flag.CHANGING) or not math.isfinite(self.value):
            return None
        return Sample(self.t_us, self.value, self.resolution)


class StayDetector:
    """Feed it every reading of one series; it says when the probe has settled and when it has lifted.

    ``quantity_needs_dead``: ohms and its kin, where steady overload is a reading (open) and settles too.
    ``tolerance`` is relative, ``tolerance_counts`` in resolutions; ``open_lead`` is what is known of it already.
    """

    def __init__(
        self,
        quantity_needs_dead: bool = False,
        *,
        tolerance: float = TOLERANCE,
        tolerance_counts: float = 1.0,
        open_lead: OpenLead | None = None,
    ) -> None:
        self._overload_settles = quantity_needs_dead
        self._tolerance, self._counts = tolerance, tolerance_counts
        self.open_lead = open_lead or OpenLead()
        self._recent: deque[Sample] = deque()
        self._stay: Resting | None = None
        self._away: list[_Shown] = []  # readings that are none of the stay, and may be the end of it
        self._blanks: deque[int] = deque(maxlen=2)  # times of readings in a row without a value
        self._overloads: list[int] = []  # time of the first, time of the last, count
        self._left_value: float | None = None
        self._left_us: int | None = None  # when the last stay was left
        self._largest = 0.0
        self._last_us: int | None = None
        self._looks_landed = False

    @classmethod
    def of(cls, quantity: Quantity, open_lead: OpenLead | None = None) -> "StayDetector":
        """The detector that suits a quantity: peak to peak scatters more than a mean does."""
        if quantity is Quantity.RIPPLE:
            return cls(tolerance=RIPPLE_TOLERANCE, tolerance_counts=3.0, open_lead=open_lead)
        return cls(quantity.needs_dead_unit, open_lead=open_lead)

    @property
    def state(self) -> str:
        """``floating``, ``settling`` or ``settled``."""
        if self._stay is not None or self._overload_is_settled():
            return "settled"
        return "settling" if self._looks_landed else "floating"

    @property
    def rested_until_us(self) -> int | None:
        """The last reading that is sure to be of the stay under way; None where there is none."""
        if self._stay is not None:
            return self._stay.last_us
        return self._overloads[1] if self._overload_is_settled() else None

    def reset(self, *, after_lift: bool = False) -> None:
        """Begin a new stay: the tags changed. Old readings are used again only where they show how the lead wanders.

        With ``after_lift`` what the probe rests on now is not believed again until it has left it.
        """
        self._left_value = self._stay.mean if after_lift and self._stay is not None else None
        self._stay = None
        self._away.clear()
        self._drop()
        self._overloads.clear()

    def _drop(self) -> None:
        """Old readings are none of what comes; those of a lead that wanders become knowledge of it."""
        if self._wanders():
            self._forget(len(self._recent))
        self._recent.clear()

    def _wanders(self) -> bool:
        """True where the newest readings are livelier by far than any rest, and on their way to none."""
        if not self._recent or not self.open_lead.knows(list(self._recent)) or goes_one_way(self._recent):
            return False
        step = OpenLead().band(list(self._recent))[2]
        return step >= LIVELIER * COUNTS_GRANTED * self._recent[-1].resolution

    def let_go(self) -> list[Happening]:
        """Wait no longer for a probe that is off its point to come back: what happens now is something else."""
        return self._leave() if len(self._away) > 1 else []

    def feed(self, t_us: int, value: float, flags: Flag, resolution: float | None) -> list[Happening]:
        """Take in one reading. Returns at most one ``Lifted`` and then at most one ``Settled``."""
        happened: list[Happening] = []
        if self._last_us is not None and t_us - self._last_us > LONGEST_GAP_US:
            happened += self._leave()
        self._last_us = t_us
        shown = _Shown(t_us, value, flags, self._resolution(value, resolution))
        if self._stay is None:
            return happened + self._look_for_a_stay(shown)
        return happened + self._go_on(self._stay, shown)

    def _resolution(self, value: float, resolution: float | None) -> float:
        """A silent instrument is taken to have 10,000 counts, and steps of a millivolt at most."""
        if math.isfinite(value):
            self._largest = max(self._largest, abs(value))
        return resolution or min(UNSTATED_STEP, self._largest / UNSTATED_COUNTS)

    def _tol(self, sample: Sample) -> float:
        return self._tolerance * abs(sample.value) + self._counts * sample.resolution

    # ---- a stay goes on

    def _go_on(self, stay: Resting, shown: _Shown) -> list[Happening]:
        if self._is_of(stay, shown):
            back = [shown] if len(self._away) < 2 else self._back_for_good(stay, shown)
            if back:
                self._away.clear()
                for each in back:
                    stay.add(Sample(each.t_us, each.value, each.resolution))
                return [Settled(stay.from_us, stay.mean, stay.uncertainty, stay.count)]
        self._away.append(shown)
        patience_us, patience = (COMING_BACK_US, 3) if self._is_coming_back(stay) else (MOMENT_US, 1)
        if len(self._away) <= patience or shown.t_us - stay.last_us <= patience_us:
            return []
        return self._leave()

    def _is_coming_back(self, stay: Resting) -> bool:
        before, now = (shown.sample for shown in [*self._away[:1], *self._away][-2:])
        if before is None or now is None or self._is_of(stay, self._away[-1]):
            return True
        return abs(now.value - stay.mean) <= NEARER * abs(before.value - stay.mean)

    def _is_of(self, stay: Resting, shown: _Shown) -> bool:
        sample = shown.sample
        return sample is not None and not stay.is_beyond(sample, self._tol(sample))

    def _back_for_good(self, stay: Resting, shown: _Shown) -> list[_Shown]:
        """One reading at the old value may be chance on a lead that wanders: two and a tenth of a second are not."""
        back = [shown]
        for before in reversed(self._away):
            if not self._is_of(stay, before):
                break
            back.insert(0, before)
        return back if len(back) > 1 and shown.t_us - back[0].t_us >= BACK_US else []

    def _leave(self) -> list[Happening]:
        """The stay is over; what was read since then is looked at afresh."""
        away = list(self._away)
        happened = self._lift()
        for shown in away:
            happened += self._look_for_a_stay(shown)
        return happened

    # ---- no stay yet

    def _look_for_a_stay(self, shown: _Shown) -> list[Happening]:
        if self._overload_settles and shown.flags & Flag.OVERLOAD:
            return self._feed_overload(shown.t_us)
        sample, happened = shown.sample, self._lift_overload()
        if sample is not None:
            self._blanks.clear()
            return happened + self._feed_unsettled(sample)
        if shown.flags & Flag.CHANGING:
            self._drop()
            return happened
        self._blanks.append(shown.t_us)  # a blank display says nothing, unless it stays blank
        if len(self._blanks) > 1 and self._recent and shown.t_us - self._recent[-1].t_us > MOMENT_US:
            happened += self._lift()
        return happened

    def _feed_unsettled(self, sample: Sample) -> list[Happening]:
        if self._left_value is not None:
            if abs(sample.value - self._left_value) <= 2 * self._tol(sample) + MOVED_COUNTS * sample.resolution:
                return []
            self._left_value = None
        self._remember(sample)
        count = self._window_count()
        before = list(self._recent)[:-count] if count else list(self._recent)[:-1]
        tolerance = self._tol(sample)
        level, spread, step = self.open_lead.band(before)
        self._looks_landed = not self.open_lead.is_within(sample.value, level, spread, tolerance)
        if not count:
            return []
        window = list(self._recent)[-count:]
        tolerance += self._counts * (grain_of(window) - sample.resolution)
        # A landing may scatter by some counts where the open lead is known to be livelier by far.
        granted = min(COUNTS_GRANTED * sample.resolution, step / LIVELIER)
        most_scatter = granted if granted > tolerance and self.open_lead.knows(before) else 0.0
        if not window_is_still(window, tolerance, most_scatter):
            return []
        approach = self._approach(before, window, tolerance)
        if still_settling(approach, window, tolerance):
            return []
        floating = before[: len(before) - len(approach)]
        for wider, earlier in wider_and_wider(window, before, tolerance, most_scatter):
            if not self.open_lead.explains(wider, tolerance, floating[: len(earlier)]):
                return self._settle(approach[: max(0, len(earlier) - len(floating))], floating[: len(earlier)], wider)
        return []

    def _remember(self, sample: Sample) -> None:
        if self._recent and not 0.5 < (sample.resolution or 1) / (self._recent[-1].resolution or 1) < 2:
            self._forget(len(self._recent))  # another range: its readings do not mix
        self._recent.append(sample)
        while self._recent[0].t_us < sample.t_us - HISTORY_US:
            if goes_one_way(self._recent):
                self._recent.popleft()  # the beginning of a long approach, and nothing of an open lead
            else:
                self._forget(1)

    def _forget(self, count: int) -> None:
        self.open_lead.add([self._recent.popleft() for _ in range(count)])

    def _window_count(self) -> int:
        """How many of the newest readings make a window of W that covers 1 s; 0 while there are too few.

        n readings cover n of their distances: each stands for the time since the one before.
        """
        newest = self._recent[-1].t_us
        for count, sample in enumerate(reversed(self._recent), 1):
            if count >= W and (newest - sample.t_us) * count >= LEAST_COVERED_US * (count - 1):
                return count
        return 0

    def _settle(self, approach: list[Sample], floating: list[Sample], window: list[Sample]) -> list[Happening]:
        self.open_lead.add(floating)
        self._recent.clear()
        self._stay = stay = Resting((approach or window)[0].t_us, window)
        if not floating and self._left_us is not None and stay.from_us - self._left_us <= COMING_BACK_US:
            self.open_lead.add_after_a_stay(window)
        return [Settled(stay.from_us, stay.mean, stay.uncertainty, stay.count)]

    def _approach(self, before: list[Sample], window: list[Sample], tolerance: float) -> list[Sample]:
        """The readings just before the window that came nearer and nearer to it, from one side."""
        approach = one_way(before, window, tolerance)
        value = fmean(sample.value for sample in window)
        level, spread, _ = self.open_lead.band(before[: len(before) - len(approach)])
        landed = 0
        for number, sample in enumerate(approach, 1):
            near_open_lead = abs(sample.value - level) <= 0.1 * abs(value - level)
            if near_open_lead or self.open_lead.is_within(sample.value, level, spread, tolerance):
                landed = number
        return approach[landed:]

    # ---- overload

    def _feed_overload(self, t_us: int) -> list[Happening]:
        happened = self._lift()
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
        return (self._overloads[1] - self._overloads[0]) * W >= LEAST_COVERED_US * (W - 1)

    def _lift_overload(self) -> list[Happening]:
        was_settled, run = self._overload_is_settled(), self._overloads
        self._overloads = []
        return [Lifted(run[1] + 1)] if was_settled else []

    def _lift(self) -> list[Happening]:
        """End what there is; the broken-off readings become knowledge of the open lead."""
        stay, self._stay = self._stay, None
        self._away = []
        self._left_value = None
        self._looks_landed = False
        self._forget(len(self._recent))
        if stay is None:
            return []
        self._left_us = stay.last_us
        return [Lifted(stay.last_us + 1)]
