"""The instruments' and the technician's end of the unit's door."""

import json
import socket
import threading
from typing import Any, Protocol


class UnitGone(ConnectionError):
    """The unit's process has ended."""


class Refused(Exception):
    """The unit's door refused; the text is its sentence."""


class Asker(Protocol):
    """Anything that carries a request to the unit."""

    def ask(self, **request: Any) -> dict[str, Any]:
        """The answer. Raises ``UnitGone`` or ``Refused``."""


class UnitDoor:
    """One connection, one question at a time, from any thread."""

    def __init__(self, host: str, port: int, timeout_s: float = 5.0) -> None:
        try:
            self._socket = socket.create_connection((host, port), timeout_s)
        except OSError as error:
            raise UnitGone(f"no unit answers at {host}:{port}: {error}") from error
        self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._lines = self._socket.makefile("rb")
        self._lock = threading.Lock()

    def ask(self, **request: Any) -> dict[str, Any]:
        """See ``Asker``."""
        try:
            with self._lock:
                self._socket.sendall(json.dumps(request).encode() + b"\n")
                line = self._lines.readline()
        except OSError as error:
            raise UnitGone(str(error)) from error
        if not line:
            raise UnitGone("the unit hung up")
        return checked(json.loads(line))

    def close(self) -> None:
        """Hang up."""
        self._lines.close()
        self._socket.close()


def checked(answer: dict[str, Any]) -> dict[str, Any]:
    """The answer, unless it is a refusal. Raises ``Refused``."""
    if not answer.pop("ok"):
        raise Refused(answer["error"])
    return answer


def address(text: str) -> tuple[str, int]:
    """``HOST:PORT`` taken apart. Raises ``ValueError``."""
    host, colon, port = text.rpartition(":")
    if not colon or not port.isdigit():
        raise ValueError(f"{text!r} is not HOST:PORT")
    return host, int(port)
