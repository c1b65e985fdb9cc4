"""The VXI-11 link over an RPC server that nobody of this project wrote: that of ``python-vxi11`` from PyPI, unmodified.

Its record marking, its RPC headers and its check that the arguments of a call are exactly so long (RFC 1057) are
between the link and a table of answers; numbers of programs, procedures, flags and errors are compared with its own.
"""

import contextlib
import socket
import threading
import warnings

import pytest

from drivers.errors import LinkClosed, LinkRefused, LinkTimeout
from drivers.links import vxi11 as ours
from drivers.links.choice import make_link
from drivers.protocols import InstrumentSpec
from drivers.readings import Quantity
from drivers.registry import open_instrument
from drivers.resource_names import parse_resource
from tests.drivers.conformance import AMPLE_S, SHORT_S, block
from tests.drivers.instruments import bench_meter, two_channel_scope
from tests.drivers.scripted import Scripted

with warnings.catch_warnings():
    warnings.simplefilter("ignore", DeprecationWarning)  # it uses Python's xdrlib, which is gone from 3.13 on
    rpc = pytest.importorskip("vxi11.rpc", reason="python-vxi11 needs xdrlib, which Python has up to 3.12")
    theirs = pytest.importorskip("vxi11.vxi11", reason="python-vxi11 needs xdrlib, which Python has up to 3.12")


class ForeignCore(rpc.TCPServer):
    """The core channel's procedures over their server; one link at a time."""

    LARGEST_WRITE = 1024

    def __init__(self, instrument):
        super().__init__("127.0.0.1", theirs.DEVICE_CORE_PROG, theirs.DEVICE_CORE_VERS, 0)
        self.instrument = instrument
        self.asked, self.output, self.written = b"", b"", []
        self.sock.listen(4)
        self._connections = []
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    resource = property(lambda self: f"TCPIP::127.0.0.1,{self.port}::inst0::INSTR")

    def _serve(self):
        while True:
            try:
                connection = self.sock.accept()
            except OSError:
                return
            self._connections.append(connection[0])
            # The link does not wait for the reply to its farewell; and of a reset this server wants to print, with a
            # module that it does not import.
            with connection[0], contextlib.suppress(OSError, NameError):
                self.session(connection)

    def stop(self):
        for each in (self.sock, *self._connections):
            with contextlib.suppress(OSError):  # ended already
                each.shutdown(socket.SHUT_RDWR)
        self._thread.join(5)
        self.sock.close()

    def handle_10(self):  # create_link
        self.unpacker.unpack_int(), self.unpacker.unpack_bool(), self.unpacker.unpack_uint()
        device = self.unpacker.unpack_string()
        self.turn_around()
        known = device == b"inst0"
        self.packer.pack_int(theirs.ERR_NO_ERROR if known else theirs.ERR_DEVICE_NOT_ACCESSIBLE)
        self.packer.pack_int(5)
        self.packer.pack_uint(0)
        self.packer.pack_uint(self.LARGEST_WRITE)

    def handle_11(self):  # device_write
        link, _, _, flags = (self.unpacker.unpack_int() for _ in range(4))
        data = self.unpacker.unpack_opaque()
        self.turn_around()
        self.asked += data
        self.written.append((flags, len(data)))
        if flags & theirs.OP_FLAG_END:
            self.output, self.asked = b"".join(self.instrument.hear(self.asked)), b""
        self.packer.pack_int(theirs.ERR_NO_ERROR if link == 5 else theirs.ERR_INVALID_LINK_IDENTIFIER)
        self.packer.pack_uint(len(data))

    def handle_12(self):  # device_read
        self.unpacker.unpack_int()
        count = self.unpacker.unpack_uint()
        for _ in range(4):
            self.unpacker.unpack_uint()
        self.turn_around()
        count = min(count, 1000)
        piece, self.output = self.output[:count], self.output[count:]
        self.packer.pack_int(theirs.ERR_NO_ERROR if piece else theirs.ERR_IO_TIMEOUT)
        self.packer.pack_int(theirs.RX_REQCNT if self.output else theirs.RX_END)
        self.packer.pack_opaque(piece)

    def handle_15(self):  # device_clear
        for _ in range(4):
            self.unpacker.unpack_uint()
        self.turn_around()
        self.output = b""
        self.packer.pack_int(theirs.ERR_NO_ERROR)

    def handle_23(self):  # destroy_link
        self.unpacker.unpack_int()
        self.turn_around()
        self.packer.pack_int(theirs.ERR_NO_ERROR)


