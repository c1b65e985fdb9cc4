"""Points in order: which one comes next, which are read, which were passed over. Pure.

A walk is a value: each step gives another one. The rules:

- A stop is read when a placement on it has settled; from then on the walk waits for the probe to lift.
- It goes on by itself only from a stop that has been read and left, and only while it is not held.
- It goes on to the next stop that is neither read nor passed over; those passed over come again after the end.
- Going back keeps what was read there until something newer is read.
"""

from collections.abc import Iterable
from dataclasses import dataclass, replace


@dataclass(frozen=True, slots=True)
class Stop:
    """A point to be read; ``mode`` where it is wanted in a certain one, else "" (the one that holds)."""

    point: str
    leg: str = ""
    mode: str = ""

    @property
    def label(self) -> str:
        """As a person would write it: ``Q302 C``."""
        return f"{self.point} {self.leg}".strip()


@dataclass(frozen=True, slots=True)
class Walk:
    """``read`` has the placement of each stop or None; ``at`` is the stop in hand, one beyond the last when over."""

    stops: tuple[Stop, ...]
    at: int = 0
    held: bool = False
    read: tuple[int | None, ...] = ()
    passed: frozenset[int] = frozenset()

    @classmethod
    def along(cls, stops: Iterable[Stop], at: int = 0) -> "Walk":
        """A walk along ``stops``, each of them once."""
        each = tuple(dict.fromkeys(stops))
        return cls(each, min(at, len(each)), read=(None,) * len(each))

    @property
    def here(self) -> Stop | None:
        """The stop that the next landing belongs to, or that the probe rests on; None when the walk is over."""
        return self.stops[self.at] if self.at < len(self.stops) else None

    @property
    def then(self) -> Stop | None:
        """The stop after that."""
        return self._gone_on().here

    @property
    def has_read(self) -> bool:
        """True where the stop in hand has been read."""
        return self.at < len(self.stops) and self.read[self.at] is not None

    def index(self, point: str, leg: str) -> int | None:
        """Which stop a tag is; the one in hand where it comes several times (in several modes)."""
        found = [n for n, stop in enumerate(self.stops) if (stop.point, stop.leg) == (point, leg)]
        return self.at if self.at in found else next(iter(found), None)

    def stop_of(self, placement: int) -> int | None:
        """The stop that a placement was read at."""
        return self.read.index(placement) if placement in self.read else None

    def read_at(self, at: int, placement: int) -> "Walk":
        """A stop has been read."""
        return self._with(at, placement)

    def left(self, placement: int) -> "Walk":
        """The probe has lifted from a placement."""
        return self if self.held or not self.has_read or self.read[self.at] != placement else self._gone_on()

    def next(self) -> "Walk":
        """A person goes on: a stop that was not read is passed over. From the end to what was passed over."""
        if self.here is None:
            first = min(self.passed, default=len(self.stops))
            return replace(self, at=first, passed=self.passed - {first})
        passed = self.passed if self.has_read else self.passed | {self.at}
        return replace(self, passed=passed)._gone_on()

    def back(self) -> "Walk":
        """To the stop before this one."""
        return self.to(max(0, self.at - 1))

    def to(self, at: int) -> "Walk":
        """To a certain stop."""
        return replace(self, at=at, passed=self.passed - {at})

    def hold(self, held: bool = True) -> "Walk":
        """Held, each landing is one more on the stop in hand."""
        return replace(self, held=held)

    def unread(self, placement: int) -> "Walk":
        """A placement does not count: its stop is to be read again, now."""
        at = self.stop_of(placement)
        return self if at is None else self._with(at, None).to(at)

    def was(self, placement: int, point: str, leg: str) -> "Walk":
        """A placement was at another stop, or at none of the walk: the one it was thought to be is still to be read."""
        thought = self.stop_of(placement)
        walk = self if thought is None else self._with(thought, None)
        really = walk.index(point, leg)
        if really is not None:
            walk = replace(walk._with(really, placement), passed=walk.passed - {really})
        if thought is None or thought == really:
            return walk
        return walk.to(thought)

    def with_next(self, stops: Iterable[Stop]) -> "Walk":
        """Further stops right after the one in hand; those that are still to come move up."""
        new = [stop for stop in dict.fromkeys(stops) if stop != self.here]
        cut = min(self.at + 1, len(self.stops))
        old = [n for n in range(len(self.stops)) if not (n >= cut and self.stops[n] in new)]
        order: list[int | Stop] = [*(n for n in old if n < cut), *new, *(n for n in old if n >= cut)]
        return replace(
            self,
            stops=tuple(each if isinstance(each, Stop) else self.stops[each] for each in order),
            read=tuple(None if isinstance(each, Stop) else self.read[each] for each in order),
            passed=frozenset(n for n, each in enumerate(order) if each in self.passed),
        )

    def taken_back(self, before: "Walk", after: "Walk") -> "Walk":
        """This walk without the step that led from ``before`` to ``after``; what came since is kept."""
        if before.stops != after.stops or self.stops != after.stops:
            return before
        read = tuple(
            was if was != became else now for was, became, now in zip(before.read, after.read, self.read, strict=True)
        )
        passed = self.passed - (after.passed - before.passed) | (before.passed - after.passed)
        held = before.held if before.held != after.held else self.held
        return replace(self, at=before.at, held=held, read=read, passed=passed)

    def _with(self, at: int, placement: int | None) -> "Walk":
        read = tuple(placement if n == at else each for n, each in enumerate(self.read))
        return replace(self, read=read, passed=self.passed - {at})

    def _gone_on(self) -> "Walk":
        to_come = (n for n in range(self.at + 1, len(self.stops)) if self.read[n] is None and n not in self.passed)
        return replace(self, at=next(to_come, len(self.stops)))
