"""VXI-11 (VXI-11.1, core channel) over ONC RPC (RFC 5531) on a socket of our own.

Each reply carries the number of its call, so that a late one is told from the right one. An answer that
an instrument still holds is given up by device clear. The abort channel is not used: each read brings a time limit
of its own that ends before ours, and one that is overrun all the same is of a box whose every channel is in doubt.
"""

import struct
from enum import IntEnum, IntFlag

from drivers.clock import Clock
from drivers.errors import LinkClosed, LinkError, LinkRefused, LinkTimeout, OutOfStep
from drivers.links.channel import Channel
from drivers.links.message import SHORT_S, SLOWEST_BYTES_PER_S, MessageLink

CORE_PROGRAM, CORE_VERSION = 0x0607AF, 1  # VXI-11.1, B.6
PORTMAPPER_PROGRAM, PORTMAPPER_VERSION, GET_PORT, PORTMAPPER_PORT = 100_000, 2, 3, 111  # RFC 1833, 3
TCP = 6
LAST_FRAGMENT = 0x8000_0000  # RFC 5531, 11
ASK_AT_MOST = 1 << 24
SHORTEST_WRITE = 1024  # an instrument takes at least this in one call (VXI-11.1, rule B.6.3)
ANSWER_MARGIN_S = 0.05  # its own timeout is to end before ours, so that it can say so
FAREWELL_S = 0.1
NOT_YET = 15  # device_error: I/O timeout


class Procedure(IntEnum):
    """Of the core channel (VXI-11.1, B.6)."""

    CREATE_LINK = 10
    DEVICE_WRITE = 11
    DEVICE_READ = 12
    DEVICE_CLEAR = 15
    DESTROY_LINK = 23


class Reason(IntFlag):
    """Why a device_read ended (VXI-11.1, B.6.4)."""

    REQUEST_COUNT = 1
    CHARACTER = 2
    END = 4


END_FLAG = 8  # this is the message's last piece (VXI-11.1, B.5.3)
ERRORS = {
    1: "syntax error",
    3: "device not accessible",
    4: "invalid link identifier",
    5: "parameter error",
    6: "channel not established",
    8: "operation not supported",
    9: "out of resources",
    11: "device locked by another program",
    12: "no lock held",
    15: "I/O timeout",
    17: "I/O error",
    21: "invalid address",
    23: "abort",
    29: "channel already established",
}


class Rpc:
    """Calls over one connection."""

    def __init__(self, host: str, port: int, program: int, version: int, clock: Clock) -> None:
        self.channel = Channel(host, port, clock)
        self._program = program, version
        self._call = 0
        self.torn = False
        self.given_up = 0  # replies to calls that nobody waited for any more

    def call(self, procedure: int, arguments: bytes, deadline_s: float) -> bytearray:
        """The results of a procedure; long ones get what their size needs on top of the deadline."""
        self.tell(procedure, arguments, deadline_s)
        return self._reply(deadline_s)

    def tell(self, procedure: int, arguments: bytes, deadline_s: float) -> None:
        """Call without waiting for the reply."""
        if self.torn:
            raise OutOfStep(f"{self.channel.place} was left in the middle of a reply.")
        self._call = (self._call + 1) & 0xFFFF_FFFF
        head = struct.pack("!10I", self._call, 0, 2, *self._program, procedure, 0, 0, 0, 0)
        size = struct.pack("!I", LAST_FRAGMENT | len(head) + len(arguments))
        self.channel.send(size + head + arguments, deadline_s)

    def _reply(self, deadline_s: float) -> bytearray:
        while True:
            record = self.record(deadline_s)
            if len(record) < 24:
                raise OutOfStep(f"{self.channel.place} sent {bytes(record)!r}, which is no RPC reply.")
            number, kind, denied, _, verifier, state = struct.unpack_from("!6I", record)
            if number != self._call:
                self.given_up += 1
                continue
            if kind != 1 or denied or verifier or state:
                raise LinkRefused(f"{self.channel.place} refuses the call: is it a VXI-11 instrument?")
            del record[:24]
            return record

    def record(self, deadline_s: float) -> bytearray:
        """The next record, whatever is in it."""
        record = bytearray()
        last = 0
        while not last:
            head = self.channel.receive_at_most(4, deadline_s)
            self.torn = True
            head += self.channel.take(4 - len(head), deadline_s)
            (mark,) = struct.unpack("!I", head)
            last, size = mark & LAST_FRAGMENT, mark & ~LAST_FRAGMENT
            if size > ASK_AT_MOST + 1024:
                raise OutOfStep(f"{self.channel.place} announces {size} bytes, which is no RPC reply.")
            piece = self.channel.take(size, deadline_s + (size / SLOWEST_BYTES_PER_S if size > 4096 else 0.0))
            record = record + piece if record else piece
            self.torn = not last
        return record