@pytest.fixture
def foreign():
    servers = []

    def start(instrument):
        servers.append(ForeignCore(instrument))
        return servers[-1]

    yield start
    for server in servers:
        server.stop()


@pytest.fixture
def link(foreign, clock):
    server = foreign(Scripted({"ONE?": "1", "DATA?": block(bytes(range(256)) * 20), "LONG": lambda text: None}))
    link = make_link(parse_resource(server.resource), None, {}, clock)
    link.open(clock.monotonic_s() + AMPLE_S)
    link.server = server
    yield link
    link.close()


def test_lines_and_blocks_pass_their_rpc(link, clock):
    for _ in range(3):
        link.write(b"ONE?", clock.monotonic_s() + AMPLE_S)
        assert link.read_line(clock.monotonic_s() + AMPLE_S) == b"1"
        link.write(b"DATA?", clock.monotonic_s() + AMPLE_S)
        assert link.read_block(clock.monotonic_s() + AMPLE_S) == bytes(range(256)) * 20


def test_a_long_message_goes_in_writes_that_the_instrument_takes_and_ends_once(link, clock):
    link.write(b"LONG " + b"x" * 2500, clock.monotonic_s() + AMPLE_S)
    assert link.server.written == [(0, 1024), (0, 1024), (theirs.OP_FLAG_END, 458)]


def test_silence_and_clear_are_understood(link, clock):
    with pytest.raises(LinkTimeout):
        link.read_line(clock.monotonic_s() + SHORT_S)
    link.clear(clock.monotonic_s() + AMPLE_S)
    link.write(b"ONE?", clock.monotonic_s() + AMPLE_S)
    assert link.read_line(clock.monotonic_s() + AMPLE_S) == b"1"
    assert link.take_remarks() == []


def test_a_device_that_it_does_not_have_is_refused_in_words(foreign, clock):
    server = foreign(Scripted())
    link = make_link(parse_resource(server.resource.replace("inst0", "inst7")), None, {}, clock)
    with pytest.raises(LinkRefused, match="device not accessible"):
        link.open(clock.monotonic_s() + AMPLE_S)


def test_their_errors_are_named_as_they_name_them(link, clock):
    link._link = 6
    with pytest.raises(LinkClosed, match="invalid link identifier"):
        link.write(b"ONE?", clock.monotonic_s() + AMPLE_S)


def test_a_meter_and_a_scope_are_read_right(foreign, clock):
    meter = open_instrument(InstrumentSpec("it", "meter", foreign(bench_meter()).resource), clock)
    for _ in range(3):
        poll = meter.poll()
        assert [(reading.quantity, reading.value) for reading in poll.readings] == [(Quantity.DC_V, 12.5)]
        assert poll.remarks == ()
    meter.close()
    scope = open_instrument(InstrumentSpec("it", "scope", foreign(two_channel_scope()).resource), clock)
    assert [bytes(trace.codes) for trace in scope.record()] == [bytes([0, 64, 128, 255])] * 2
    scope.close()


def test_numbers_of_programs_procedures_flags_and_errors_are_theirs():
    """VXI-11.1, appendix B, as another author read it."""
    assert (ours.CORE_PROGRAM, ours.CORE_VERSION) == (theirs.DEVICE_CORE_PROG, theirs.DEVICE_CORE_VERS)
    for procedure in ours.Procedure:
        assert procedure == getattr(theirs, procedure.name)
    assert (ours.Reason.REQUEST_COUNT, ours.Reason.CHARACTER, ours.Reason.END) == (
        theirs.RX_REQCNT,
        theirs.RX_CHR,
        theirs.RX_END,
    )
    assert (ours.END_FLAG, ours.NOT_YET) == (theirs.OP_FLAG_END, theirs.ERR_IO_TIMEOUT)
    assert set(ours.ERRORS) == set(theirs.Vxi11Exception.em) - {0}
