"""The one clock: UTC microseconds anchored once to the monotonic clock.

Only this module reads a clock. Order never goes back: a step of the wall clock
shows as a growing ``drift_us`` and is reported, never applied to what was stamped.
"""

import time
from datetime import UTC, datetime
from typing import Protocol


class Clock(Protocol):
    """What the rest needs of time; tests pass a clock that they turn by hand."""

    def now_us(self) -> int:
        """UTC microseconds since 1970 on the session's time line; never goes back."""

    def monotonic_s(self) -> float:
        """Seconds on a clock that only runs forward, for deadlines."""

    def drift_us(self) -> int:
        """Wall clock minus session time, microseconds: 0 until somebody sets the clock."""


class SystemClock:
    """The machine's clock, anchored when it is made."""

    def __init__(self) -> None:
        self._anchor_wall_ns = time.time_ns()
        self._anchor_mono_ns = time.monotonic_ns()
        self._ahead_ns = self._anchor_wall_ns - self._anchor_mono_ns

    @property
    def anchor(self) -> tuple[int, int]:
        """The pair (monotonic ns, wall ns) that ties the two clocks together."""
        return self._anchor_mono_ns, self._anchor_wall_ns

    def now_us(self) -> int:
        """See ``Clock``."""
        return (time.monotonic_ns() + self._ahead_ns) // 1000

    monotonic_s = staticmethod(time.monotonic)  # looked at several times a poll, so without a step in between

    def drift_us(self) -> int:
        """See ``Clock``."""
        return time.time_ns() // 1000 - self.now_us()


class HandClock:
    """A clock that stands still until it is turned: part of the kit for driver authors."""

    def __init__(self, start_us: int = 1_700_000_000_000_000) -> None:
        self._us = start_us

    def turn(self, seconds: float) -> None:
        """Move time forward by ``seconds``."""
        self._us += round(seconds * 1e6)

    def now_us(self) -> int:
        """See ``Clock``."""
        return self._us

    def monotonic_s(self) -> float:
        """See ``Clock``."""
        return self._us / 1e6

    def drift_us(self) -> int:
        """See ``Clock``."""
        return 0


def iso_utc(t_us: int) -> str:
    """ISO 8601 UTC text of a session time, to the millisecond: ``2026-03-01T10:00:00.250Z``."""
    moment = datetime.fromtimestamp(t_us // 1_000_000, UTC)
    return f"{moment:%Y-%m-%dT%H:%M:%S}.{t_us % 1_000_000 // 1000:03d}Z"


def from_iso_utc(text: str) -> int:
    """Session time, microseconds, of an ISO 8601 text with its zone. Raises ``ValueError``."""
    moment = datetime.fromisoformat(text)
    if moment.tzinfo is None:
        raise ValueError(f"{text!r} has no time zone: write Z for UTC at its end")
    whole = moment.replace(microsecond=0)
    return round(whole.timestamp()) * 1_000_000 + moment.microsecond
