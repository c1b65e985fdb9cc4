"""Every link passes the same suite; what is special to one is tested below it."""

import threading

import pytest

from drivers.clock import HandClock
from drivers.errors import LinkClosed, LinkRefused, OutOfStep, ResourceNameError
from drivers.links import visa
from drivers.links.choice import make_link
from drivers.links.hislip import HislipLink
from drivers.links.serial import SerialLink
from drivers.links.tcp import SerialServerLink, TcpLink
from drivers.links.visa import VisaLink
from drivers.links.vxi11 import Vxi11Link
from drivers.resource_names import parse_resource
from tests.drivers.conformance import AMPLE_S, LanTests, LinkConformance, StreamTests
from tests.drivers.scripted import Scripted
from tests.drivers.servers import AdapterServer, HislipServer, PtyServer, TcpServer, Vxi11Server


class TestTcpLink(LinkConformance, StreamTests, LanTests):
    server = TcpServer


class TestSerialLink(LinkConformance, StreamTests):
    server = PtyServer


class TestVisaSocketLink(LinkConformance, StreamTests, LanTests):
    server = TcpServer
    forced = "visa"


class TestVisaSerialLink(LinkConformance, StreamTests):
    server = PtyServer
    forced = "visa"
    block_sizes = (0, 1, 9, 4096)  # one select and one read for each byte: 0.05 MB/s


class TestHislipLink(LinkConformance, LanTests):
    server = HislipServer


class TestVxi11Link(LinkConformance, LanTests):
    server = Vxi11Server


class TestAdapterLink(LinkConformance):
    server = AdapterServer


class TestVisaHislipLink(LinkConformance, LanTests):
    server = HislipServer
    forced = "visa"


class TestVisaVxi11Link(LinkConformance, LanTests):
    server = Vxi11Server
    forced = "visa"


@pytest.mark.parametrize(
    ("name", "forced", "kind"),
    [
        ("TCPIP::localhost::5025::SOCKET", None, TcpLink),
        ("TCPIP::localhost::5025::SOCKET", "tcp", TcpLink),
        ("TCPIP::localhost::5025::SOCKET", "visa", VisaLink),
        ("ASRL/dev/ttyUSB0::INSTR", None, SerialLink),
        ("ASRL/dev/ttyUSB0::INSTR", "visa", VisaLink),
        ("ASRLsocket://localhost:4001::INSTR", None, SerialServerLink),
        ("TCPIP::localhost::hislip0::INSTR", None, HislipLink),
        ("TCPIP::localhost::hislip0::INSTR", "hislip", HislipLink),
        ("TCPIP::localhost::hislip0::INSTR", "visa", VisaLink),
        ("TCPIP::localhost::inst0::INSTR", None, Vxi11Link),
        ("TCPIP::localhost::inst0::INSTR", "visa", VisaLink),
        ("GPIB::9::INSTR", None, VisaLink),
    ],
)
def test_the_link_follows_from_the_resource_name_or_is_forced(name, forced, kind, clock):
    assert type(make_link(parse_resource(name), forced, {}, clock)) is kind


def test_a_link_that_cannot_serve_the_name_is_refused_with_the_cure(clock):
    with pytest.raises(ResourceNameError, match="leave the key out"):
        make_link(parse_resource("GPIB::9::INSTR"), "tcp", {}, clock)


@pytest.mark.parametrize("forced", [None, "visa"])
def test_an_end_of_file_is_noticed_at_once_and_not_at_the_deadline(forced, serve, clock):
    place = serve(TcpServer, Scripted())
    link = make_link(parse_resource(place.resource), forced, {}, clock)
    link.open(clock.monotonic_s() + AMPLE_S)
    link.write(b"*IDN?", clock.monotonic_s() + AMPLE_S)
    link.read_line(clock.monotonic_s() + AMPLE_S)
    place.hang_up()
    begun_s = clock.monotonic_s()
    with pytest.raises(LinkClosed):
        link.read_line(begun_s + 60)
    assert clock.monotonic_s() - begun_s < 30
    link.close()


def test_a_serial_port_is_opened_by_one_program_only(serve, clock):
    place = serve(PtyServer, Scripted())
    first = make_link(parse_resource(place.resource), None, {}, clock)
    second = make_link(parse_resource(place.resource), None, {}, clock)
    first.open(clock.monotonic_s() + AMPLE_S)
    with pytest.raises(LinkRefused, match="another program"):
        second.open(clock.monotonic_s() + AMPLE_S)
    first.close()


@pytest.mark.parametrize(("option", "value"), [("parity", "odd-ish"), ("flow", "yes")])
def test_a_setting_no_serial_port_has_is_refused_with_the_words_there_are(option, value, clock):
    with pytest.raises(LinkRefused, match="write none"):
        make_link(parse_resource("ASRL/dev/ttyUSB0::INSTR"), None, {option: value}, clock)


def test_an_instrument_that_talks_for_ever_is_out_of_step_and_not_for_ever(clock):
    """A meter in free talking mode never falls silent."""

    turned = HandClock()

    class Chatty(TcpLink):
        said = 0

        def _receive_waiting(self, quiet_s):
            self.said += 1
            turned.turn(0.5)
            return b"+1.0\n"

    link = Chatty("nowhere", 1, turned)
    with pytest.raises(OutOfStep, match="free talking"):
        link.drain(0.2)
    assert link.said < 20


def test_opening_and_closing_for_days_leaves_no_sessions_behind(serve, clock):
    """pyvisa-py keeps closed sessions in its table; this link takes them out."""
    place = serve(TcpServer, Scripted())
    link = make_link(parse_resource(place.resource), "visa", {}, clock)
    link.open(clock.monotonic_s() + AMPLE_S)
    table = visa._manager("@py").visalib.sessions
    before = len(table)
    for _ in range(5):
        link.reopen(clock.monotonic_s() + AMPLE_S)
    assert len(table) == before
    link.close()
    assert len(table) == before - 1


def test_two_instruments_behind_one_adapter_get_their_own_answers_from_two_threads(serve, clock):
    """Through pyvisa-py threads interleave there: its lock is for a call, not for a question with its answer."""
    place = serve(AdapterServer, Scripted({"WHO?": "nine"}))
    place.others["12"] = Scripted({"WHO?": "twelve"})
    wrong = []

    def ask(name, expected):
        link = make_link(parse_resource(name), None, place.options, clock)
        link.open(clock.monotonic_s() + AMPLE_S)
        for _ in range(100):
            link.write(b"WHO?", clock.monotonic_s() + AMPLE_S)
            if (answer := link.read_line(clock.monotonic_s() + AMPLE_S)) != expected:
                wrong.append(answer)
        link.close()

    threads = [
        threading.Thread(target=ask, args=("GPIB0::9::INSTR", b"nine")),
        threading.Thread(target=ask, args=("GPIB0::12::INSTR", b"twelve")),
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(30)
    assert wrong == [] and not any(thread.is_alive() for thread in threads)


@pytest.mark.parametrize(
    ("name", "adapter"),
    [
        ("TCPIP::h::5025::SOCKET", "PRLGX-TCPIP::h::1234::INTFC"),
        ("GPIB0::9::INSTR", "TCPIP::h::1234::SOCKET"),
        ("PRLGX-TCPIP::h::1234::INTFC", ""),
    ],
)
def test_an_adapter_and_what_is_behind_it_are_told_apart(name, adapter, clock):
    with pytest.raises(ResourceNameError, match="GPIB0::9::INSTR"):
        make_link(parse_resource(name), None, {"adapter": adapter}, clock)
