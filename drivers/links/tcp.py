"""SCPI over plain TCP."""

from drivers.clock import Clock
from drivers.links.channel import CHUNK, Channel
from drivers.links.stream import StreamLink

SETTLE_S = 0.3  # silence after which nothing more of an earlier answer is expected


class TcpLink(StreamLink):
    """One connection to the instrument itself; what it owed to the last one is lost with that."""

    slowest_bytes_per_s = 100_000.0

    def __init__(self, host: str, port: int, clock: Clock, terminator: bytes = b"\n") -> None:
        super().__init__(clock, terminator)
        self._channel = Channel(host, port, clock)

    def write(self, line: bytes, deadline_s: float) -> None:
        """See ``Link``."""
        self._channel.send(line + self._terminator, deadline_s)

    def _connect(self, deadline_s: float) -> None:
        self._channel.connect(deadline_s)

    def _disconnect(self) -> None:
        self._channel.close()

    def _send(self, data: bytes, deadline_s: float) -> None:
        self._channel.send(data, deadline_s)

    def _receive(self, deadline_s: float) -> bytes:
        return self._channel.receive_at_most(CHUNK, deadline_s)

    def _receive_into(self, view: memoryview, deadline_s: float) -> None:
        self._channel.fill(view, deadline_s)

    def _receive_waiting(self, quiet_s: float) -> bytes:
        return self._channel.waiting(quiet_s)


class SerialServerLink(TcpLink):
    """A serial port behind a LAN box (``ASRLsocket://HOST:PORT::INSTR``).

    A new connection to the box is not a new start for the wire behind it: as on a serial port, only
    silence clears it.
    """

    slowest_bytes_per_s = 100.0

    def _connect(self, deadline_s: float) -> None:
        super()._connect(deadline_s)
        self.drain(SETTLE_S)

    def clear(self, deadline_s: float) -> None:
        """See ``Link``."""
        self.drain(SETTLE_S)
