"""Instruments on sockets and ttys. Each server can vanish and come back on the same address.

In a test, one line is enough::

    with serve_tcp(instrument) as server:
        connect(server.host, server.port)
"""

import os
import select
import socket
import threading
from contextlib import suppress
from pathlib import Path
from types import TracebackType
from typing import Protocol, Self

from simulated_instruments.wire import Answering, WireWrapper, converse, plain


class Server(Protocol):
    """What a running instrument is reached through."""

    @property
    def resource(self) -> str:
        """Its VISA resource name."""

    def come_back(self) -> None:
        """Answer at the address (again)."""

    def vanish(self) -> None:
        """Break every connection and answer nobody; safe to call twice."""


class _SocketWire:
    def __init__(self, connection: socket.socket) -> None:
        self._connection = connection

    def read(self) -> bytes:
        return self._connection.recv(65536)

    def write(self, data: bytes) -> None:
        self._connection.sendall(data)


class TcpServer:
    """Raw SCPI on a loopback port, any number of callers."""

    def __init__(self, instrument: Answering, port: int = 0, wrap: WireWrapper = plain) -> None:
        self.host = "127.0.0.1"
        self.port = port
        self._instrument = instrument
        self._wrap = wrap
        self._listener: socket.socket | None = None
        self._connections: set[socket.socket] = set()
        self._lock = threading.Lock()

    @property
    def resource(self) -> str:
        """See ``Server``."""
        return f"TCPIP::{self.host}::{self.port}::SOCKET"

    def come_back(self) -> None:
        """See ``Server``."""
        if self._listener is not None:
            return
        listener = socket.socket()
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind((self.host, self.port))
        listener.listen()
        self.port = listener.getsockname()[1]
        self._listener = listener
        threading.Thread(target=self._accept, args=(listener,), daemon=True).start()

    def vanish(self) -> None:
        """See ``Server``."""
        listener, self._listener = self._listener, None
        if listener is not None:
            _shut(listener)
        with self._lock:
            for connection in self._connections:
                _hang_up(connection)

    def _accept(self, listener: socket.socket) -> None:
        with suppress(OSError):
            while True:
                connection, _ = listener.accept()
                connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                with self._lock:
                    self._connections.add(connection)
                threading.Thread(target=self._converse, args=(connection,), daemon=True).start()

    def _converse(self, connection: socket.socket) -> None:
        try:
            converse(self._wrap(_SocketWire(connection)), self._instrument)
        finally:
            with self._lock:
                self._connections.discard(connection)
            connection.close()

    def __enter__(self) -> Self:
        self.come_back()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self.vanish()


class _TtyWire:
    """Ends when ``ended`` becomes readable: closing a tty does not wake a thread that reads it."""

    def __init__(self, master: int, ended: int) -> None:
        self._master = master
        self._ended = ended

    def read(self) -> bytes:
        ready, _, _ = select.select([self._master, self._ended], [], [])
        return b"" if self._ended in ready else os.read(self._master, 65536)

    def write(self, data: bytes) -> None:
        while data:
            data = data[os.write(self._master, data) :]


class TtyServer:
    """SCPI on a pseudo terminal, reached through a link that keeps its name; lines end in CR LF."""

    def __init__(self, instrument: Answering, link: Path, wrap: WireWrapper = plain) -> None:
        self.link = link
        self._instrument = instrument
        self._wrap = wrap
        self._running: tuple[int, threading.Thread] | None = None

    @property
    def resource(self) -> str:
        """See ``Server``."""
        return f"ASRL{self.link}::INSTR"

    def come_back(self) -> None:
        """See ``Server``."""
        import tty  # noqa: PLC0415 because Windows has none, and needs none until here

        if self._running is not None:
            return
        master, slave = os.openpty()
        tty.setraw(slave)
        self.link.unlink(missing_ok=True)
        self.link.symlink_to(os.ttyname(slave))
        ended, end = os.pipe()
        # The far end stays open here too: otherwise reading fails whenever no caller is there.
        thread = threading.Thread(target=self._converse, args=((master, slave, ended),), daemon=True)
        self._running = (end, thread)
        thread.start()

    def vanish(self) -> None:
        """See ``Server``."""
        running, self._running = self._running, None
        if running is None:
            return
        end, thread = running
        self.link.unlink(missing_ok=True)
        os.close(end)
        thread.join()

    def _converse(self, ends: tuple[int, int, int]) -> None:
        master, _, ended = ends
        try:
            converse(self._wrap(_TtyWire(master, ended)), self._instrument, b"\r\n")
        finally:
            for end in ends:
                os.close(end)

    def __enter__(self) -> Self:
        self.come_back()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self.vanish()


def serve_tcp(instrument: Answering, port: int = 0, wrap: WireWrapper = plain) -> TcpServer:
    """A TCP server to be used in a ``with``; port 0 takes a free one."""
    return TcpServer(instrument, port, wrap)


def serve_tty(instrument: Answering, link: Path, wrap: WireWrapper = plain) -> TtyServer:
    """A serial server to be used in a ``with``; ``link`` is where the tty will be found."""
    return TtyServer(instrument, link, wrap)


def _shut(listener: socket.socket) -> None:
    # Closing alone does not wake a thread in accept(); shutdown does.
    with suppress(OSError):
        listener.shutdown(socket.SHUT_RDWR)
    listener.close()


def _hang_up(connection: socket.socket) -> None:
    with suppress(OSError):
        connection.shutdown(socket.SHUT_RDWR)
