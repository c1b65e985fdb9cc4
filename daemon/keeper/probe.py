"""One probe: what a person says it touches, and the stays that its readings show.

A **mark** names the point this probe touches next or now. A **stay** is what the readings show:
landed, settled, lifted. Joined they are placements. The rules:

- A stay begins where its readings settle, reaching back to the landing; or, while a mark is in
  force, where they have not looked like a floating lead for a while (a drifting value is tagged too).
- A stay takes the mark in force. A mark stays in force for the next stay.
- A mark that a walk made (``expect``) waits for the stay under way to end, and is no person's word: a late name
  replaces it, and no open path on ohms is believed under it.
- A new mark during a stay ends it and a new stay begins on the same lead at once, unless the stay had
  begun under a mark that an earlier stay had used up (or under none): then the person says late
  what it was, and the stay is named anew.
- A stay that a word ends has ended where it was last seen to rest: with slow polls the probe lifts between two.
- A scope's lead looks alike on a quiet point and in the air: there the marks alone say where a stay
  begins and ends, and a value that jumps within it splits it.
- A value beyond the end of a converter's range (clipped) never settles.
- On ohms and its kin an open lead and an open path read alike (overload). Such a stay counts only
  where a fresh mark says that the probe is on something, and not before that mark.
- A change of function, mode, condition or hypothesis ends a stay; the next begins on the same lead, with
  the first reading that still agrees.
"""

import math
from collections import deque
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from daemon.judge.settle import Lifted, Settled, StayDetector
from drivers.readings import Flag, Quantity, Reading

GRIP_READINGS = 5
GRIP_US = 1_000_000
LOST_READINGS = 2
# An open lead of a 10 Mohm meter wanders within a volt and not one way for long: common practice, no source.
OPEN_LEAD_V = 1.0
STILL_COUNTS, STILL_SHARE = 20, 0.01
_LEAD_CAN_FLOAT = {Quantity.DC_V, Quantity.AC_V}


@dataclass(frozen=True, slots=True)
class StayBegan:
    """A stay that reaches back to ``from_us``; ``settled`` is None while its value still moves."""

    from_us: int
    settled: Settled | None


@dataclass(frozen=True, slots=True)
class StayGrew:
    """The estimate of the stay that is under way is better now."""

    settled: Settled


@dataclass(frozen=True, slots=True)
class StayEnded:
    """The probe left (``lifted``), or what it means changed, after ``at_us``."""

    at_us: int
    settled: Settled | None  # its last estimate
    lifted: bool = False


@dataclass(frozen=True, slots=True)
class StayRenamed:
    """The stay under way gets the name that has just been said."""


Change = StayBegan | StayGrew | StayEnded | StayRenamed


