"""VXI-11, HiSLIP, USB and GPIB through pyvisa with pyvisa-py. Only this and ``visa_library`` touch ``pyvisa``.

Traps that shape this module (measured with pyvisa 1.16, pyvisa-py 0.8):

- ``ResourceManager`` is one for the process, and closing it kills every session: it is never closed.
- ``close`` leaves the session object behind: it is taken out of the library's table here.
- Opening an absent HiSLIP or VXI-11 instrument waits five seconds, whatever the timeout, with a socket
  left over: whether anybody listens is found out before, outside of the lock.
- A refused SOCKET opens without an error, and one whose peer has closed spins a core: the socket is
  asked who its peer is, and peeked at before each read.
- With the termination character on, every LF inside a block ends a read; with it off, ``read_raw``
  waits for a timeout: header, digits and payload are read by their sizes.
- A message-based session must be read to its end, or the rest is taken for the next header.
"""

import contextlib
import logging
import select
import threading
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import Any

import pyvisa
from pyvisa.constants import (
    BufferOperation,
    ControlFlow,
    InterfaceType,
    Parity,
    SerialTermination,
    StatusCode,
    StopBits,
)
from pyvisa.resources import MessageBasedResource
from pyvisa_py.protocols import hislip
from pyvisa_py.protocols.rpc import RPCError
from pyvisa_py.sessions import Session

from drivers import scpi
from drivers.clock import Clock
from drivers.errors import LinkClosed, LinkError, LinkRefused, LinkTimeout, OutOfStep
from drivers.links.channel import check_somebody_listens
from drivers.links.stream import LONGEST_DRAIN_S, LONGEST_LINE
from drivers.resource_names import ResourceName, Way

QUIET_S = 0.3
AFTER_BLOCK = 64  # room for the terminator: a message-based read has to reach the end of the message
PORTMAPPER_PORT = 111  # where VXI-11 asks for its own port (RFC 1057, appendix A)
SLOWEST_BYTES_PER_S = 50_000.0
PEEK = 2  # MSG_PEEK, the same on every system that Python's sockets know

log = logging.getLogger("probetrail.visa")
_opening = threading.Lock()
# It prints when an instrument prefers overlapped mode, and standard output belongs to the command line.
hislip.print = log.debug
# What pyvisa and pyvisa-py let through, translated in one place. Their RPC error is a bare Exception.
FOREIGN = (
    pyvisa.Error, OSError, RuntimeError, ValueError, LookupError, EOFError, AssertionError, RPCError, AttributeError,
)  # fmt: skip


