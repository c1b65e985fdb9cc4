"""The VXI-11 server, by bare calls (VXI-11.1; RFC 1057; clauses from memory)."""

import socket
import struct
import threading

import pytest

from simulated_instruments.serving import serve_vxi11
from simulated_instruments.serving.reading import Reader
from simulated_instruments.serving.rpc import Arguments, Garbage, call, opaque, read_record, record, reply_to, uints
from simulated_instruments.serving.vxi11_core import ABORT_PROGRAM, CORE_PROGRAM
from tests.simulated_instruments.blocks import Blocks
from tests.simulated_instruments.vxi11_caller import (
    CLEAR,
    COMMAND,
    CREATE_INTERRUPTS,
    DESTROY,
    DESTROY_INTERRUPTS,
    ENABLE,
    LOCAL,
    LOCK,
    PATIENCE_S,
    READ,
    REMOTE,
    TERMINATED,
    TRIGGER,
    UNLOCK,
    WAIT_LOCK,
    WRITE,
    SocketBytes,
    until,
)


@pytest.fixture
def server(meter):
    with serve_vxi11(meter.instrument, portmapper=0) as running:
        yield running


@pytest.fixture
def core(server, called):
    return called(server.port)


# ---- remote procedure calls


def test_a_record_may_come_in_fragments(core):
    """RFC 1057, section 10."""
    whole = call(7, CORE_PROGRAM, 1, 0, b"")
    pieces = struct.pack("!I", 8) + whole[:8] + struct.pack("!I", 0x8000_0000 | len(whole) - 8) + whole[8:]
    assert core.raw(pieces) == uints(7, 1, 0, 0, 0, 0)


@pytest.mark.parametrize(
    ("sent", "said"),
    [
        (uints(1, 0, 3, CORE_PROGRAM, 1, 0, 0, 0, 0, 0), uints(1, 1, 1, 0, 2, 2)),
        (call(1, 99, 1, 0, b""), uints(1, 1, 0, 0, 0, 1)),
        (call(1, CORE_PROGRAM, 9, 0, b""), uints(1, 1, 0, 0, 0, 2, 1, 1)),
        (call(1, CORE_PROGRAM, 1, 21, b""), uints(1, 1, 0, 0, 0, 3)),
        (call(1, CORE_PROGRAM, 1, WRITE, b"\0\0"), uints(1, 1, 0, 0, 0, 4)),
    ],
    ids=["version of RPC", "program", "version", "procedure", "arguments"],
)
def test_a_wrong_call_gets_the_reply_that_the_standard_has_for_it(core, sent, said):
    """RFC 1057, section 8."""
    assert core.raw(record(sent)) == said


@pytest.mark.parametrize("sent", [b"", b"\0", uints(1, 1, 2), uints(1, 0)])
def test_what_is_no_call_gets_no_reply(sent):
    assert reply_to(sent, {}) is None


def test_padded_bytes_are_read_back_and_lengths_are_held():
    """RFC 1014, 3.9."""
    for size in range(9):
        packed = opaque(bytes(size))
        assert len(packed) % 4 == 0 and Arguments(packed).opaque() == bytes(size)
    assert Arguments(uints(-5)).signed() == -5
    with pytest.raises(Garbage):
        Arguments(opaque(bytes(41))).opaque(40)


# ---- links


def test_a_link_says_where_to_abort_and_how_much_may_be_written(core):
    """B.6.1: at least 1024 bytes."""
    error, link, abort_port, largest = core.link()
    assert error == 0 and link > 0 and abort_port > 0 and largest >= 1024


def test_there_is_only_inst0(core):
    """Error 3: device not accessible."""
    assert core.link(device=b"inst7")[0] == 3


def test_a_link_that_is_gone_is_invalid(core):
    """Error 4."""
    link = core.link()[1]
    assert core(DESTROY, uints(link)).uint() == 0
    assert core.write(link, b"*IDN?\n")[0] == 4
    assert core.read(link)[0] == 4
    assert core.poll(link)[0] == 4
    assert [core.generic(n, link).uint() for n in (TRIGGER, CLEAR, REMOTE, LOCAL)] == [4] * 4
    assert core(LOCK, uints(link, 0, 0)).uint() == core(UNLOCK, uints(link)).uint() == 4
    assert core(ENABLE, uints(link, 1) + opaque(b"h")).uint() == core(DESTROY, uints(link)).uint() == 4


