"""Lines and blocks cut out of a stream of bytes; what TCP and serial links have in common."""

from abc import ABC, abstractmethod
from collections.abc import Sequence

from drivers import scpi
from drivers.clock import Clock
from drivers.errors import LinkError, OutOfStep

LONGEST_LINE = 64 * 1024 * 1024
KEPT_ROOM = 4 * 1024 * 1024
BLOCK_QUIET_S = 0.2  # a block without a length ends where the stream falls silent
LONGEST_DRAIN_S = 3.0  # an instrument that talks longer than this without being asked talks for ever


class StreamLink(ABC):
    """Keeps what has come and not been asked for yet. A link fills in ``_send``, ``_receive``, ``_connect``
    and ``_disconnect``."""

    slowest_bytes_per_s = 50_000.0

    def __init__(self, clock: Clock, terminator: bytes = b"\n") -> None:
        self._clock = clock
        self._terminator = terminator
        self._end = terminator[-1:]
        self._pending = bytearray()
        self._kept = bytearray()

    @abstractmethod
    def _send(self, data: bytes, deadline_s: float) -> None: ...

    @abstractmethod
    def _receive(self, deadline_s: float) -> bytes:
        """At least one byte, or ``LinkTimeout`` at the deadline, or ``LinkClosed``."""

    @abstractmethod
    def _receive_waiting(self, quiet_s: float) -> bytes:
        """What has come or comes within ``quiet_s``; empty when nothing does."""

    @abstractmethod
    def _connect(self, deadline_s: float) -> None: ...

    @abstractmethod
    def _disconnect(self) -> None: ...

    def _receive_into(self, view: memoryview, deadline_s: float) -> None:
        """Fill ``view`` whole; a link that can do it without copying overrides this."""
        filled = 0
        while filled < len(view):
            piece = self._receive(deadline_s)
            used = min(len(piece), len(view) - filled)
            view[filled : filled + used] = piece[:used]
            self._pending += piece[used:]
            filled += used

    @property
    def has_pending(self) -> bool:
        """True where part of an answer has come."""
        return bool(self._pending)

    def open(self, deadline_s: float) -> None:
        """See ``Link``."""
        self._connect(deadline_s)

    def write(self, line: bytes, deadline_s: float) -> None:
        """See ``Link``."""
        self._send(line + self._terminator, deadline_s)

    def read_line(self, deadline_s: float) -> bytes:
        """See ``Link``."""
        end = self._end
        if not self._pending:
            piece = self._receive(deadline_s)
            if piece.find(end) == len(piece) - 1:  # a whole line and nothing after it, as nearly always
                return piece.rstrip(b"\r\n")
            self._pending += piece
        searched = 0
        while (found := self._pending.find(end, searched)) < 0:
            searched = len(self._pending)
            if searched > LONGEST_LINE:
                raise OutOfStep(f"{searched} bytes came without an end of line: check the terminator option.")
            self._pending += self._receive(deadline_s)
        line = bytes(self._pending[:found])
        del self._pending[: found + 1]
        return line.rstrip(b"\r\n")

    def read_block(self, deadline_s: float) -> bytes:
        """See ``Link``."""
        while (header := scpi.block_header(self._pending)) is None:
            self._pending += self._receive(deadline_s)
        del self._pending[: header.start]
        if header.size is None:
            return self.drain(BLOCK_QUIET_S).rstrip(b"\r\n")
        end_s = max(deadline_s, self._clock.monotonic_s()) + header.size / self.slowest_bytes_per_s
        payload = self._room(header.size)
        have = min(header.size, len(self._pending))
        payload[:have] = self._pending[:have]
        del self._pending[:have]
        self._receive_into(payload[have:], end_s)
        scpi.check_after_block(self.read_line(end_s))
        return bytes(payload)

    def _room(self, size: int) -> memoryview:
        """Where a block is received; kept, because the making of a large buffer costs as much as filling it."""
        if size > KEPT_ROOM:
            return memoryview(bytearray(size))
        if size > len(self._kept):
            self._kept = bytearray(size)
        return memoryview(self._kept)[:size]

    def drain(self, quiet_s: float) -> bytes:
        """See ``Link``."""
        taken = bytes(self._pending)
        self._pending.clear()
        end_s = self._clock.monotonic_s() + quiet_s + LONGEST_DRAIN_S
        while piece := self._receive_waiting(quiet_s):
            taken += piece
            if self._clock.monotonic_s() > end_s:
                raise OutOfStep(f"it does not stop sending unasked ({len(taken)} bytes): switch off its free talking.")
        return taken

    def clear(self, deadline_s: float) -> None:
        """See ``Link``."""
        self.reopen(deadline_s)

    def reopen(self, deadline_s: float) -> None:
        """See ``Link``."""
        self.close()
        self.open(deadline_s)

    def take_remarks(self) -> Sequence[str]:
        """See ``Link``. A stream deals with nothing by itself."""
        return ()

    def close(self) -> None:
        """See ``Link``."""
        self._pending.clear()
        try:
            self._disconnect()
        except (LinkError, OSError):
            return  # it is gone already, which is all that was wanted