class Probe:
    """Follows one input of one instrument. Times are session microseconds."""

    def __init__(self, name: str, instrument: str, channel: str) -> None:
        self.name = name
        self.instrument = instrument
        self.channel = channel
        self.point = ""
        self.leg = ""
        self.last: Reading | None = None
        self.settled: Settled | None = None
        self.staying = False
        self._marked_us = 0
        self._mark_used = True  # no mark has been said yet
        self._named_late = False  # the stay under way began under a used mark
        self._expected: tuple[str, str] | None = None  # what the next stay will be, once this one has ended
        self._by_walk = False  # the point was named by a walk
        self._goes_on: tuple[float, bool] | None = None  # value before a cut, and whether it was named late
        self._boundary_us = 0  # no stay reaches back beyond this
        self._grip: list[int] = []  # times of the first readings in a row that no open lead would give
        self._held_us = 0  # the last reading that no open lead would give
        self._slack = 0  # readings in a row that an open lead could give
        self._recent: deque[Reading] = deque(maxlen=GRIP_READINGS)
        self._detector = StayDetector()

    @property
    def phase(self) -> str:
        """floating, settling or settled."""
        if self.settled is not None:
            return "settled"
        return "settling" if self.staying or self._grip else self._detector.state.replace("settled", "floating")

    @property
    def newly_marked(self) -> bool:
        """True where the stay under way was named itself, by a walk too, and does not bear the mark of one before."""
        return self._by_walk or not self._named_late

    def mark(self, point: str, leg: str, t_us: int, from_now: bool = False) -> Iterator[Change]:
        """Take a person's word for what this probe touches; ``from_now``: it was elsewhere until now."""
        yield from self._let_go()
        self._expected, self._by_walk = None, False
        if self.staying and (point, leg) == (self.point, self.leg):
            return
        self.point, self.leg = point, leg
        if self.staying and self._named_late and point and not self._is_scope and not from_now:
            self._named_late = False
            yield StayRenamed()
            return
        yield from self.cut(t_us)
        self._goes_on = (self._goes_on[0], False) if self._goes_on and point else None
        self._marked_us = t_us
        self._mark_used = not point

    def expect(self, point: str, leg: str) -> None:
        """The next landing belongs to this point; where the probe rests now keeps its name."""
        self._expected = (point, leg)
        if not self.staying and self._goes_on is None:
            self._come_to_expected()

    def name_now(self, point: str, leg: str) -> None:
        """The stay that is about to be told of belongs to this point, whatever was expected."""
        self._expected = None
        self.point, self.leg = point, leg

    def _come_to_expected(self) -> None:
        if self._expected is not None:
            (self.point, self.leg), self._expected = self._expected, None
            self._mark_used = True
            self._by_walk = bool(self.point)

    def cut(self, t_us: int) -> Iterator[Change]:
        """End the stay under way because what it means changes; the next begins on the same lead."""
        yield from self._let_go()
        goes_on = self._goes_on
        if self.staying and self.last is not None:
            goes_on = (self.settled.value if self.settled else self.last.value), self._named_late
        yield from self._cut(t_us)
        self._goes_on = goes_on

    def leave(self, t_us: int) -> Iterator[Change]:
        """End the stay under way for good: the instrument is lost or the session ends."""
        yield from self._cut(t_us)
        self._grip.clear()

    def _let_go(self) -> Iterator[Change]:
        """A lead that is off its point has left it when something is said: it is not waited for any longer."""
        if self.last is not None:
            for happening in self._detector.let_go():
                yield from self._take(happening, self.last.quantity)

    @property
    def _is_scope(self) -> bool:
        return self.last is not None and self.last.quantity is Quantity.RIPPLE

    def _cut(self, t_us: int) -> Iterator[Change]:
        self._goes_on = None
        if self.staying:
            yield self._end(min(t_us - 1, self._rested_until_us(t_us)))
        self._boundary_us = max(self._boundary_us, t_us)
        self._detector.reset()

    def _rested_until_us(self, t_us: int) -> int:
        """Up to where the stay has shown itself: where polls are slow, a hand lifts and a word is said between two."""
        if self._is_scope or self.last is None:
            return t_us
        rested_us = self._detector.rested_until_us
        return self.last.t_us if rested_us is None else rested_us

    def feed(self, reading: Reading) -> Iterator[Change]:
        """Take the next reading of this input."""
        if self.last is None or reading.quantity is not self.last.quantity:
            yield from self._change_function(reading)
        self.last = reading
        if Flag.CHANGING in reading.flags and self._is_scope:
            yield from self.leave(reading.t_us)  # it holds the kick of a switch-on, and is no ripple
            return
        if Flag.CHANGING not in reading.flags:
            yield from self._go_on(reading)
        # What is clipped is only known to be larger: to the detector the same as beyond the range.
        flags = reading.flags | Flag.OVERLOAD if Flag.CLIPPED in reading.flags else reading.flags
        for happening in self._detector.feed(reading.t_us, reading.value, flags, reading.resolution):
            yield from self._take(happening, reading.quantity)
        if not self._is_scope and Flag.CHANGING not in reading.flags:
            yield from self._take_grip(reading)

    def _go_on(self, reading: Reading) -> Iterator[Change]:
        """Begin the stay that goes on after a cut, or a scope's under its mark."""
        goes_on, self._goes_on = self._goes_on, None
        if self.staying or not (self._is_scope or (goes_on and _agree(goes_on[0], reading))):
            if not self.staying:
                self._come_to_expected()
            return
        if self._is_scope and not self.point:
            return
        yield self._begin(self._boundary_us, None)
        if goes_on is not None:
            self._named_late = goes_on[1]

    def _take(self, happening: Lifted | Settled, quantity: Quantity) -> Iterator[Change]:
        if isinstance(happening, Lifted):
            if self.staying:
                yield self._lift(happening.at_us)
        elif self.staying:
            self.settled = happening
            yield StayGrew(happening)
        elif quantity is not Quantity.RIPPLE and self._is_believable(happening, quantity):
            earliest_us = self._marked_us if happening.overload and quantity.needs_dead_unit else 0
            landed_us = min([happening.from_us, *self._grip[:1]])
            yield self._begin(max(landed_us, earliest_us), happening)

    def _take_grip(self, reading: Reading) -> Iterator[Change]:
        """Open a stay under a mark where the lead holds on to something that still moves."""
        if abs(reading.value) >= OPEN_LEAD_V:
            self._recent.clear()  # the way down from there says nothing of what is held now
        self._recent.append(reading)
        if not _holds_on(self._recent):
            self._slack += 1
            self._grip.clear()
            unsettled = self.staying and self.settled is None
            if unsettled and self._slack >= LOST_READINGS and not self._is_open_path(reading):
                yield self._lift(self._held_us)
            return
        self._slack = 0
        self._held_us = reading.t_us
        if len(self._grip) < GRIP_READINGS:  # a probe may stay for days: its first and enough of them are kept
            self._grip.append(reading.t_us if self._grip else _landed_us(self._recent))
        held = len(self._grip) >= GRIP_READINGS and reading.t_us - self._grip[0] >= GRIP_US
        if held and not self.staying and self.point:
            yield self._begin(self._grip[0], None)

    def _is_open_path(self, reading: Reading) -> bool:
        return Flag.OVERLOAD in reading.flags and reading.quantity.needs_dead_unit

    def _change_function(self, reading: Reading) -> Iterator[Change]:
        if self.staying and self.last is not None:
            yield self._end(self.last.t_us)
        self._boundary_us = max(self._boundary_us, reading.t_us)
        self._grip.clear()
        self._recent.clear()
        self._detector = StayDetector.of(reading.quantity)

    def _is_believable(self, settled: Settled, quantity: Quantity) -> bool:
        looks_open = settled.overload and quantity.needs_dead_unit
        return not looks_open or not self._mark_used

    def _begin(self, from_us: int, settled: Settled | None) -> StayBegan:
        self._named_late = self._mark_used
        self._mark_used = True
        self.staying = True
        self.settled = settled
        return StayBegan(max(from_us, self._boundary_us), settled)

    def _lift(self, at_us: int) -> StayEnded:
        ended = replace(self._end(at_us), lifted=not self._is_scope)  # a scope's jump says nothing of its lead
        self._come_to_expected()
        return ended

    def _end(self, at_us: int) -> StayEnded:
        settled = self.settled
        self.staying = False
        self.settled = None
        self._named_late = False
        self._grip.clear()
        at_us = max(at_us, self._boundary_us)
        self._boundary_us = at_us + 1
        return StayEnded(at_us, settled)


