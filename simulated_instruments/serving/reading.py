"""So many bytes, no more and no fewer, from a wire that gives what has arrived."""

from simulated_instruments.wire import Wire


class Reader:
    """Raises ``ConnectionError`` when the wire ends."""

    def __init__(self, wire: Wire) -> None:
        self._wire = wire
        self._held = bytearray()

    def exactly(self, count: int) -> bytes:
        """The next ``count`` bytes."""
        while len(self._held) < count:
            data = self._wire.read()
            if not data:
                raise ConnectionAbortedError("the caller has gone")
            self._held += data
        taken = bytes(self._held[:count])
        del self._held[:count]
        return taken

    def skip(self, count: int) -> None:
        """Read ``count`` bytes and forget them, without holding them all."""
        while count > 0:
            count -= len(self.exactly(min(count, 65536)))