def test_links_end_with_their_connection(server, called):
    caller = called(server.port)
    caller.link()
    threads = threading.active_count()
    caller.close()
    until(lambda: not server._shared.links and threading.active_count() < threads)


# ---- writing and reading


def test_a_read_ends_for_a_reason(core):
    """B.6.4: 4 end, 2 termination character, 1 as many as asked for."""
    link = core.link()[1]
    core.write(link, b"*OPC?;*ESE?\n")
    assert core.read(link, size=2) == (0, 1, b"1;")
    assert core.read(link) == (0, 4, b"0\n")
    core.write(link, b"*OPC?;*ESE?\n")
    assert core.read(link, flags=TERMINATED, terminator=ord(";")) == (0, 2, b"1;")
    assert core.read(link, size=2, flags=TERMINATED, terminator=10) == (0, 1 | 2 | 4, b"0\n")


def test_a_message_ends_with_the_end_flag_or_a_newline(core):
    """IEEE 488.2, 7.5."""
    link = core.link()[1]
    assert core.write(link, b"*ESE 5;*E", flags=0) == (0, 9)
    assert core.query(link, b"SE?") == b"5\n"
    assert core.write(link, b"*OPC?\n", flags=0) == (0, 6)
    assert core.read(link)[2] == b"1\n"


def test_more_than_the_largest_write_is_refused(core):
    """Error 5."""
    _, link, _, largest = core.link()
    assert core.write(link, bytes(largest + 1)) == (5, 0)


def test_reading_what_was_not_asked_for_times_out_and_is_unterminated(core):
    """Error 15; IEEE 488.2, 6.3.2.2: -420."""
    link = core.link()[1]
    assert core.read(link, timeout_ms=1) == (15, 0, b"")
    assert core.query(link, b"SYST:ERR?\n") == b'-420,"Query UNTERMINATED"\n'


def test_a_new_message_interrupts_an_answer_that_was_not_read(core):
    """IEEE 488.2, 6.3.2.3: the answer is lost, -410."""
    link = core.link()[1]
    core.write(link, b"*CLS;*IDN?\n")
    until(lambda: core.poll(link)[1] & 16)
    core.write(link, b"*ESR?\n")
    assert core.read(link)[2] == b"4\n"
    assert core.query(link, b"SYST:ERR?\n") == b'-410,"Query INTERRUPTED"\n'


class Slow(Blocks):
    """Answers when it is let."""

    def __init__(self):
        super().__init__(("a", "b", "c", "d"))
        self.let = threading.Event()

    def answer(self, message):
        if message == b"*IDN?":
            self.let.wait(PATIENCE_S)
        return super().answer(message)


@pytest.fixture
def slow(called):
    instrument = Slow()
    with serve_vxi11(instrument) as server:
        yield instrument, called(server.port), called(server._aborts.port, ABORT_PROGRAM)
        instrument.let.set()


def test_an_answer_that_comes_after_the_next_question_is_lost(slow):
    instrument, core, _ = slow
    link = core.link()[1]
    core.write(link, b"*IDN?\n")
    assert core.read(link, timeout_ms=1)[0] == 15
    core.write(link, b"*OPC?\n")
    instrument.let.set()
    assert core.read(link)[2] == b"1\n"
    assert core.query(link, b"SYST:ERR?\n").startswith(b"-410,")


def test_a_clear_forgets_what_is_being_carried_out(slow):
    instrument, core, _ = slow
    link = core.link()[1]
    core.write(link, b"*IDN?\n")
    assert core.generic(CLEAR, link).uint() == 0
    instrument.let.set()
    assert core.query(link, b"*OPC?\n") == b"1\n"
    assert core.query(link, b"SYST:ERR?\n").startswith(b"0,")


def test_the_abort_channel_ends_a_read(slow):
    """Error 23."""
    _, core, abort = slow
    link = core.link()[1]
    core.write(link, b"*IDN?\n")
    number = core.send(READ, uints(link, 100, 60_000, 0, 0, 0))

    aborted = threading.Event()

    def keep_aborting():
        # The read may not have begun yet when the first abort comes.
        while not aborted.is_set():
            assert abort(1, uints(link)).uint() == 0

    thread = threading.Thread(target=keep_aborting)
    thread.start()
    assert core.receive(number).uint() == 23
    aborted.set()
    thread.join()
    assert abort(1, uints(99)).uint() == 4