def _holds_on(recent: Sequence[Reading]) -> bool:
    """True where an open lead would not read like the newest; a scope's lead cannot be told from its size."""
    reading = recent[-1]
    if reading.quantity is Quantity.RIPPLE or not math.isfinite(reading.value):
        return False
    if reading.quantity not in _LEAD_CAN_FLOAT or abs(reading.value) >= OPEN_LEAD_V:
        return True
    values = [each.value for each in recent]
    steps = [after - before for before, after in pairwise(values)]
    if len(steps) < GRIP_READINGS - 1:
        return False
    still = max(values) - min(values) <= max(STILL_COUNTS * (reading.resolution or 0.0), STILL_SHARE * abs(values[-1]))
    return still or min(steps) >= 0 or max(steps) <= 0


def _landed_us(recent: Sequence[Reading]) -> int:
    """What crept one way had landed before that could be seen: where it had come a quarter of its way."""
    first, last = recent[0], recent[-1]
    if abs(last.value) >= OPEN_LEAD_V or len(recent) < GRIP_READINGS:
        return last.t_us
    way = abs(first.value - last.value)
    # A reading without a value among them compares with nothing: then only the last is sure.
    return next((each.t_us for each in recent if abs(each.value - last.value) <= 0.75 * way), last.t_us)


def _agree(before: float, reading: Reading) -> bool:
    """True where a reading after a change of tags says that the lead has not been moved."""
    if math.isnan(before) or math.isnan(reading.value):
        return math.isnan(before) and math.isnan(reading.value)
    return abs(reading.value - before) <= 0.02 * abs(before) + 5 * (reading.resolution or 0.0)
