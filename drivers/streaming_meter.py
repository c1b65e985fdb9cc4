"""A meter that sends its readings by itself: it is listened to, and not a byte is sent to it."""

from drivers.clock import Clock
from drivers.errors import AnswerError, LinkTimeout
from drivers.links.link import Link
from drivers.protocols import NO_ACCURACY
from drivers.readings import Accuracy, Identity, Poll, Reading
from drivers.streaming import StreamPattern

BUFFER_BYTES = 4000  # a terminal's line buffer holds 4,096: beyond that bytes may have been lost
ARRIVAL_HALF_WIDTH_US = 10_000  # of a line that was waited for: a few characters at the slowest bit rates


class StreamingMeter:
    """Every whole line is one reading, in the order in which they came; the last one is what the meter shows now.

    The first line after the opening may be torn and is thrown away. A line that came between two polls
    is dated evenly between them, with a half width that covers all of the time in between.
    """

    gives_panel_back = False

    def __init__(
        self,
        link: Link,
        clock: Clock,
        pattern: StreamPattern,
        resource: str,
        timeout_s: float = 1.0,
        accuracy: Accuracy = NO_ACCURACY,
        line_end: bytes = b"\n",
    ) -> None:
        """``link`` is open already; ``line_end`` the last byte of a line."""
        self._link = link
        self._clock = clock
        self._pattern = pattern
        self._timeout_s = timeout_s
        self._accuracy = accuracy
        self._line_end = line_end
        self._held = b""
        self._is_torn = True
        self._looked_us = clock.now_us()
        self._complained = False
        self.identity = Identity("", "meter that sends by itself", resource, "")

    @property
    def abilities(self) -> tuple[str, ...]:
        """See ``Instrument``."""
        return ("sends its readings by itself: listened to only, nothing is ever sent to it",)

    def poll(self) -> Poll:
        """Every reading since the last poll; where none has come, the next one is waited for."""
        begun_us = self._looked_us
        lines = self._cut(self._link.drain(0.0))
        waited = False
        if len(self._held) + sum(map(len, lines)) >= BUFFER_BYTES:
            self._held, self._is_torn, self._looked_us = b"", True, self._clock.now_us()
            return Poll(remarks=("its lines waited too long and some may be lost, none is kept: make poll_s shorter",))
        remarks: list[str] = []
        while not lines:
            lines, waited = self._next_line(), True
        now_us = self._looked_us = self._clock.now_us()
        readings = []
        for number, line in enumerate(lines):
            t_us, half_us = (now_us, ARRIVAL_HALF_WIDTH_US) if waited else _share(begun_us, now_us, number, len(lines))
            reading = self._reading(line, t_us, half_us, remarks)
            if reading is not None:
                readings.append(reading)
        return Poll(tuple(readings), remarks=tuple(remarks))

    def to_local(self) -> None:
        """Its panel was never taken away."""

    def let_go(self) -> None:
        """See ``Instrument``."""
        self.close()

    def close(self) -> None:
        """Let go; safe to call twice, never raises."""
        self._link.close()

    def _cut(self, data: bytes) -> list[bytes]:
        """The whole lines that there are now, without the first one after the opening; the rest is kept."""
        *lines, self._held = (self._held + data).split(self._line_end)
        if self._is_torn and lines:
            del lines[0]
            self._is_torn = False
        return [line for line in lines if line.strip()]

    def _next_line(self) -> list[bytes]:
        deadline_s = self._clock.monotonic_s() + self._timeout_s
        try:
            return self._cut(self._link.read_line(deadline_s) + self._line_end)
        except LinkTimeout as error:
            raise LinkTimeout(
                f"no line came for {self._timeout_s:g} s: check that the meter sends by itself, or raise timeout_s."
            ) from error

    def _reading(self, line: bytes, t_us: int, half_us: int, remarks: list[str]) -> Reading | None:
        try:
            streamed = self._pattern.read(line)
        except AnswerError as error:
            if not self._complained:
                remarks.append(str(error))
            self._complained = True  # once, until a line fits again
            return None
        self._complained = False
        reading = Reading(t_us, streamed.value, streamed.quantity, flags=streamed.flags, half_width_us=half_us)
        return reading.within(self._accuracy)


def _share(begun_us: int, now_us: int, number: int, count: int) -> tuple[int, int]:
    span_us = max(0, now_us - begun_us)
    return begun_us + span_us * (2 * number + 1) // (2 * count), (span_us + 1) // 2
