"""What a conversation needs of a link, whatever carries the bytes."""

from collections.abc import Sequence
from typing import Protocol


class Link(Protocol):
    """Bytes to one instrument and back, owned by one thread.

    Deadlines are absolute, seconds on the clock's monotonic line: no call outlives its deadline by
    more than a scheduling delay (through pyvisa: by more than one timeout of that library). Raises
    only ``LinkError``, and ``AnswerError`` for bytes that are not what was announced.
    """

    def open(self, deadline_s: float) -> None:
        """Connect. ``LinkRefused`` when nobody answers there."""

    def write(self, line: bytes, deadline_s: float) -> None:
        """Send a line, to which the link adds its terminator."""

    def read_line(self, deadline_s: float) -> bytes:
        """The next line without its terminator."""

    def read_block(self, deadline_s: float) -> bytes:
        """Payload of a block (IEEE 488.2, 8.7.9 and 8.7.10) and nothing but a terminator after it.

        The deadline holds for the header; the payload gets what its size needs at the link's
        slowest fair rate on top.
        """

    def drain(self, quiet_s: float) -> bytes:
        """Take away and return what waits, until nothing has come for ``quiet_s`` (0: do not wait)."""

    def clear(self, deadline_s: float) -> None:
        """Make as sure as the link can that nothing asked earlier is still answered."""

    def reopen(self, deadline_s: float) -> None:
        """Close and connect again."""

    def take_remarks(self) -> Sequence[str]:
        """Anomalies since the last call that the link dealt with by itself, for the time line."""

    def close(self) -> None:
        """Let go; safe to call twice, never raises."""