class VisaLink:
    """One pyvisa session, owned by one thread; sessions are opened and closed under one lock.

    A socket or a serial port is a stream here too (``link = "visa"`` forces it); the other ways
    carry whole messages. A peer that sends byte by byte can stretch a deadline, because pyvisa-py
    starts its timeout anew with each packet.
    """

    def __init__(
        self,
        name: ResourceName,
        options: Mapping[str, Any],
        clock: Clock,
        terminator: bytes = b"\n",
        backend: str = "@py",
    ) -> None:
        self._name = name
        self._options = options
        self._clock = clock
        self._terminator = terminator
        self._backend = backend
        self._session: MessageBasedResource | None = None
        self._timeout_ms = 0
        self._is_stream = name.way in (Way.SOCKET, Way.SERIAL)

    def open(self, deadline_s: float) -> None:
        """See ``Link``."""
        self._check_host(deadline_s)
        open_ms = max(1, round((deadline_s - self._clock.monotonic_s()) * 1000))
        with _opening:
            try:
                session = _manager(self._backend).open_resource(self._name.text, open_timeout=open_ms)
            except Exception as error:  # pyvisa-py raises bare Exception("could not connect")
                raise LinkRefused(f"{self._name.text} does not open ({error}): is it on, is the name right?") from error
        if not isinstance(session, MessageBasedResource) or not session.session:
            # A library may give a null session instead of an error, on which reads never end.
            raise LinkRefused(f"{self._name.text} does not open: the VISA library knows no such instrument.")
        self._session, self._timeout_ms = session, 0
        self._prepare(session)

    def _prepare(self, session: MessageBasedResource) -> None:
        try:
            if self._is_stream:
                session.read_termination = self._terminator.decode("ascii")[-1]
            if self._name.way is Way.SERIAL:
                _set_port(session, self._options)
                self.drain(QUIET_S)  # an earlier program's answer may still be on its way
            self._check_connected()
        except FOREIGN as error:
            self.close()
            raise LinkRefused(
                f"nobody answers at {self._name.text} ({error}): is the instrument on, is the port right?"
            ) from error

    def _check_host(self, deadline_s: float) -> None:
        if self._name.host:
            port = self._name.port or PORTMAPPER_PORT
            check_somebody_listens(self._name.host, port, deadline_s - self._clock.monotonic_s())

    def _check_connected(self) -> None:
        if self._name.way is Way.SOCKET:
            self._connection().getpeername()

    def _connection(self) -> Any:
        """The socket inside a LAN session; None on the other ways."""
        if self._session is None or not self._name.host:
            return None
        interface = self._session.visalib.sessions[self._session.session].interface  # type: ignore[attr-defined]  # because it is pyvisa-py's own
        inside = {Way.VXI11: "sock", Way.HISLIP: "_sync"}.get(self._name.way)
        return getattr(interface, inside) if inside else interface

    def _peer_is_gone(self) -> bool:
        connection = self._connection()
        if connection is None or not select.select([connection], [], [], 0)[0]:
            return False
        return not connection.recv(1, PEEK)

    def _check_peer(self) -> None:
        if self._peer_is_gone():
            raise LinkClosed(f"{self._name.text} closed the connection.")

    @contextmanager
    def _open_session(self, deadline_s: float) -> Iterator[MessageBasedResource]:
        """The session with its timeout set; what goes wrong with it is translated here and nowhere else."""
        if self._session is None:
            raise LinkClosed(f"{self._name.text} is not open.")
        try:
            self._set_timeout(self._session, deadline_s)
            yield self._session
        except pyvisa.VisaIOError as error:
            if error.error_code == StatusCode.error_timeout:
                raise LinkTimeout(
                    f"{self._name.text} stayed silent: raise timeout_s if it is only slow."
                ) from error
            raise LinkClosed(f"{self._name.text} went away ({error}).") from error
        except TimeoutError as error:
            raise LinkTimeout(f"{self._name.text} stayed silent: raise timeout_s if it is only slow.") from error
        except FOREIGN as error:
            raise LinkClosed(f"{self._name.text} went away ({error!r}).") from error

    def _set_timeout(self, session: MessageBasedResource, deadline_s: float) -> None:
        rest_ms = round((deadline_s - self._clock.monotonic_s()) * 1000)
        if rest_ms <= 0:
            raise LinkTimeout(f"{self._name.text} took too long: raise timeout_s if it is only slow.")
        if not 0.9 * self._timeout_ms <= rest_ms <= self._timeout_ms:
            session.timeout = self._timeout_ms = rest_ms

    def write(self, line: bytes, deadline_s: float) -> None:
        """See ``Link``."""
        with self._open_session(deadline_s) as session:
            self._check_peer()
            session.write_raw(line + self._terminator)

    def read_line(self, deadline_s: float) -> bytes:
        """See ``Link``."""
        with self._open_session(deadline_s) as session:
            self._wait_for_socket(deadline_s)
            line = session.read_raw()
        if len(line) > LONGEST_LINE:
            raise OutOfStep(f"{len(line)} bytes came without an end of line: check the terminator option.")
        return line.rstrip(b"\r\n")

    def _wait_for_socket(self, deadline_s: float) -> None:
        """Return when a SOCKET session has something to read, before pyvisa-py can spin on an end of file."""
        if self._name.way is not Way.SOCKET or self._buffered():
            return
        connection = self._connection()
        readable, _, _ = select.select([connection], [], [], max(0.0, deadline_s - self._clock.monotonic_s()))
        if not readable:
            raise LinkTimeout(f"{self._name.text} stayed silent: raise timeout_s if it is only slow.")
        if not connection.recv(1, PEEK):
            raise LinkClosed(f"{self._name.text} closed the connection.")

    def _buffered(self) -> int:
        assert self._session is not None
        session = self._session.visalib.sessions[self._session.session]  # type: ignore[attr-defined]  # because it is pyvisa-py's own
        return len(session._pending_buffer)

    def read_block(self, deadline_s: float) -> bytes:
        """See ``Link``."""
        with self._open_session(deadline_s) as session, self._without_termination(session):
            self._wait_for_socket(deadline_s)
            head = bytearray(session.read_bytes(2))
            while head[-2:-1] != b"#" and scpi.block_header(head) is None:
                head += session.read_bytes(1)  # a response header first (IEEE 488.2, 8.4)
            if (header := scpi.block_header(head)) is None:
                head += session.read_bytes(head[-1] - ord("0"))
                header = scpi.block_header(head)
        assert header is not None
        if header.size is None:
            return self._read_to_end(deadline_s)
        end_s = max(deadline_s, self._clock.monotonic_s()) + header.size / SLOWEST_BYTES_PER_S
        return self._read_payload(header.size, end_s)

    def _read_payload(self, size: int, end_s: float) -> bytes:
        with self._open_session(end_s) as session, self._without_termination(session):
            if self._is_stream:
                data = session.read_bytes(size + len(self._terminator), chunk_size=size + len(self._terminator))
            else:
                room = size + AFTER_BLOCK
                data = session.read_bytes(room, chunk_size=room, break_on_termchar=True)
        if len(data) < size:
            raise OutOfStep(f"{self._name.text} ended a block after {len(data)} of {size} bytes.")
        scpi.check_after_block(data[size:])
        return data[:size]

    def _read_to_end(self, deadline_s: float) -> bytes:
        if self._is_stream:
            return self.drain(QUIET_S).rstrip(b"\r\n")
        with self._open_session(deadline_s) as session:
            return session.read_raw().rstrip(b"\r\n")

    @contextmanager
    def _without_termination(self, session: MessageBasedResource) -> Iterator[None]:
        if not self._is_stream:
            yield
            return
        with session.read_termination_context(""):
            if self._name.way is Way.SERIAL:
                session.end_input = SerialTermination.none  # type: ignore[attr-defined]  # because it is pyvisa-py's own
            try:
                yield
            finally:
                if self._name.way is Way.SERIAL:
                    session.end_input = SerialTermination.termination_char  # type: ignore[attr-defined]  # because it is pyvisa-py's own

    def drain(self, quiet_s: float) -> bytes:
        """See ``Link``. Messages of VXI-11 and HiSLIP carry their question's number: nothing can wait there."""
        taken = b""
        end_s = self._clock.monotonic_s() + quiet_s + LONGEST_DRAIN_S
        with self._open_session(end_s) as session, self._without_termination(session):
            if not self._is_stream:
                self._check_peer()
                return taken
            while (waiting := self._count_waiting(session, quiet_s)) > 0:
                taken += session.read_bytes(waiting)
                if self._clock.monotonic_s() > end_s:
                    raise OutOfStep("it does not stop sending unasked: switch off its free talking.")
        return taken

    def _count_waiting(self, session: MessageBasedResource, quiet_s: float) -> int:
        if self._name.way is Way.SOCKET:
            return self._count_in_socket(quiet_s)
        if not session.bytes_in_buffer and quiet_s:  # type: ignore[attr-defined]  # because it is pyvisa-py's own
            port = session.visalib.sessions[session.session].interface  # type: ignore[attr-defined]  # because it is pyvisa-py's own
            select.select([port], [], [], quiet_s)
        return int(session.bytes_in_buffer)  # type: ignore[attr-defined]  # because it is pyvisa-py's own

    def _count_in_socket(self, quiet_s: float) -> int:
        if buffered := self._buffered():
            return buffered
        connection = self._connection()
        if not select.select([connection], [], [], quiet_s)[0]:
            return 0
        if not (peeked := connection.recv(4096, PEEK)):
            raise LinkClosed(f"{self._name.text} closed the connection.")
        return len(peeked)

    def clear(self, deadline_s: float) -> None:
        """See ``Link``: device clear where it works, silence on a serial line, otherwise a new session."""
        if self._name.way is Way.SERIAL:
            self.drain(QUIET_S)
        elif self._name.way in (Way.VXI11, Way.GPIB):
            with self._open_session(deadline_s) as session:
                session.clear()
        else:
            self.reopen(deadline_s)

    def reopen(self, deadline_s: float) -> None:
        """See ``Link``."""
        self.close()
        self.open(deadline_s)

    def take_remarks(self) -> Sequence[str]:
        """See ``Link``. pyvisa-py throws away without saying so."""
        return ()

    def close(self) -> None:
        """See ``Link``."""
        gone = False
        with contextlib.suppress(*FOREIGN):
            gone = self._name.way is Way.VXI11 and self._peer_is_gone()
        session, self._session = self._session, None
        if session is None:
            return
        handle, library = session.session, session.visalib
        with _opening, contextlib.suppress(*FOREIGN):
            if gone:
                # its farewell would wait five seconds for an answer, spinning, and hold the lock
                library.sessions[handle].interface.destroy_link = lambda link: 0  # type: ignore[attr-defined]  # because it is pyvisa-py's own
            session.close()
        table = getattr(library, "sessions", None)
        if table is not None:
            table.pop(handle, None)


