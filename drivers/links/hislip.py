"""HiSLIP in synchronised mode (IVI-6.1), over two connections of our own.

Each answer carries the message number of its question (IVI-6.1, 3.1.2), so that a late one is told from
the right one and thrown away. Device clear (6.12) is used where it is answered, a new session otherwise.
"""

import struct
from enum import IntEnum
from typing import NamedTuple

from drivers.clock import Clock
from drivers.errors import LinkClosed, LinkError, LinkRefused, LinkTimeout, OutOfStep
from drivers.links.channel import Channel
from drivers.links.message import SHORT_S, MessageLink

HEADER = struct.Struct("!2sBBIQ")  # prologue "HS", type, control code, parameter, payload length (IVI-6.1, 2.4)
PROLOGUE = b"HS"
VERSION = 0x0100
VENDOR = int.from_bytes(b"PT", "big")
FIRST_NUMBER = 0xFFFF_FF00  # IVI-6.1, 3.1.2
ANY_NUMBER = 0xFFFF_FFFF  # a Data message that is not the last may carry this instead
NUMBERS = 1 << 32
LARGEST_MESSAGE = 1 << 20
CLEAR_SHARE = 0.5  # of the time allowed to get clear: the rest is for a new session


class Kind(IntEnum):
    """Message types (IVI-6.1, table 4)."""

    INITIALIZE = 0
    INITIALIZE_RESPONSE = 1
    FATAL_ERROR = 2
    ERROR = 3
    DATA = 6
    DATA_END = 7
    DEVICE_CLEAR_COMPLETE = 8
    DEVICE_CLEAR_ACKNOWLEDGE = 9
    INTERRUPTED = 13
    ASYNC_INTERRUPTED = 14
    ASYNC_MAXIMUM_SIZE = 15
    ASYNC_MAXIMUM_SIZE_RESPONSE = 16
    ASYNC_INITIALIZE = 17
    ASYNC_INITIALIZE_RESPONSE = 18
    ASYNC_DEVICE_CLEAR = 19
    ASYNC_SERVICE_REQUEST = 20
    ASYNC_DEVICE_CLEAR_ACKNOWLEDGE = 23


class Head(NamedTuple):
    """A message's header without its prologue."""

    kind: int
    control: int
    parameter: int
    size: int


