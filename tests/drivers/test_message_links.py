"""VXI-11 and HiSLIP links of our own against servers that share no code with them."""

import pytest

from drivers.clock import SystemClock
from drivers.errors import LinkRefused, LinkTimeout
from drivers.links import vxi11
from drivers.links.choice import make_link
from drivers.resource_names import parse_resource
from simulated_instruments.faults import faulty
from simulated_instruments.serving import serve_hislip, serve_vxi11
from tests.drivers.campaign.instruments import SAMPLES, CountingScope, CountingSupply

CLOCK = SystemClock()
SHORT_S, AMPLE_S = 0.15, 5.0


def opened(server):
    link = make_link(parse_resource(server.resource), None, {}, CLOCK)
    link.open(CLOCK.monotonic_s() + AMPLE_S)
    return link


def ask(link, query, within_s=AMPLE_S):
    deadline_s = CLOCK.monotonic_s() + within_s
    link.write(query, deadline_s)
    return link.read_line(deadline_s)


@pytest.mark.parametrize("serve", [serve_hislip, serve_vxi11])
def test_a_late_answer_is_never_taken_for_that_of_the_next_question(serve):
    """IVI-6.1, 3.1.2: message numbers; VXI-11: device clear gives up what the instrument still holds."""
    supply = CountingSupply(CLOCK)
    with serve(supply, wrap=faulty("late:0.4@1")) as server:
        link = opened(server)
        with pytest.raises(LinkTimeout):
            ask(link, b"MEAS:CURR?", SHORT_S)
        link.clear(CLOCK.monotonic_s() + AMPLE_S)
        assert ask(link, b"MEAS:VOLT?") == b"2.5"
        link.close()


def test_a_late_answer_over_hislip_is_told_by_its_number_even_without_clearing():
    supply = CountingSupply(CLOCK)
    with serve_hislip(supply, wrap=faulty("late:0.4@1")) as server:
        link = opened(server)
        with pytest.raises(LinkTimeout):
            ask(link, b"MEAS:CURR?", SHORT_S)
        assert ask(link, b"MEAS:VOLT?") == b"2.5"
        assert any("number" in remark for remark in link.take_remarks())
        assert link.take_remarks() == []
        link.close()


def test_a_duplicate_over_hislip_is_thrown_away_and_said_so():
    supply = CountingSupply(CLOCK)
    with serve_hislip(supply, wrap=faulty("duplicate@1")) as server:
        link = opened(server)
        assert ask(link, b"MEAS:CURR?") == b"1.375"
        assert ask(link, b"MEAS:VOLT?") == b"2.5"
        assert any("thrown away" in remark for remark in link.take_remarks())
        link.close()


def test_a_server_that_would_rather_overlap_is_brought_to_synchronised_mode():
    """IVI-6.1: the mode is settled by a device clear."""
    with serve_hislip(CountingSupply(CLOCK), prefers_overlap=True) as server:
        link = opened(server)
        assert [ask(link, b"MEAS:CURR?") for _ in range(3)] == [b"1.375", b"2.375", b"3.375"]
        link.close()


@pytest.mark.parametrize("serve", [serve_hislip, serve_vxi11])
def test_a_block_comes_whole_and_a_message_longer_than_one_piece_is_sent_whole(serve):
    with serve(CountingScope(CLOCK)) as server:
        link = opened(server)
        link._largest = link._room = 7
        deadline_s = CLOCK.monotonic_s() + AMPLE_S
        link.write(b":WAVeform:SOURce CHANnel1;:WAVeform:DATA?", deadline_s)
        assert link.read_block(deadline_s) == b"\x00\x00\x01\n" * 15
        link.close()


def test_the_port_of_vxi11_is_asked_of_the_portmapper(monkeypatch):
    """RFC 1833, 3: GETPORT of the core channel's program."""
    with serve_vxi11(CountingSupply(CLOCK), portmapper=0) as server:
        monkeypatch.setattr(vxi11, "PORTMAPPER_PORT", server.portmapper.port)
        link = make_link(parse_resource("TCPIP::127.0.0.1::INSTR"), None, {}, CLOCK)
        link.open(CLOCK.monotonic_s() + AMPLE_S)
        assert ask(link, b"MEAS:CURR?") == b"1.375"
        link.close()


def test_an_address_where_no_portmapper_answers_is_refused_at_once(monkeypatch):
    monkeypatch.setattr(vxi11, "PORTMAPPER_PORT", 1)
    link = make_link(parse_resource("TCPIP::127.0.0.1::INSTR"), None, {}, CLOCK)
    with pytest.raises(LinkRefused):
        link.open(CLOCK.monotonic_s() + AMPLE_S)


@pytest.mark.parametrize("serve", [serve_hislip, serve_vxi11])
def test_a_carriage_return_where_the_line_feed_belongs_is_said_though_the_frame_ends_the_answer(serve):
    with serve(CountingSupply(CLOCK), wrap=faulty("terminator@1")) as server:
        link = opened(server)
        assert ask(link, b"MEAS:CURR?") == b"1.375"
        assert any("carriage return" in remark for remark in link.take_remarks())
        assert ask(link, b"MEAS:CURR?") == b"2.375"
        assert link.take_remarks() == []
        link.close()


@pytest.mark.parametrize("serve", [serve_hislip, serve_vxi11])
def test_a_carriage_return_behind_a_block_is_said(serve):
    """IEEE 488.2, 8.7.9 (from memory): a block ends where its header says, a terminator follows."""
    with serve(CountingScope(CLOCK), wrap=faulty("terminator@1")) as server:
        link = opened(server)
        deadline_s = CLOCK.monotonic_s() + AMPLE_S
        link.write(b"WAV:DATA?", deadline_s)
        assert len(link.read_block(deadline_s)) == SAMPLES
        assert any("carriage return" in remark for remark in link.take_remarks())
        link.close()
