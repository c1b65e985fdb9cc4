"""What all servers share: coming and going at one address, one thread a caller."""

import socket
import threading
from abc import ABC, abstractmethod
from contextlib import suppress
from types import TracebackType
from typing import Protocol, Self

from simulated_instruments.wire import HungUp

_GRACE_S = 2.0


class Server(Protocol):
    """What a running instrument is reached through."""

    @property
    def resource(self) -> str:
        """Its VISA resource name."""

    def come_back(self) -> None:
        """Answer at the address (again)."""

    def vanish(self) -> None:
        """Break every connection and answer nobody; safe to call twice."""


class Coming(ABC):
    """Vanishes, comes back, or is away for a while; ``with`` brings it in and takes it away."""

    def __init__(self) -> None:
        self._guard = threading.RLock()
        self._away: threading.Event | None = None
        self._wanted = False

    @property
    @abstractmethod
    def resource(self) -> str:
        """See ``Server``."""

    @abstractmethod
    def _come(self) -> None: ...

    @abstractmethod
    def _leave(self) -> None: ...

    def come_back(self) -> None:
        """See ``Server``."""
        with self._guard:
            self._wanted = True
            self._end_absence()
            self._come()

    def vanish(self) -> None:
        """See ``Server``."""
        with self._guard:
            self._wanted = False
            self._end_absence()
            self._leave()

    def be_away(self, seconds: float) -> None:
        """Vanish and come back after ``seconds``, unless called or sent away meanwhile; does not wait for that."""
        with self._guard:
            if not self._wanted:
                return
            self._end_absence()
            self._away = ended = threading.Event()
            self._leave()
        threading.Thread(target=self._return, args=(ended, seconds), daemon=True).start()

    def _return(self, ended: threading.Event, seconds: float) -> None:
        ended.wait(seconds)
        with self._guard:
            if self._away is ended:
                self._away = None
                self._come()

    def _end_absence(self) -> None:
        if self._away is not None:
            self._away.set()
            self._away = None

    def __enter__(self) -> Self:
        self.come_back()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self.vanish()


class SocketWire:
    """A ``Wire`` over a connected socket."""

    def __init__(self, connection: socket.socket) -> None:
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self.connection = connection
        self._ended = threading.Event()

    def read(self) -> bytes:
        """See ``Wire``."""
        return self.connection.recv(65536)

    def write(self, data: bytes) -> None:
        """See ``Wire``."""
        self.connection.sendall(data)

    def rest(self, seconds: float) -> None:
        """See ``Wire``."""
        if self._ended.wait(seconds):
            raise ConnectionAbortedError("ended while it waited")

    def end(self) -> None:
        """Hang up: whoever reads, writes or rests stops at once."""
        self._ended.set()
        with suppress(OSError):
            self.connection.shutdown(socket.SHUT_RDWR)


class SocketServer(Coming):
    """Accepts any number of callers on a loopback port; the port stays the same when it comes back."""

    host = "127.0.0.1"

    def __init__(self, port: int = 0) -> None:
        super().__init__()
        self.port = port
        self._listener: socket.socket | None = None
        self._wires: dict[SocketWire, threading.Thread] = {}

    @abstractmethod
    def attend(self, wire: SocketWire) -> None:
        """Serve one caller until it has gone; may raise ``OSError``."""

    def _come(self) -> None:
        if self._listener is not None:
            return
        listener = socket.socket()
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind((self.host, self.port))
        listener.listen()
        self.port = listener.getsockname()[1]
        self._listener = listener
        threading.Thread(target=self._accept, args=(listener,), daemon=True).start()

    def _leave(self) -> None:
        listener, self._listener = self._listener, None
        if listener is not None:
            # Closing alone does not wake a thread in accept(); shutdown does.
            with suppress(OSError):
                listener.shutdown(socket.SHUT_RDWR)
            listener.close()
        for wire in list(self._wires):
            wire.end()

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self.vanish()
        for thread in list(self._wires.values()):
            thread.join(_GRACE_S)

    def _accept(self, listener: socket.socket) -> None:
        with suppress(OSError):
            while True:
                wire = SocketWire(listener.accept()[0])
                thread = threading.Thread(target=self._attend, args=(wire,), daemon=True)
                with self._guard:
                    self._wires[wire] = thread
                    thread.start()
                if self._listener is not listener:
                    wire.end()

    def _attend(self, wire: SocketWire) -> None:
        try:
            self.attend(wire)
        except HungUp as hung_up:
            if hung_up.away_s:
                # Before the caller sees the end: one who calls again at once is not let in.
                self.be_away(hung_up.away_s)
        except OSError:
            pass
        finally:
            wire.end()
            wire.connection.close()
            with self._guard:
                self._wires.pop(wire, None)
