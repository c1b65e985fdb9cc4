"""The procedures of VXI-11's core channel for one caller, and the interrupt channel back to it."""

import itertools
import socket
import threading
from collections.abc import Callable
from contextlib import suppress

from simulated_instruments.serving.locks import Locks
from simulated_instruments.serving.rpc import Arguments, Program, call, opaque, prefixed, record, uints
from simulated_instruments.serving.vxi11_link import Error, Link
from simulated_instruments.wire import Answering, Spoken

CORE_PROGRAM, ABORT_PROGRAM, VERSION = 0x0607AF, 0x0607B0, 1
DEVICES = ("inst0", "")
LARGEST_WRITE = 1 << 17
MOST_LINKS = 64
_WAIT_LOCK, _END, _TERMINATED = 1, 8, 128
_INTERRUPT_PROCEDURE = 30
_TCP, _UDP = 0, 1
_PATIENCE_S = 2.0


class Shared:
    """What all callers of one server share."""

    def __init__(self, instrument: Answering) -> None:
        self.instrument = instrument
        self.locks = Locks()
        self.links: dict[int, Link] = {}
        self.numbers = itertools.count(1)
        self.abort_port = 0

    def abort(self, arguments: Arguments) -> bytes:
        """device_abort, the one procedure of the abort channel."""
        link = self.links.get(arguments.signed())
        if link is None:
            return uints(Error.INVALID_LINK)
        link.abort()
        return uints(Error.NONE)


class Interrupts:
    """The channel on which this server calls its caller."""

    def __init__(self, address: tuple[str, int], program: int, version: int, kind: socket.SocketKind) -> None:
        self._program, self._version = program, version
        self._streams = kind == socket.SOCK_STREAM
        self._numbers = itertools.count(1)
        self._lock = threading.Lock()
        self._socket = socket.socket(socket.AF_INET, kind)
        self._socket.settimeout(_PATIENCE_S)
        try:
            self._socket.connect(address)
        except OSError:
            self._socket.close()
            raise

    def request(self, handle: bytes) -> None:
        """device_intr_srq; nobody waits for a reply (B.5.3)."""
        with self._lock, suppress(OSError):
            data = call(next(self._numbers), self._program, self._version, _INTERRUPT_PROCEDURE, opaque(handle))
            self._socket.sendall(record(data) if self._streams else data)

    def close(self) -> None:
        """Hang up."""
        self._socket.close()


