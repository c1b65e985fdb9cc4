"""Is the unit on? From the supply current, or from a person's mark where nothing measures it.

A switch is believed after ``BELIEVED`` readings on the other side of the threshold, and dated
between the last reading before and the first after it, with that distance as its uncertainty.
"""

from dataclasses import dataclass

BELIEVED = 2
OFF_SHARE = 0.5  # a unit is off below this share of the threshold for on: no chatter at the threshold
MARK_HALF_WIDTH_US = 1_000_000  # a key pressed by hand: common practice, no source
SAME_SWITCH_US = 5_000_000


@dataclass(frozen=True, slots=True)
class Switched:
    """The unit went on or off at ``t_us``, give or take ``half_width_us``."""

    on: bool
    t_us: int
    half_width_us: int
    seen_by: str  # "supply current", "supply output" or "mark"


class UnitPower:
    """Follows supply current readings (amperes) and marks; ``on`` is None until either tells."""

    def __init__(self, threshold_a: float) -> None:
        self.on: bool | None = None
        self._threshold_a = threshold_a
        self._other_side: list[tuple[int, int]] = []  # (t_us, half width) of readings that contradict ``on``
        self._before: tuple[int, int] | None = None
        self._last: Switched | None = None

    def feed(self, t_us: int, half_width_us: int, current_a: float) -> Switched | None:
        """Take one valid reading; returns the switch it completes, if any."""
        limit_a = self._threshold_a * (OFF_SHARE if self.on else 1.0)
        now_on = abs(current_a) > limit_a
        if self.on is None:
            # Found in this state: nobody saw it being switched.
            self.on = now_on
        if now_on == self.on:
            self._other_side.clear()
            self._before = (t_us, half_width_us)
            return None
        self._other_side.append((t_us, half_width_us))
        return self._switch(now_on) if len(self._other_side) >= BELIEVED else None

    def state(self, t_us: int, half_width_us: int, on: bool) -> Switched | None:
        """Take what a supply says of its output; returns the switch that it tells, if any."""
        before, self._before = self._before, (t_us, half_width_us)
        if self.on is None or on == self.on or before is None:
            self.on = on
            return None
        earliest_us, latest_us = before[0] - before[1], t_us + half_width_us
        half_us = max(1, (latest_us - earliest_us) // 2)
        return self._seen(Switched(on, (earliest_us + latest_us) // 2, half_us, "supply output"))

    def mark(self, on: bool, t_us: int) -> Switched | None:
        """Take a person's word; None where the supply current has told the same switch already."""
        if self._last and self._last.on == on and abs(t_us - self._last.t_us) <= SAME_SWITCH_US:
            return None
        return self._believe(Switched(on, t_us, MARK_HALF_WIDTH_US, "mark"))

    def _switch(self, on: bool) -> Switched | None:
        first_us, first_half_us = self._other_side[0]
        before_us, before_half_us = self._before or (first_us - MARK_HALF_WIDTH_US, 0)
        earliest_us, latest_us = before_us - before_half_us, first_us + first_half_us
        middle_us = (earliest_us + latest_us) // 2
        self._other_side.clear()
        self._before = (first_us, first_half_us)
        return self._seen(Switched(on, middle_us, max(1, (latest_us - earliest_us) // 2), "supply current"))

    def _seen(self, seen: Switched) -> Switched | None:
        on, middle_us = seen.on, seen.t_us
        marked = self._last is not None and self._last.on == on and self._last.seen_by == "mark"
        if marked and self._last is not None and abs(middle_us - self._last.t_us) <= SAME_SWITCH_US:
            self.on = on
            return None
        return self._believe(seen)

    def _believe(self, switched: Switched) -> Switched:
        self.on = switched.on
        self._last = switched
        return switched