class HislipLink(MessageLink):
    """One session: a synchronous and an asynchronous connection to the same port."""

    def __init__(self, host: str, port: int, device: str, clock: Clock, terminator: bytes = b"\n") -> None:
        super().__init__(clock, terminator)
        self._device = device
        self._sync = Channel(host, port, clock)
        self._async = Channel(host, port, clock)
        self._place = self._sync.place
        self._number = FIRST_NUMBER
        self._asked: int | None = None
        self._delivered = 0
        self._largest = LARGEST_MESSAGE
        self._torn = False

    def _connect(self, deadline_s: float) -> None:
        self._start()
        self._sync.connect(deadline_s)
        _send(self._sync, Kind.INITIALIZE, 0, VERSION << 16 | VENDOR, self._device.encode("ascii"), deadline_s)
        welcome, _ = self._greeting(self._sync, Kind.INITIALIZE_RESPONSE, deadline_s)
        self._async.connect(deadline_s)
        _send(self._async, Kind.ASYNC_INITIALIZE, 0, welcome.parameter & 0xFFFF, b"", deadline_s)
        self._greeting(self._async, Kind.ASYNC_INITIALIZE_RESPONSE, deadline_s)
        _send(self._async, Kind.ASYNC_MAXIMUM_SIZE, 0, 0, struct.pack("!Q", LARGEST_MESSAGE), deadline_s)
        _, size = self._greeting(self._async, Kind.ASYNC_MAXIMUM_SIZE_RESPONSE, deadline_s)
        if len(size) == 8:
            self._largest = max(64, int.from_bytes(size, "big") - HEADER.size)
        if welcome.control & 1:
            self._clear_device(deadline_s)  # it would rather overlap: only a device clear settles the mode

    def _greeting(self, channel: Channel, wanted: Kind, deadline_s: float) -> tuple[Head, bytes]:
        try:
            return self._await(channel, wanted, deadline_s)
        except (LinkTimeout, LinkClosed) as error:
            raise LinkRefused(f"{self._place} does not open a HiSLIP session ({error}): is the port right?") from error

    def _start(self) -> None:
        self._number = FIRST_NUMBER
        self._asked = None
        self._delivered = 0
        self._torn = False

    def _disconnect(self) -> None:
        self._sync.close()
        self._async.close()

    def _send_message(self, data: bytes, deadline_s: float) -> None:
        self._asked = self._number
        for begin in range(0, len(data), self._largest):
            piece = data[begin : begin + self._largest]
            kind = Kind.DATA_END if begin + self._largest >= len(data) else Kind.DATA
            _send(self._sync, kind, self._delivered, self._number, piece, deadline_s)
            self._asked = self._number
            self._number = (self._number + 2) % NUMBERS
            self._delivered = 0

    def _receive_message(self, deadline_s: float) -> bytearray:
        if self._torn:
            raise OutOfStep(f"{self._place} was left in the middle of a message: it has to be cleared first.")
        message = bytearray()
        while True:
            head = self._next(self._sync, deadline_s)
            payload = self._payload(self._sync, head, deadline_s)
            if head.kind not in (Kind.DATA, Kind.DATA_END):
                continue  # Interrupted: what it was sending is given up, and the answer asked for comes after
            if head.parameter not in (self._asked, ANY_NUMBER):
                message.clear()
                self._note(head)
                continue
            message = message + payload if message else payload
            if len(message) > 0 and head.kind == Kind.DATA_END:
                self._delivered = 1
                return message
            self._time_for(len(message), deadline_s)

    def _discard_waiting(self) -> None:
        while self._sync.something_waits():
            end_s = self._clock.monotonic_s() + SHORT_S
            head = self._next(self._sync, end_s)
            self._payload(self._sync, head, end_s)
            self._note(head)

    def _note(self, head: Head) -> None:
        if head.kind in (Kind.DATA, Kind.DATA_END):
            self._discarded(f"a message of {head.size} bytes")

    def clear(self, deadline_s: float) -> None:
        """See ``Link``."""
        now_s = self._clock.monotonic_s()
        try:
            self._clear_device(now_s + (deadline_s - now_s) * CLEAR_SHARE)
        except LinkError:
            self.reopen(deadline_s)

    def _clear_device(self, deadline_s: float) -> None:
        """IVI-6.1, 6.12."""
        if self._torn:
            raise OutOfStep(f"{self._place} was left in the middle of a message.")
        _send(self._async, Kind.ASYNC_DEVICE_CLEAR, 0, 0, b"", deadline_s)
        self._await(self._async, Kind.ASYNC_DEVICE_CLEAR_ACKNOWLEDGE, deadline_s)
        _send(self._sync, Kind.DEVICE_CLEAR_COMPLETE, 0, 0, b"", deadline_s)
        settled, _ = self._await(self._sync, Kind.DEVICE_CLEAR_ACKNOWLEDGE, deadline_s)
        if settled.control & 1:
            raise LinkRefused(f"{self._place} insists on overlapped mode: set it to synchronised, or use its socket.")
        self._start()

    def _await(self, channel: Channel, wanted: Kind, deadline_s: float) -> tuple[Head, bytes]:
        """The message of kind ``wanted``; what else comes before it is of no interest any more."""
        while True:
            head = self._next(channel, deadline_s)
            payload = self._payload(channel, head, deadline_s)
            if head.kind == wanted:
                return head, bytes(payload)

    def _next(self, channel: Channel, deadline_s: float) -> Head:
        first = channel.receive_at_most(HEADER.size, deadline_s)
        if len(first) < HEADER.size:
            self._torn = True
            first += channel.take(HEADER.size - len(first), deadline_s)
            self._torn = False
        prologue, *fields = HEADER.unpack(first)
        if prologue != PROLOGUE:
            self._torn = True
            raise OutOfStep(f"{self._place} sent {bytes(first)!r}, which is no HiSLIP message.")
        return Head(*fields)

    def _payload(self, channel: Channel, head: Head, deadline_s: float) -> bytearray:
        self._torn = True
        payload = channel.take(head.size, self._time_for(head.size, deadline_s)) if head.size else bytearray()
        self._torn = False
        if head.kind in (Kind.FATAL_ERROR, Kind.ERROR):
            text = bytes(payload).decode("latin-1").strip()
            self._torn = head.kind == Kind.FATAL_ERROR
            raise OutOfStep(f"{self._place} reports a HiSLIP error {head.control}: {text or 'no text'}.")
        return payload


def _send(channel: Channel, kind: Kind, control: int, parameter: int, payload: bytes, deadline_s: float) -> None:
    channel.send(HEADER.pack(PROLOGUE, kind, control, parameter, len(payload)) + payload, deadline_s)
