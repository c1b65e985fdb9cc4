"""The status model: IEEE 488.2 clause 11, and SCPI-99's error queue and two 16-bit register sets."""

import threading
from collections import deque
from collections.abc import Callable

from simulated_instruments.language.errors import TEXTS, LanguageError, event_bit

OPERATION_COMPLETE, POWER_ON = 1 << 0, 1 << 7
_QUEUE_LENGTH = 20
_ERRORS, _QUESTIONABLE, MESSAGE_AVAILABLE, _EVENTS, SERVICE, _OPERATION = (1 << n for n in (2, 3, 4, 5, 6, 7))


class Register:
    """Condition, latched event and enable of OPERation or QUEStionable."""

    def __init__(self) -> None:
        self.condition = 0
        self.event = 0
        self.enable = 0

    def set_condition(self, condition: int) -> None:
        """New condition bits; a bit that rises is latched as an event."""
        self.event |= condition & ~self.condition
        self.condition = condition

    def take_event(self) -> int:
        """Read and clear."""
        event, self.event = self.event, 0
        return event

    @property
    def summary(self) -> bool:
        """Whether an enabled event is latched."""
        return bool(self.event & self.enable)


class Status:
    """Event status, service request enable, error queue and the status byte made of them."""

    def __init__(self) -> None:
        self.event_status = POWER_ON
        self.event_enable = 0
        self.request_enable = 0
        self.message_available = False
        self.operation = Register()
        self.questionable = Register()
        self._errors: deque[tuple[int, str]] = deque()
        self._lock = threading.Lock()
        self._watchers: list[Callable[[], None]] = []

    def watch(self, watcher: Callable[[], None]) -> Callable[[], None]:
        """Have ``watcher`` called whenever the status may have changed; returns what ends that."""
        self._watchers.append(watcher)
        return lambda: self._watchers.remove(watcher)

    def changed(self) -> None:
        """Tell the watchers."""
        for watcher in list(self._watchers):
            watcher()

    def report(self, error: LanguageError) -> None:
        """Queue an error and set its event bit; a full queue ends in -350 (SCPI-99 vol. 2, 21.8.1)."""
        with self._lock:
            self.event_status |= 1 << event_bit(error.code)
            if len(self._errors) < _QUEUE_LENGTH:
                self._errors.append((error.code, error.text))
            else:
                self._errors[-1] = (-350, TEXTS[-350])

    def set_event(self, bit: int) -> None:
        """Set a bit of the event status register."""
        with self._lock:
            self.event_status |= bit

    def next_error(self) -> tuple[int, str]:
        """The oldest error, taken out; (0, "No error") when there is none."""
        with self._lock:
            return self._errors.popleft() if self._errors else (0, TEXTS[0])

    @property
    def error_count(self) -> int:
        """How many errors wait."""
        return len(self._errors)

    def take_events(self) -> int:
        """*ESR?: read and clear."""
        with self._lock:
            events, self.event_status = self.event_status, 0
            return events

    def clear(self) -> None:
        """*CLS: events and queue, never the enable masks (IEEE 488.2, 10.3)."""
        with self._lock:
            self._errors.clear()
            self.event_status = 0
            self.operation.event = self.questionable.event = 0

    def reasons(self, message_available: bool) -> int:
        """The status byte without bit 6, for a caller whose output queue holds something or not."""
        bits = {
            _ERRORS: bool(self._errors),
            _QUESTIONABLE: self.questionable.summary,
            MESSAGE_AVAILABLE: message_available,
            _EVENTS: bool(self.event_status & self.event_enable),
            _OPERATION: self.operation.summary,
        }
        return sum(bit for bit, is_set in bits.items() if is_set)

    @property
    def byte(self) -> int:
        """The status byte as *STB? gives it, with bit 6 the master summary (IEEE 488.2, 11.2.2)."""
        reasons = self.reasons(self.message_available)
        return reasons | (SERVICE if reasons & self.request_enable else 0)