def visa_names(way: Way) -> list[str]:
    """Resource names of the instruments that pyvisa-py finds on USB or GPIB.

    Only these: its own search of the LAN takes seconds, and its list of serial ports says nothing that pyserial
    does not. Raises ``LinkError`` where a backend is missing or fails.
    """
    try:
        if issue := _missing(way):
            raise LinkError(f"{way.upper()} instruments are not looked for: {issue}")
        return [name for kind in _classes(way) for name in kind.list_resources()]
    except LinkError:
        raise
    except Exception as error:  # whatever a half-installed library makes of it
        raise LinkError(f"the search for {way.upper()} instruments failed ({error!r}).") from error


def _manager(backend: str) -> pyvisa.ResourceManager:
    return pyvisa.ResourceManager(backend)


def _missing(way: Way) -> str:
    """What pyvisa-py says is not installed, in one line; empty where all is there."""
    _manager("@py")  # loads the classes
    issues = dict(Session.iter_session_classes_issues())
    return " ".join(issues.get((InterfaceType[way], "INSTR"), "").split())


def _classes(way: Way) -> list[Any]:
    return [kind for key, kind in Session.iter_valid_session_classes() if key == (InterfaceType[way], "INSTR")]


def _set_port(session: Any, options: Mapping[str, Any]) -> None:
    session.baud_rate = options.get("baud", 9600)
    session.data_bits = options.get("data_bits", 8)
    session.stop_bits = StopBits.two if options.get("stop_bits", 1) == 2 else StopBits.one
    session.parity = {"even": Parity.even, "odd": Parity.odd}.get(options.get("parity", "none"), Parity.none)
    flows = {"xonxoff": ControlFlow.xon_xoff, "rtscts": ControlFlow.rts_cts, "dsrdtr": ControlFlow.dtr_dsr}
    session.flow_control = flows.get(options.get("flow", "none"), ControlFlow.none)
    session.flush(BufferOperation.discard_read_buffer)