class Core:
    """One caller's connection to the core channel. Links end with it (B.6.1)."""

    def __init__(self, shared: Shared) -> None:
        self.sent: Callable[[], None] | None = None  # to be called once the reply is out
        self._shared = shared
        self._links: dict[int, Link] = {}
        self._interrupts: Interrupts | None = None
        self.program = Program(
            VERSION,
            {
                10: self._create_link,
                11: self._write,
                12: self._read,
                13: self._generic(lambda link: uints(Error.NONE, link.poll()), uints(0)),
                14: self._generic(self._trigger),
                15: self._generic(self._clear),
                16: self._generic(lambda link: self._hold_panel(True)),
                17: self._generic(lambda link: self._hold_panel(False)),
                18: self._lock,
                19: self._unlock,
                20: self._enable_service_request,
                22: self._command,
                23: self._destroy_link,
                25: self._create_interrupts,
                26: self._destroy_interrupts,
            },
        )

    def close(self) -> None:
        """Everything ends."""
        for link in list(self._links.values()):
            self._end(link)
        self._destroy_interrupts(None)

    def _end(self, link: Link) -> None:
        self._links.pop(link.number, None)
        self._shared.links.pop(link.number, None)
        link.close()
        self._shared.locks.release(link.number)

    def _requested(self, link: Link, status: int) -> None:
        if self._interrupts is not None and link.handle is not None:
            self._interrupts.request(link.handle)

    # ---- links and locks

    def _create_link(self, given: Arguments) -> bytes:
        given.signed()
        wants_lock, lock_s, device = given.uint(), given.uint() / 1000, given.opaque()
        if device.decode("latin-1").lower() not in DEVICES:
            return uints(Error.NOT_ACCESSIBLE, 0, 0, 0)
        if len(self._shared.links) >= MOST_LINKS:
            return uints(Error.OUT_OF_RESOURCES, 0, 0, 0)
        link = Link(next(self._shared.numbers), self._shared.instrument, self._requested)
        if wants_lock and not self._shared.locks.take(link.number, "", lock_s, lambda: link.gone):
            link.close()
            return uints(Error.LOCKED, 0, 0, 0)
        self._links[link.number] = self._shared.links[link.number] = link
        return uints(Error.NONE, link.number, self._shared.abort_port, LARGEST_WRITE)

    def _destroy_link(self, given: Arguments) -> bytes:
        link = self._links.get(given.signed())
        if link is None:
            return uints(Error.INVALID_LINK)
        self._end(link)
        return uints(Error.NONE)

    def _may(self, link: Link, flags: int, lock_s: float) -> bool:
        """Whether no other link holds the lock; waits for it where the flag says so (B.4.3)."""
        return self._shared.locks.wait_free(link.number, lock_s if flags & _WAIT_LOCK else 0.0, lambda: link.gone)

    def _lock(self, given: Arguments) -> bytes:
        link, flags, lock_s = self._links.get(given.signed()), given.signed(), given.uint() / 1000
        if link is None:
            return uints(Error.INVALID_LINK)
        wait_s = lock_s if flags & _WAIT_LOCK else 0.0
        taken = self._shared.locks.take(link.number, "", wait_s, lambda: link.gone)
        return uints(Error.NONE if taken else Error.LOCKED)

    def _unlock(self, given: Arguments) -> bytes:
        link = self._links.get(given.signed())
        if link is None:
            return uints(Error.INVALID_LINK)
        return uints(Error.NONE if self._shared.locks.release(link.number) else Error.NO_LOCK)

    # ---- messages

    def _write(self, given: Arguments) -> bytes:
        link, _, lock_s, flags, data = given.signed(), given.uint(), given.uint() / 1000, given.signed(), given.opaque()
        found = self._links.get(link)
        if found is None:
            return uints(Error.INVALID_LINK, 0)
        if len(data) > LARGEST_WRITE:
            return uints(Error.PARAMETER, 0)
        if not self._may(found, flags, lock_s):
            return uints(Error.LOCKED, 0)
        found.write(data, bool(flags & _END))
        return uints(Error.NONE, len(data))

    def _read(self, given: Arguments) -> bytes:
        link, size, io_s, lock_s = given.signed(), given.uint(), given.uint() / 1000, given.uint() / 1000
        flags, terminator = given.signed(), given.signed() & 0xFF
        found = self._links.get(link)
        if found is None:
            return uints(Error.INVALID_LINK, 0) + opaque(b"")
        if not self._may(found, flags, lock_s):
            return uints(Error.LOCKED, 0) + opaque(b"")
        error, reason, data, begins = found.read(size, terminator if flags & _TERMINATED else None, io_s)
        self.sent = found.count_read
        packed = opaque(data)
        body = Spoken.framed(packed, slice(4, 4 + len(data))) if data and begins else packed
        return prefixed(uints(error, reason), body)

    def _generic(self, act: Callable[[Link], bytes], more: bytes = b"") -> Callable[[Arguments], bytes]:
        """A procedure with Device_GenericParms; ``more`` follows the error where one is given."""

        def procedure(given: Arguments) -> bytes:
            link, flags, lock_s, _ = given.signed(), given.signed(), given.uint() / 1000, given.uint()
            found = self._links.get(link)
            if found is None:
                return uints(Error.INVALID_LINK) + more
            if not self._may(found, flags, lock_s):
                return uints(Error.LOCKED) + more
            return act(found)

        return procedure

    def _trigger(self, link: Link) -> bytes:
        link.write(b"*TRG", end=True)
        return uints(Error.NONE)

    def _clear(self, link: Link) -> bytes:
        link.clear()
        return uints(Error.NONE)

    def _hold_panel(self, held: bool) -> bytes:
        hold_panel = getattr(self._shared.instrument, "hold_panel", None)
        if hold_panel is None:
            return uints(Error.NOT_SUPPORTED)
        hold_panel(held)
        return uints(Error.NONE)

    def _command(self, given: Arguments) -> bytes:
        """device_docmd is for interfaces to other buses; an instrument has no such commands (VXI-11.3)."""
        known = given.signed() in self._links
        return uints(Error.NOT_SUPPORTED if known else Error.INVALID_LINK) + opaque(b"")

    # ---- service requests

    def _enable_service_request(self, given: Arguments) -> bytes:
        link, enable, handle = self._links.get(given.signed()), given.uint(), given.opaque(40)
        if link is None:
            return uints(Error.INVALID_LINK)
        link.handle = handle if enable else None
        return uints(Error.NONE)

    def _create_interrupts(self, given: Arguments) -> bytes:
        host, port, program, version, family = (given.uint() for _ in range(5))
        if self._interrupts is not None:
            return uints(Error.CHANNEL_EXISTS)
        if family not in (_TCP, _UDP) or port > 0xFFFF:
            return uints(Error.PARAMETER)
        kind = socket.SOCK_STREAM if family == _TCP else socket.SOCK_DGRAM
        try:
            self._interrupts = Interrupts((socket.inet_ntoa(uints(host)), port), program, version, kind)
        except OSError:
            return uints(Error.NO_CHANNEL)
        return uints(Error.NONE)

    def _destroy_interrupts(self, given: Arguments | None) -> bytes:
        if self._interrupts is None:
            return uints(Error.NO_CHANNEL)
        self._interrupts.close()
        self._interrupts = None
        return uints(Error.NONE)
