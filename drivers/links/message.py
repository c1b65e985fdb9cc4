"""What VXI-11 and HiSLIP have in common: whole messages, each with the number of its question."""

from abc import ABC, abstractmethod
from collections.abc import Sequence

from drivers import scpi
from drivers.clock import Clock
from drivers.errors import LinkError, OutOfStep

LONGEST_MESSAGE = 256 * 1024 * 1024
SLOWEST_BYTES_PER_S = 100_000.0
SHORT_S = 0.2  # for the rest of a message that has begun to come


class MessageLink(ABC):
    """A link fills in ``_connect``, ``_disconnect``, ``_send_message``, ``_receive_message``,
    ``_discard_waiting`` and ``clear``."""

    def __init__(self, clock: Clock, terminator: bytes = b"\n") -> None:
        self._clock = clock
        self._terminator = terminator
        self._remarks: list[str] = []

    @abstractmethod
    def _connect(self, deadline_s: float) -> None: ...

    @abstractmethod
    def _disconnect(self) -> None: ...

    @abstractmethod
    def _send_message(self, data: bytes, deadline_s: float) -> None: ...

    @abstractmethod
    def _receive_message(self, deadline_s: float) -> bytearray:
        """The whole answer to the question sent last; a long one gets what its size needs on top."""

    @abstractmethod
    def _discard_waiting(self) -> None:
        """Take away whole messages that nobody waits for; ``LinkClosed`` where the other end has gone."""

    @abstractmethod
    def clear(self, deadline_s: float) -> None:
        """See ``Link``."""

    def open(self, deadline_s: float) -> None:
        """See ``Link``."""
        try:
            self._connect(deadline_s)
        except LinkError:
            self.close()
            raise

    def write(self, line: bytes, deadline_s: float) -> None:
        """See ``Link``."""
        self._send_message(line + self._terminator, deadline_s)

    def read_line(self, deadline_s: float) -> bytes:
        """See ``Link``."""
        message = self._receive_message(deadline_s)
        self._look_at_end(message)
        return bytes(message.rstrip(b"\r\n"))

    def read_block(self, deadline_s: float) -> bytes:
        """See ``Link``."""
        message = self._receive_message(deadline_s)
        header = scpi.block_header(message)
        if header is None:
            raise OutOfStep(f"{bytes(message[:60])!r} ends inside of a block's header.")
        if header.size is None:
            return bytes(message[header.start :].rstrip(b"\r\n"))
        end = header.start + header.size
        if len(message) < end:
            raise OutOfStep(f"a block of {header.size} bytes ended after {len(message) - header.start}.")
        self._look_at_end(message[end:])
        scpi.check_after_block(bytes(message[end:]))
        return bytes(memoryview(message)[header.start : end])

    def drain(self, quiet_s: float) -> bytes:
        """See ``Link``. Nothing is waited for: what comes unasked has a number that tells so, and is a remark."""
        self._discard_waiting()
        return b""

    def take_remarks(self) -> Sequence[str]:
        """See ``Link``."""
        remarks, self._remarks = self._remarks, []
        return remarks

    def _discarded(self, what: str) -> None:
        self._remark(f"out of step: {what} was thrown away, its number is not that of the question")

    def _look_at_end(self, message: bytearray) -> None:
        if message.endswith(b"\r"):  # the frame tells the end all the same
            self._remark("an answer ended with a carriage return alone where a line feed or nothing belongs")

    def _remark(self, remark: str) -> None:
        if remark not in self._remarks:
            self._remarks.append(remark)

    def reopen(self, deadline_s: float) -> None:
        """See ``Link``."""
        self.close()
        self.open(deadline_s)

    def close(self) -> None:
        """See ``Link``."""
        try:
            self._disconnect()
        except LinkError:
            return  # it is gone already, which is all that was wanted

    def _time_for(self, size: int, deadline_s: float) -> float:
        """The deadline of a piece of ``size`` bytes that has begun to come."""
        if size > LONGEST_MESSAGE:
            raise OutOfStep(f"a message of {size} bytes was announced: no instrument sends that.")
        if size < 4096:
            return deadline_s
        return max(deadline_s, self._clock.monotonic_s()) + size / SLOWEST_BYTES_PER_S