class Vxi11Link(MessageLink):
    """One link of the core channel; ``port`` None: the portmapper is asked."""

    def __init__(self, host: str, port: int | None, device: str, clock: Clock, terminator: bytes = b"\n") -> None:
        super().__init__(clock, terminator)
        self._host, self._port, self._device = host, port, device
        self._rpc: Rpc | None = None
        self._link = 0
        self._room = SHORTEST_WRITE
        self._place = f"{host} ({device})"

    def _connect(self, deadline_s: float) -> None:
        port = self._port or self._mapped_port(deadline_s)
        rpc = Rpc(self._host, port, CORE_PROGRAM, CORE_VERSION, self._clock)
        rpc.channel.connect(deadline_s)
        self._rpc = rpc
        name = self._device.encode("ascii")
        arguments = struct.pack("!4I", 0, 0, 0, len(name)) + name + bytes(-len(name) % 4)
        try:
            result = rpc.call(Procedure.CREATE_LINK, arguments, deadline_s)
            error, self._link, _, room = _unpack("!4I", result)
        except (LinkTimeout, LinkClosed) as failure:
            raise LinkRefused(f"{self._place} opens no VXI-11 link ({failure}): is the port right?") from failure
        if error:
            raise LinkRefused(f"{self._place} opens no VXI-11 link: {_word(error)}.")
        self._room = max(SHORTEST_WRITE, room)

    def _mapped_port(self, deadline_s: float) -> int:
        mapper = Rpc(self._host, PORTMAPPER_PORT, PORTMAPPER_PROGRAM, PORTMAPPER_VERSION, self._clock)
        mapper.channel.connect(deadline_s)
        try:
            arguments = struct.pack("!4I", CORE_PROGRAM, CORE_VERSION, TCP, 0)
            (port,) = _unpack("!I", mapper.call(GET_PORT, arguments, deadline_s))
        finally:
            mapper.channel.close()
        if not port:
            raise LinkRefused(f"the portmapper of {self._host} knows no VXI-11: is it the instrument's address?")
        return int(port)

    def _disconnect(self) -> None:
        rpc, self._rpc = self._rpc, None
        if rpc is None:
            return
        try:
            if self._link and not rpc.torn:
                # Its reply is not waited for: closing the connection ends the link as well (VXI-11.1, B.3.1).
                farewell_s = self._clock.monotonic_s() + FAREWELL_S
                rpc.tell(Procedure.DESTROY_LINK, struct.pack("!I", self._link), farewell_s)
        finally:
            rpc.channel.close()

    def _opened(self) -> Rpc:
        if self._rpc is None:
            raise LinkClosed(f"{self._place} is not open.")
        return self._rpc

    def _send_message(self, data: bytes, deadline_s: float) -> None:
        rpc = self._opened()
        sent = 0
        while sent < len(data):
            piece = data[sent : sent + self._room]
            flags = END_FLAG if sent + len(piece) == len(data) else 0
            arguments = struct.pack("!5I", self._link, self._wait_ms(deadline_s), 0, flags, len(piece))
            padded = arguments + piece + bytes(-len(piece) % 4)
            error, count = _unpack("!2I", rpc.call(Procedure.DEVICE_WRITE, padded, deadline_s))
            self._check(error)
            if not 0 < count <= len(piece):
                raise OutOfStep(f"{self._place} took {count} of {len(piece)} bytes.")
            sent += count

    def _receive_message(self, deadline_s: float) -> bytearray:
        message = bytearray()
        end_s = deadline_s
        while True:
            piece, reason = self._read(end_s)
            message = message + piece if message else piece
            if reason & Reason.END:
                return message
            end_s = self._time_for(len(message), end_s)

    def _read(self, deadline_s: float) -> tuple[bytearray, int]:
        arguments = struct.pack("!6I", self._link, ASK_AT_MOST, self._wait_ms(deadline_s), 0, 0, 0)
        result = self._opened().call(Procedure.DEVICE_READ, arguments, deadline_s)
        error, reason, size = _unpack("!3I", result)
        self._check(error)
        if size > len(result) - 12:
            raise OutOfStep(f"{self._place} announced {size} bytes and sent {len(result) - 12}.")
        del result[:12]
        del result[size:]
        return result, reason

    def _wait_ms(self, deadline_s: float) -> int:
        rest_s = deadline_s - self._clock.monotonic_s()
        return max(1, round((rest_s - min(ANSWER_MARGIN_S, rest_s / 5)) * 1000))

    def _check(self, error: int) -> None:
        if error == NOT_YET:
            raise LinkTimeout(f"{self._place} stayed silent: raise timeout_s if it is only slow.")
        if error:
            raise LinkClosed(f"{self._place} reports {_word(error)}.")

    def _discard_waiting(self) -> None:
        rpc = self._opened()
        if rpc.given_up:
            self._discarded(f"{rpc.given_up} late replies")
            rpc.given_up = 0
        while rpc.channel.something_waits():
            record = rpc.record(self._clock.monotonic_s() + SHORT_S)
            self._discarded(f"a reply of {len(record)} bytes")

    def clear(self, deadline_s: float) -> None:
        """See ``Link``: device clear where it is answered, a new link otherwise."""
        now_s = self._clock.monotonic_s()
        half_s = now_s + (deadline_s - now_s) / 2
        try:
            arguments = struct.pack("!4I", self._link, 0, 0, self._wait_ms(half_s))
            (error,) = _unpack("!I", self._opened().call(Procedure.DEVICE_CLEAR, arguments, half_s))
            self._check(error)
        except LinkError:
            self.reopen(deadline_s)


def _unpack(form: str, data: bytearray) -> tuple[int, ...]:
    if len(data) < struct.calcsize(form):
        raise OutOfStep(f"a reply of {len(data)} bytes is too short for its call.")
    return struct.unpack_from(form, data)


def _word(error: int) -> str:
    return ERRORS.get(error, f"device error {error}")
