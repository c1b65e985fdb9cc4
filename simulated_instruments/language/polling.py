"""The status byte as one caller sees it over a bus: its own MAV bit, and a request for service that is latched."""

import threading
from collections.abc import Callable

from simulated_instruments.language.errors import LanguageError
from simulated_instruments.language.status import MESSAGE_AVAILABLE, SERVICE, Status


class Polled:
    """One caller's serial poll (IEEE 488.2, 11.3.3: bit 6 is RQS, which a poll clears).

    ``requested`` is called with the status byte at each new reason for service. An instrument
    without a status model (``status`` None) shows only whether an answer waits.
    """

    def __init__(self, status: Status | None, requested: Callable[[int], None]) -> None:
        self._status = status
        self._requested = requested
        self._lock = threading.Lock()
        self._message_available = False
        self._known = self._reasons() & self._enabled()
        self._requesting = bool(self._known)
        self._unwatch = status.watch(self.look) if status else None

    def _reasons(self) -> int:
        if self._status is None:
            return MESSAGE_AVAILABLE if self._message_available else 0
        return self._status.reasons(self._message_available)

    def _enabled(self) -> int:
        return self._status.request_enable if self._status else 0

    def output(self, waits: bool) -> None:
        """Say whether this caller's output queue holds something."""
        if waits != self._message_available:
            self._message_available = waits
            self.look()

    def look(self) -> None:
        """Compare with before; a reason that is new and enabled asks for service (11.3.3.1)."""
        with self._lock:
            reasons = self._reasons()
            enabled = reasons & self._enabled()
            new, self._known = enabled & ~self._known, enabled
            self._requesting = bool(enabled) and (self._requesting or bool(new))
        if new:
            self._requested(reasons | SERVICE)

    def poll(self) -> int:
        """The status byte with RQS, which is then cleared."""
        with self._lock:
            requesting, self._requesting = self._requesting, False
            return self._reasons() | (SERVICE if requesting else 0)

    def report(self, code: int) -> None:
        """Put an error of the message exchange (-410, -420) in the instrument's queue."""
        if self._status:
            self._status.report(LanguageError(code))
            self._status.changed()

    def close(self) -> None:
        """Look no more."""
        if self._unwatch:
            self._unwatch()
            self._unwatch = None