# ---- status


def test_the_poll_shows_mav_and_rqs(core):
    """IEEE 488.2, 11.2.1.2 and 11.3.3: RQS goes with the poll."""
    link = core.link()[1]
    core.write(link, b"*CLS;*SRE 16;*IDN?\n")
    until(lambda: core.poll(link)[1] & 16)
    core.read(link)
    assert core.poll(link) == (0, 0)
    core.write(link, b"*ESE 32;*SRE 32;NONSENSE\n")
    until(lambda: core.poll(link)[1] == 32 + 4)


@pytest.mark.parametrize("family", [0, 1], ids=["tcp", "udp"])
def test_a_service_request_calls_back_with_the_handle(core, family):
    """B.5 and B.6.12 to B.6.14: device_intr_srq, procedure 30 of the caller's own program."""
    listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM if family == 0 else socket.SOCK_DGRAM)
    listener.settimeout(PATIENCE_S)
    listener.bind(("127.0.0.1", 0))
    if family == 0:
        listener.listen()
    link = core.link()[1]
    where = uints(0x7F000001, listener.getsockname()[1], 0x0607B1, 1, family)
    assert core(CREATE_INTERRUPTS, where).uint() == 0
    assert core(CREATE_INTERRUPTS, where).uint() == 29
    assert core(ENABLE, uints(link, 1) + opaque(b"my link")).uint() == 0
    core.write(link, b"*CLS;*ESE 32;*SRE 32;NONSENSE\n")
    if family == 0:
        connected, _ = listener.accept()
        connected.settimeout(PATIENCE_S)
        called_back = read_record(Reader(SocketBytes(connected)))
        connected.close()
    else:
        called_back = listener.recv(1000)
    assert called_back == call(1, 0x0607B1, 1, 30, opaque(b"my link"))
    assert core.poll(link) == (0, 64 + 32 + 4)
    assert core(DESTROY_INTERRUPTS).uint() == 0
    assert core(DESTROY_INTERRUPTS).uint() == 6
    listener.close()


def test_an_interrupt_channel_to_nowhere_is_not_established(core):
    """Error 6; error 5 for a family that is neither TCP nor UDP."""
    with socket.socket() as closed:
        closed.bind(("127.0.0.1", 0))
        port = closed.getsockname()[1]
    assert core(CREATE_INTERRUPTS, uints(0x7F000001, port, 1, 1, 0)).uint() == 6
    assert core(CREATE_INTERRUPTS, uints(0x7F000001, port, 1, 1, 7)).uint() == 5


# ---- the rest


def test_a_lock_keeps_other_links_out(core):
    """B.4.3: errors 11 and 12; locks may be had with the link."""
    one, two = core.link()[1], core.link()[1]
    assert core(LOCK, uints(one, 0, 0)).uint() == 0
    assert core(LOCK, uints(two, 0, 0)).uint() == 11
    assert core.write(two, b"*IDN?\n")[0] == core.read(two)[0] == core.poll(two)[0] == 11
    assert core.generic(CLEAR, two, WAIT_LOCK, 1).uint() == 11
    assert core.link(lock=1)[0] == 11
    assert core(UNLOCK, uints(two)).uint() == 12
    assert core(DESTROY, uints(one)).uint() == 0
    assert core.query(two, b"*OPC?\n") == b"1\n"


def test_trigger_remote_local_and_commands(bench, core):
    """-211: this meter has no bus trigger. Commands are for interfaces only (VXI-11.3): error 8."""
    link = core.link()[1]
    assert core.generic(TRIGGER, link).uint() == 0
    assert core.query(link, b"SYST:ERR?\n").startswith(b"-211,")
    assert core.generic(REMOTE, link).uint() == 0
    assert bench.ask(ask="panel", instrument="meter")["knobs"]["locked"] is True
    assert core.generic(LOCAL, link).uint() == 0
    assert bench.ask(ask="panel", instrument="meter")["knobs"]["locked"] is False
    reply = core(COMMAND, uints(link, 0, 0, 0, 1, 1, 1) + opaque(b""))
    assert (reply.uint(), reply.opaque()) == (8, b"")
