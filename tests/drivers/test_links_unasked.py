"""What an instrument sends on its own between question and answer is skipped; a read that is overrun is recovered."""

import struct

import pytest

from drivers.errors import LinkTimeout
from drivers.links.choice import make_link
from drivers.resource_names import parse_resource
from simulated_instruments.faults import faulty
from simulated_instruments.serving import serve_vxi11
from tests.drivers.campaign.instruments import CountingSupply
from tests.drivers.conformance import AMPLE_S, SHORT_S
from tests.drivers.scripted import Scripted, late
from tests.drivers.servers import HislipServer

INTERRUPTED, ASYNC_INTERRUPTED, SERVICE_REQUEST = 13, 14, 20  # IVI-6.1, table 4


class Interrupting(HislipServer):
    """Before each reply of the asynchronous channel come the two messages that may come at any time (IVI-6.1, section
    6, from memory); before each acknowledgement of a clear on the synchronous one comes Interrupted.
    """

    def attend(self, connection):
        super().attend(_Before(connection, self))

    def before(self, kind):
        if kind in (self.SIZE_RESPONSE, self.ASYNC_CLEAR_ACKNOWLEDGE):
            return b"".join(self.HEADER.pack(b"HS", each, 0, 0, 0) for each in (SERVICE_REQUEST, ASYNC_INTERRUPTED))
        if kind in (self.CLEAR_ACKNOWLEDGE, self.DATA_END):
            return self.HEADER.pack(b"HS", INTERRUPTED, 0, 0, 0)
        return b""


class _Before:
    """A connection that puts messages in front of what is sent."""

    def __init__(self, connection, server):
        self._connection, self._server = connection, server

    def sendall(self, data):
        kind = struct.unpack_from("!2sB", data)[1]
        self._connection.sendall(self._server.before(kind) + data)

    def __getattr__(self, name):
        return getattr(self._connection, name)


def ask(link, clock, query, within_s=AMPLE_S):
    deadline_s = clock.monotonic_s() + within_s
    link.write(query, deadline_s)
    return link.read_line(deadline_s)


@pytest.fixture
def opened(serve, clock):
    links = []

    def start(server):
        links.append(make_link(parse_resource(server.resource), None, {}, clock))
        links[-1].open(clock.monotonic_s() + AMPLE_S)
        return links[-1]

    yield start
    for link in links:
        link.close()


def test_messages_that_may_come_at_any_time_are_skipped_before_replies(serve, clock, opened):
    """Service request and interruption before the replies of opening and clear, Interrupted before an answer."""
    instrument = Scripted({"ONE?": "1", "TWO?": "2"})
    link = opened(serve(Interrupting, instrument))
    assert ask(link, clock, b"ONE?") == b"1"
    link.clear(clock.monotonic_s() + AMPLE_S)
    assert ask(link, clock, b"TWO?") == b"2"
    assert link.take_remarks() == []
    opened_anew = []
    link.reopen = opened_anew.append
    link.clear(clock.monotonic_s() + AMPLE_S)
    assert opened_anew == []


def test_after_an_answer_that_was_given_up_the_interruption_is_skipped_too(serve, clock, opened):
    """IVI-6.1, 3.1.1: the server interrupts what it was sending when the next question comes."""
    instrument = Scripted({"ONE?": "1", "TWO?": "2"})
    link = opened(serve(Interrupting, instrument))
    instrument.fault("ONE?", late)
    with pytest.raises(LinkTimeout):
        ask(link, clock, b"ONE?", SHORT_S)
    link.clear(clock.monotonic_s() + AMPLE_S)
    assert [ask(link, clock, b"TWO?") for _ in range(3)] == [b"2"] * 3


def test_an_instrument_ends_a_read_by_itself_before_the_deadline_so_that_nothing_is_to_be_aborted(clock, opened):
    """VXI-11.1, B.6.4: device_read has an I/O timeout; its reply comes in time and the very next call is in step."""
    with serve_vxi11(CountingSupply(clock), wrap=faulty()) as server:
        link = opened(server)
        before = link._rpc
        with pytest.raises(LinkTimeout):
            link.read_line(clock.monotonic_s() + SHORT_S)
        assert link._rpc is before and not before.torn
        assert [ask(link, clock, b"MEAS:VOLT?") for _ in range(3)] == [b"1.5", b"2.5", b"3.5"]
        assert link.take_remarks() == []
        link.close()


def test_a_reply_that_overran_its_deadline_is_told_by_its_number_and_given_up(clock, opened):
    """RFC 5531, 9: the xid of a late reply is not that of the call that waits."""
    with serve_vxi11(CountingSupply(clock), wrap=faulty("late:0.4@1")) as server:
        link = opened(server)
        with pytest.raises(LinkTimeout):
            ask(link, clock, b"MEAS:CURR?", SHORT_S)
        link.clear(clock.monotonic_s() + AMPLE_S)
        assert [ask(link, clock, b"MEAS:VOLT?") for _ in range(3)] == [b"2.5", b"3.5", b"4.5"]
        link.close()
