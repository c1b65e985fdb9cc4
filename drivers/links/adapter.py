"""GPIB instruments behind a LAN or serial adapter that is told what to do by lines that begin with ``++``.

One adapter serves many instruments, each with a thread of its own: they share its connection, and whoever
uses it holds it for one whole message. That is enough, because a GPIB instrument keeps its answer until it
is addressed to talk. After anything that went wrong the connection is made anew before the next message.
"""

import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager

from drivers.clock import Clock
from drivers.errors import LinkClosed, LinkError, LinkTimeout
from drivers.links.stream import StreamLink

BEGIN = ("++savecfg 0", "++mode 1", "++auto 0", "++eos 3", "++eoi 1", "++eot_enable 0")
LONGEST_READ_MS = 3000  # the adapter's own limit for the silence within one read
ADAPTER_MARGIN_S = 0.2  # for its way to and from
ESCAPE = 27
ESCAPED = frozenset(b"\x1b\r\n+")


class Adapter:
    """The connection to one adapter, shared by the links of all instruments behind it."""

    def __init__(self, name: str, stream: StreamLink, clock: Clock) -> None:
        self.name = name
        self._stream = stream
        self._clock = clock
        self._lock = threading.Lock()
        self._address = ""
        self._read_ms = 0
        self._usable = False
        self.users = 0

    @contextmanager
    def held(self, address: str, deadline_s: float) -> Iterator[StreamLink]:
        """The connection, with ``address`` selected, for one message."""
        if not self._lock.acquire(timeout=max(0.0, deadline_s - self._clock.monotonic_s())):
            raise LinkTimeout(f"{self.name} is busy with another instrument: raise timeout_s.")
        try:
            if not self._usable:
                self._begin(deadline_s)
            self._usable = False  # until this message has gone well
            if address != self._address:
                self._stream.write(f"++addr {address}".encode("ascii"), deadline_s)
                self._address = address
            yield self._stream
            self._usable = True
        finally:
            self._lock.release()

    def _begin(self, deadline_s: float) -> None:
        self._address, self._read_ms = "", 0
        self._stream.reopen(deadline_s)
        for line in BEGIN:
            self._stream.write(line.encode("ascii"), deadline_s)

    def ask_to_talk(self, deadline_s: float) -> float:
        """Have the addressed instrument send; returns the moment at which the adapter gives it up."""
        rest_s = deadline_s - self._clock.monotonic_s()
        read_ms = max(1, min(LONGEST_READ_MS, round(rest_s * 1000)))
        if not 0.5 * self._read_ms <= read_ms <= self._read_ms:
            self._stream.write(f"++read_tmo_ms {read_ms}".encode("ascii"), deadline_s)
            self._read_ms = read_ms
        self._stream.write(b"++read eoi", deadline_s)
        return self._clock.monotonic_s() + self._read_ms / 1000 + ADAPTER_MARGIN_S

    def spoil(self) -> None:
        """Make the connection anew before the next message."""
        self._usable = False

    def close(self) -> None:
        """Let go of it when the last link has."""
        self._usable = False
        self._stream.close()


_sharing = threading.Lock()
_adapters: dict[str, Adapter] = {}


class AdapterLink:
    """One instrument behind an adapter; ``address`` as it is told to the adapter: ``9`` or ``9 96``."""

    def __init__(self, adapter: str, address: str, make_stream: Callable[[], StreamLink], clock: Clock) -> None:
        self._name = adapter
        self._address = address
        self._make_stream = make_stream
        self._clock = clock
        self._adapter: Adapter | None = None

    def open(self, deadline_s: float) -> None:
        """See ``Link``. Whether an instrument is at the address shows with the first question."""
        with _sharing:
            adapter = _adapters.get(self._name)
            if adapter is None:
                adapter = _adapters[self._name] = Adapter(self._name, self._make_stream(), self._clock)
            adapter.users += 1
        self._adapter = adapter
        try:
            with adapter.held(self._address, deadline_s):
                pass
        except LinkError:
            self.close()
            raise

    def _opened(self) -> Adapter:
        if self._adapter is None:
            raise LinkClosed(f"{self._name} is not open.")
        return self._adapter

    def write(self, line: bytes, deadline_s: float) -> None:
        """See ``Link``. The end of the message is the EOI line of the bus."""
        with self._opened().held(self._address, deadline_s) as stream:
            stream.write(_escaped(line), deadline_s)

    def read_line(self, deadline_s: float) -> bytes:
        """See ``Link``."""
        return self._read(lambda stream, end_s: stream.read_line(end_s), deadline_s)

    def read_block(self, deadline_s: float) -> bytes:
        """See ``Link``."""
        return self._read(lambda stream, end_s: stream.read_block(end_s), deadline_s)

    def _read(self, read: Callable[[StreamLink, float], bytes], deadline_s: float) -> bytes:
        """Ask it to talk until it does; the adapter gives up after some seconds each time and says nothing."""
        adapter = self._opened()
        with adapter.held(self._address, deadline_s) as stream:
            while True:
                given_up_s = adapter.ask_to_talk(deadline_s)
                try:
                    return read(stream, min(given_up_s, deadline_s))
                except LinkTimeout:
                    if self._clock.monotonic_s() >= deadline_s or stream.has_pending:
                        raise

    def drain(self, quiet_s: float) -> bytes:
        """See ``Link``. Nothing comes from an instrument that is not asked to talk."""
        adapter = self._opened()
        with adapter.held(self._address, self._clock.monotonic_s() + 1.0 + quiet_s) as stream:
            return stream.drain(quiet_s)

    def clear(self, deadline_s: float) -> None:
        """See ``Link``: selected device clear (IEEE 488.1, SDC)."""
        adapter = self._opened()
        adapter.spoil()
        with adapter.held(self._address, deadline_s) as stream:
            stream.write(b"++clr", deadline_s)

    def reopen(self, deadline_s: float) -> None:
        """See ``Link``. The adapter is begun anew, and the instrument cleared: it may still hold an answer."""
        if self._adapter is None:
            self.open(deadline_s)
        self.clear(deadline_s)

    def take_remarks(self) -> Sequence[str]:
        """See ``Link``."""
        return ()

    def close(self) -> None:
        """See ``Link``."""
        adapter, self._adapter = self._adapter, None
        if adapter is None:
            return
        with _sharing:
            adapter.users -= 1
            if not adapter.users:
                _adapters.pop(self._name, None)
                adapter.close()


def _escaped(line: bytes) -> bytes:
    """What the adapter would take for itself is escaped."""
    out = bytearray()
    for byte in line:
        if byte in ESCAPED:
            out.append(ESCAPE)
        out.append(byte)
    return bytes(out)
