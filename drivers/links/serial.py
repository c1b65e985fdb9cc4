"""A serial port through pyserial. The only module that touches ``serial``."""

import errno
import os
import select
from collections.abc import Mapping
from contextlib import suppress
from typing import Any

import serial
from serial.tools import list_ports

from drivers.clock import Clock
from drivers.errors import LinkClosed, LinkError, LinkRefused, LinkTimeout
from drivers.links.stream import StreamLink

CHUNK = 4096
SLICE_S = 0.05  # longest single wait, so that a deadline is never missed by more
QUIET_S = 0.3  # silence after which nothing more of an earlier answer is expected
PARITIES = {"none": serial.PARITY_NONE, "even": serial.PARITY_EVEN, "odd": serial.PARITY_ODD}
# TypeError and ValueError come where another thread or a pulled plug took the descriptor away.
GONE = (OSError, TypeError, ValueError)
FLOWS = ("none", "xonxoff", "rtscts", "dsrdtr")


class SerialLink(StreamLink):
    """One port, opened exclusively.

    There is no new connection to be had on a wire: ``clear`` waits until the line is quiet, and the
    conversation then asks a question whose answer it knows.
    """

    def __init__(self, device: str, options: Mapping[str, Any], clock: Clock, terminator: bytes = b"\n") -> None:
        super().__init__(clock, terminator)
        self._device = device
        self._settings = port_settings(options)
        self._streams = bool(options.get("stream_pattern"))
        self._port: serial.Serial | None = None
        self._descriptor: int | None = None  # where the system lets a port be read as a file
        self.slowest_bytes_per_s = self._settings["baudrate"] / 12

    def _connect(self, deadline_s: float) -> None:
        try:
            self._port = serial.serial_for_url(self._device, do_not_open=True, timeout=SLICE_S, **self._settings)
            if "://" not in self._device:
                self._port.exclusive = True
            self._port.open()
            self._descriptor = _descriptor(self._port)
            if not self._streams:
                self.drain(QUIET_S)  # an earlier program's answer may still be on its way
        except (OSError, ValueError) as error:
            self._port = None
            raise LinkRefused(f"serial port {self._device} cannot be opened: {_cure(error)}.") from error

    def _disconnect(self) -> None:
        self._descriptor = None
        if self._port is not None:
            self._port.close()
            self._port = None

    def _opened(self) -> serial.Serial:
        if self._port is None:
            raise LinkClosed(f"serial port {self._device} is not open.")
        return self._port

    def _translated(self, error: Exception) -> LinkError:
        """What goes wrong with the port is translated here and nowhere else."""
        if isinstance(error, serial.SerialTimeoutException):
            return LinkTimeout(f"serial port {self._device} takes no bytes: check its flow option.")
        return LinkClosed(f"serial port {self._device} went away ({error}).")

    def _send(self, data: bytes, deadline_s: float) -> None:
        port = self._opened()
        try:
            if self._descriptor is not None:
                # pyserial would ask first whether there is room; what there is none for is its business.
                with suppress(BlockingIOError):
                    data = data[os.write(self._descriptor, data) :]
            if data:
                port.write(data)
        except GONE as error:
            raise self._translated(error) from error

    def _receive(self, deadline_s: float) -> bytes:
        rest_s = deadline_s - self._clock.monotonic_s()
        # The number of slices bounds the wait too, for a clock that is turned by hand.
        for _ in range(max(0, int(rest_s / SLICE_S)) + 1):
            if data := self._take(min(SLICE_S, max(0.0, rest_s))):
                return data
            if (rest_s := deadline_s - self._clock.monotonic_s()) <= 0:
                break
        raise LinkTimeout(
            f"serial port {self._device} stayed silent: check baud, cable and power, or raise timeout_s."
        )

    def _receive_waiting(self, quiet_s: float) -> bytes:
        data = self._take(0.0)
        for _ in range(round(quiet_s / SLICE_S)):
            if data:
                break
            self._clock.monotonic_s()  # a sign of life in a long silence
            data = self._take(SLICE_S)
        return data

    def _take(self, within_s: float) -> bytes:
        """All that is there, or that comes first within ``within_s``; empty when nothing does."""
        port = self._opened()
        try:
            if self._descriptor is not None:
                # pyserial would wait and read once for the first byte and once more for the rest.
                if not select.select([self._descriptor], [], [], within_s)[0]:
                    return b""
                if not (data := os.read(self._descriptor, CHUNK)):
                    raise OSError("it says that it is readable and has nothing: unplugged?")
                return data
            if waiting := port.in_waiting:
                return bytes(port.read(waiting))
            return bytes(port.read(max(1, port.in_waiting))) if within_s else b""
        except GONE as error:
            raise self._translated(error) from error

    def clear(self, deadline_s: float) -> None:
        """See ``Link``."""
        self.drain(QUIET_S)


def port_settings(options: Mapping[str, Any]) -> dict[str, Any]:
    """pyserial's settings from a bench file's options. Raises ``LinkRefused`` for one that no port has."""
    parity, flow = options.get("parity", "none"), options.get("flow", "none")
    if parity not in PARITIES:
        raise LinkRefused(f"parity {parity!r}: write none, even or odd.")
    if flow not in FLOWS:
        raise LinkRefused(f"flow {flow!r}: write none, xonxoff, rtscts or dsrdtr.")
    return {
        "baudrate": options.get("baud", 9600),
        "bytesize": options.get("data_bits", 8),
        "parity": PARITIES[parity],
        "stopbits": options.get("stop_bits", 1),
        "write_timeout": 1.0,
    } | {name: True for name in FLOWS[1:] if name == flow}


def _descriptor(port: serial.Serial) -> int | None:
    try:
        return int(port.fileno()) if os.name == "posix" else None
    except (AttributeError, OSError):
        return None


def serial_ports() -> list[tuple[str, str]]:
    """Path and description of every serial port of this machine; none is opened."""
    return [(port.device, port.description or "") for port in list_ports.comports()]


def _cure(error: Exception) -> str:
    number = getattr(error, "errno", None)
    if number == errno.ENOENT:
        return "there is no such port; is it plugged in? `probetrail find` lists them"
    if number == errno.EACCES:
        return "no permission; on Linux the user must be in the group that owns it (often dialout)"
    if number in (errno.EBUSY, errno.EAGAIN):
        return "another program has it open"
    return str(error)
