"""A socket that keeps its deadlines. The only module of the links that touches ``socket``.

Every wait is one system call: the kernel holds the timeout (SO_RCVTIMEO, SO_SNDTIMEO) and is told anew
only when it no longer fits. Python's own ``settimeout`` costs two more calls for each send and receive.
"""

import select
import socket
import struct
import sys
from typing import NoReturn

from drivers.clock import Clock
from drivers.errors import LinkClosed, LinkError, LinkRefused, LinkTimeout

CHUNK = 8192  # more would cost each short answer the making of a large buffer
NEAR_ENOUGH = 0.99  # a timeout that is up to one per cent longer than the rest is not set anew
SPARE = 1.005  # and so that the next question's equal rest still fits, it is set a little longer
AT_ONCE = getattr(socket, "MSG_DONTWAIT", None)  # Windows has none


class Channel:
    """One TCP connection; an end of file is an error at once, and small writes go out at once (TCP_NODELAY:
    measured 0.27 ms instead of 43.8 ms for a write followed by a query)."""

    def __init__(self, host: str, port: int, clock: Clock) -> None:
        self._address = (host, port)
        self._clock = clock
        self.place = f"{host} port {port}"
        self._socket: socket.socket | None = None
        self._receive_s = self._send_s = 0.0

    def connect(self, deadline_s: float) -> None:
        """Raises ``LinkRefused`` when nobody answers."""
        self.close()
        self._socket = _connected(*self._address, self._rest_s(deadline_s))
        # Blocking from here on: the kernel ends each wait.
        self._socket.setblocking(True)
        self._receive_s = self._send_s = 0.0

    def close(self) -> None:
        """Safe to call twice, never raises."""
        connection, self._socket = self._socket, None
        if connection is not None:
            connection.close()

    def send(self, data: bytes, deadline_s: float) -> None:
        """All of ``data``."""
        connection = self._socket or self._nothing()
        try:
            sent = self._send_at_once(connection, data)
            while sent < len(data):
                rest_s = deadline_s - self._clock.monotonic_s()
                if not NEAR_ENOUGH * self._send_s <= rest_s <= self._send_s:
                    self._send_s = self._allow(connection, socket.SO_SNDTIMEO, rest_s)
                sent += connection.send(data[sent:] if sent else data)
        except OSError as error:
            raise self._translated(error) from error

    def _send_at_once(self, connection: socket.socket, data: bytes) -> int:
        """How much there was room for without waiting: nearly always all."""
        try:
            return connection.send(data, AT_ONCE) if AT_ONCE is not None else 0
        except BlockingIOError:
            return 0

    def receive(self, deadline_s: float) -> bytes:
        """What has come, at least one byte."""
        return self.receive_at_most(CHUNK, deadline_s)

    def receive_at_most(self, count: int, deadline_s: float) -> bytes:
        """What has come, one to ``count`` bytes."""
        connection = self._socket or self._nothing()
        try:
            rest_s = deadline_s - self._clock.monotonic_s()
            if not NEAR_ENOUGH * self._receive_s <= rest_s <= self._receive_s:
                self._receive_s = self._allow(connection, socket.SO_RCVTIMEO, rest_s)
            return connection.recv(count) or self._not_ended(b"")
        except OSError as error:
            raise self._translated(error) from error

    def fill(self, view: memoryview, deadline_s: float) -> None:
        """Receive until ``view`` is full."""
        connection = self._socket or self._nothing()
        try:
            while view:
                rest_s = deadline_s - self._clock.monotonic_s()
                if not NEAR_ENOUGH * self._receive_s <= rest_s <= self._receive_s:
                    self._receive_s = self._allow(connection, socket.SO_RCVTIMEO, rest_s)
                count = connection.recv_into(view)
                if not count:
                    raise LinkClosed(f"{self.place} closed the connection with {len(view)} bytes missing.")
                view = view[count:]
        except OSError as error:
            raise self._translated(error) from error

    def take(self, count: int, deadline_s: float) -> bytearray:
        """Exactly ``count`` bytes."""
        data = bytearray(count)
        self.fill(memoryview(data), deadline_s)
        return data

    def waiting(self, quiet_s: float) -> bytes:
        """What has come or comes within ``quiet_s``; empty when nothing does."""
        connection = self._socket or self._nothing()
        try:
            if AT_ONCE is not None and not quiet_s:
                return self._not_ended(connection.recv(CHUNK, AT_ONCE))
            if not select.select([connection], [], [], quiet_s)[0]:
                return b""
            return self._not_ended(connection.recv(CHUNK))
        except BlockingIOError:
            return b""
        except OSError as error:
            raise self._translated(error) from error

    def something_waits(self) -> bool:
        """True where bytes have come that were not received yet. ``LinkClosed`` where the other end has gone."""
        connection = self._socket or self._nothing()
        try:
            if AT_ONCE is None and not select.select([connection], [], [], 0)[0]:
                return False
            return bool(self._not_ended(connection.recv(1, socket.MSG_PEEK | (AT_ONCE or 0))))
        except BlockingIOError:
            return False
        except OSError as error:
            raise self._translated(error) from error

    def _nothing(self) -> NoReturn:
        raise LinkClosed(f"{self.place} is not connected.")

    def _rest_s(self, deadline_s: float) -> float:
        rest_s = deadline_s - self._clock.monotonic_s()
        if rest_s <= 0:
            raise self._too_late()
        return rest_s

    def _allow(self, connection: socket.socket, option: int, rest_s: float) -> float:
        """Tell the kernel how long a wait may last, never 0, which would mean for ever."""
        if rest_s <= 0:
            raise self._too_late()
        rest_s *= SPARE
        if sys.platform == "win32":
            connection.setsockopt(socket.SOL_SOCKET, option, max(1, round(rest_s * 1000)))
        else:
            microseconds = max(1, round(rest_s * 1e6))
            connection.setsockopt(socket.SOL_SOCKET, option, struct.pack("@ll", *divmod(microseconds, 1_000_000)))
        return rest_s

    def _too_late(self) -> LinkTimeout:
        return LinkTimeout(f"{self.place} took too long: raise timeout_s if it is only slow.")

    def _not_ended(self, data: bytes) -> bytes:
        if not data:
            raise LinkClosed(f"{self.place} closed the connection.")
        return data

    def _translated(self, error: OSError) -> LinkError:
        """What goes wrong with the socket is translated here and nowhere else."""
        if isinstance(error, TimeoutError | BlockingIOError):
            return LinkTimeout(f"{self.place} stayed silent: raise timeout_s if it is only slow.")
        return LinkClosed(f"{self.place} went away ({error}).")


def check_somebody_listens(host: str, port: int, within_s: float) -> None:
    """Connect and close again. Raises ``LinkRefused`` when nobody answers."""
    _connected(host, port, max(within_s, 0.001)).close()


def _connected(host: str, port: int, within_s: float) -> socket.socket:
    try:
        connection = socket.create_connection((host, port), timeout=within_s)
    except socket.gaierror as error:
        raise LinkRefused(f"{host!r} is not a known host ({error}): check the name.") from error
    except OSError as error:
        raise LinkRefused(
            f"nobody answers at {host} port {port} ({error}): is the instrument on, is the port right?"
        ) from error
    connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    connection.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
    return connection

