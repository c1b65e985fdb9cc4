"""The one clock of the simulation.

Seconds of the machine's monotonic clock: all processes of a bench share it, so that the
unit and its instruments mean the same moment by the same number.
"""

import time
from typing import Protocol


class Clock(Protocol):
    """Time as the simulation uses it; tests pass one that they turn by hand."""

    def now_s(self) -> float:
        """Monotonic seconds."""

    def sleep_s(self, seconds: float) -> None:
        """Wait, or return at once when ``seconds`` is not positive."""


class MachineClock:
    """The real one."""

    def now_s(self) -> float:
        """See ``Clock``."""
        return time.monotonic()

    def sleep_s(self, seconds: float) -> None:
        """See ``Clock``."""
        if seconds > 0:
            time.sleep(seconds)


class TurnedClock:
    """Stands still until somebody sleeps on it or turns it."""

    def __init__(self, start_s: float = 1000.0) -> None:
        self._now_s = start_s

    def now_s(self) -> float:
        """See ``Clock``."""
        return self._now_s

    def sleep_s(self, seconds: float) -> None:
        """Move time forward."""
        self._now_s += max(seconds, 0.0)


def wall_us() -> int:
    """UTC microseconds since 1970, for what the technician prints."""
    return time.time_ns() // 1000
