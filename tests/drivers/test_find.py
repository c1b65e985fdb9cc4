"""What answers on this machine and LAN."""

import struct
import threading

import pytest
from pyvisa.constants import InterfaceType

from drivers.errors import LinkError
from drivers.find import Found, find, library_searches
from drivers.finding.kinds import Guess
from drivers.links import visa
from drivers.readings import Identity
from drivers.resource_names import Way
from tests.drivers.instruments import bench_meter, generator, two_channel_scope
from tests.drivers.scripted import Scripted, replaced_by
from tests.drivers.servers import HislipServer, PtyServer, TcpServer, Vxi11Server

IDENTITY = "BENCH, SCRIPTED, 0042, 1.0"


@pytest.fixture(autouse=True)
def short_silences(monkeypatch):
    """Scripted instruments answer at once, so silence is known sooner."""
    monkeypatch.setattr("drivers.finding.kinds.TRY_S", 0.15)
    monkeypatch.setattr("drivers.find.SERIAL_ANSWER_WITHIN_S", 0.2)
    monkeypatch.setattr("drivers.finding.behind.ANSWERS_WITHIN_S", 0.1)


def no_ports():
    return []


def names(*resources):
    """One way of searching that comes back with these."""
    return {"a list": lambda within_s: list(resources)}


def port_of(place):
    """A port list with the far end of a pseudo terminal in it."""
    return lambda: [(place.resource.removeprefix("ASRL").removesuffix("::INSTR"), "a cable")]


def test_what_answers_is_named_with_its_identity(serve, clock):
    places = [serve(kind, Scripted()) for kind in (TcpServer, HislipServer, Vxi11Server)]
    found = find(clock, 10, names(*(place.resource for place in places)), no_ports)
    assert {f.resource for f in found} == {place.resource for place in places}
    assert {str(f.identity) for f in found} == {IDENTITY}


def test_it_only_asks_who_is_there(serve, clock):
    instrument = Scripted()
    place = serve(TcpServer, instrument)
    find(clock, 10, names(place.resource), no_ports)
    assert set(instrument.heard) == {"*IDN?"}


def test_a_serial_port_is_not_written_to_without_consent(serve, clock):
    instrument = Scripted()
    place = serve(PtyServer, instrument)
    asked = []
    found = find(clock, 2, names("ASRL/dev/ttyS0::INSTR"), port_of(place), lambda *port: asked.append(port))
    assert found == [Found(place.resource, None, "serial port, not asked: a cable")]
    assert asked == port_of(place)()
    assert instrument.heard == []


def test_with_consent_a_serial_port_is_asked_who_is_there_and_nothing_else(serve, clock):
    instrument = Scripted()
    place = serve(PtyServer, instrument)
    (found,) = find(clock, 2, names(), port_of(place), lambda *_: True)
    assert (found.resource, str(found.identity), found.baud) == (place.resource, IDENTITY, 9600)
    assert set(instrument.heard) == {"*IDN?"}


def test_a_serial_port_that_sends_rubbish_is_tried_at_another_bit_rate(serve, clock):
    instrument = Scripted()
    for _ in range(3):  # each bit rate gets three chances to come in step
        instrument.fault("*IDN?", replaced_by(b"\xf0\x0f\xfe\n"))
    place = serve(PtyServer, instrument)
    (found,) = find(clock, 2, names(), port_of(place), lambda *_: True)
    assert (str(found.identity), found.baud) == (IDENTITY, 115200)


def test_a_silent_serial_port_says_at_which_bit_rates_it_was_asked(serve, clock, monkeypatch):
    monkeypatch.setattr("drivers.find.SERIAL_ANSWER_WITHIN_S", 0.03)
    place = serve(PtyServer, Scripted(silent=True))
    (found,) = find(clock, 2, names(), port_of(place), lambda *_: True)
    assert found.identity is None
    assert "9600, 115200, 19200, 38400, 57600, 4800, 2400, 1200 baud" in found.remark


def test_a_serial_port_is_not_asked_at_further_bit_rates_when_its_time_is_over(serve, clock, monkeypatch):
    monkeypatch.setattr("drivers.find.SERIAL_WITHIN_S", 0.0)
    place = serve(PtyServer, Scripted(silent=True))
    (found,) = find(clock, 2, names(), port_of(place), lambda *_: True)
    assert found.remark.startswith("asked at ") and "1200" not in found.remark


def test_an_instrument_on_gpib_without_an_interface_is_named_with_the_reason(clock):
    (found,) = find(clock, 5, names("GPIB0::9::INSTR"), no_ports)
    assert found.identity is None
    assert found.remark


def test_those_on_one_gpib_are_asked_one_after_another_through_the_users_own_library(clock):
    """The default devices of pyvisa-sim: 9 and 10 say who they are, 8 says ERROR to all that it does not know."""
    ways = {"VISA library": library_searches(clock, "@sim")["VISA library @sim"]}
    found = {entry.resource: entry for entry in find(clock, 6, ways, no_ports, visa_library="@sim")}
    assert {name for name in found if name.startswith("GPIB")} == {
        f"GPIB0::{address}::INSTR" for address in (4, 5, 8, 9, 10)
    }
    for resource in ("GPIB0::9::INSTR", "GPIB0::10::INSTR", "USB0::0x1111::0x2222::0x2468::0::INSTR"):
        assert str(found[resource].identity) == "SCPI, MOCK, VERSION_1.0, "
        assert found[resource].visa_library == "@sim"
    assert str(found["GPIB0::8::INSTR"].identity) == "ERROR, , , "


def test_a_library_that_is_not_there_is_a_remark(clock):
    ways = {"VISA library": library_searches(clock, "/nowhere/libvisa.so")["VISA library /nowhere/libvisa.so"]}
    (found,) = find(clock, 3, ways, no_ports)
    assert "/nowhere/libvisa.so" in found.remark


class Gateway(Vxi11Server):
    """A VXI-11 host whose link names lead to instruments of their own; a name that it does not have is refused."""

    def __init__(self, instruments, port=0):
        super().__init__(Scripted(), port)
        self.instruments = instruments
        self.opened = []

    def _call(self, procedure, arguments):
        if procedure == self.CREATE:
            (size,) = struct.unpack("!I", arguments[12:16])
            device = arguments[16 : 16 + size].decode()
            self.opened.append(device)
            if device not in self.instruments and not (device.startswith("gpib0,") and "gpib0" in self.instruments):
                return struct.pack("!4I", 3, 0, 0, 0)  # VXI-11.1, B.5.2: device not accessible
            self.instrument = self.instruments.get(device) or Scripted(silent=True)
        return super()._call(procedure, arguments)


def test_what_is_behind_a_vxi11_gateway_is_found_and_the_gateway_is_no_instrument(serve, clock):
    first, second = Scripted(identity="A,ONE,1,1"), Scripted(identity="A,TWO,2,1")
    gateway = serve(Gateway, {"gpib0": None, "gpib0,9": first, "gpib0,22": second})
    found = find(clock, 5, names(gateway.resource), no_ports)
    here = f"TCPIP::127.0.0.1,{gateway.port}"
    assert [(entry.resource, str(entry.identity)) for entry in found] == [
        (f"{here}::gpib0,9::INSTR", "A, ONE, 1, 1"),
        (f"{here}::gpib0,22::INSTR", "A, TWO, 2, 1"),
    ]
    assert [set(each.heard) for each in (first, second)] == [{"*IDN?"}] * 2


def test_further_devices_of_a_vxi11_host_are_found(serve, clock):
    host = serve(Gateway, {f"inst{n}": Scripted(identity=f"A,NUMBER {n},{n},1") for n in range(3)})
    found = find(clock, 5, names(host.resource), no_ports)
    assert [str(entry.identity) for entry in found] == [f"A, NUMBER {n}, {n}, 1" for n in range(3)]


def test_a_host_that_opens_whatever_it_is_asked_for_is_one_instrument(serve, clock):
    instrument = Scripted()
    place = serve(Vxi11Server, instrument)
    (found,) = find(clock, 5, names(place.resource), no_ports)
    assert (found.resource, str(found.identity)) == (place.resource, IDENTITY)
    assert instrument.heard == ["*IDN?"] * 3


def test_a_host_without_gpib_is_asked_for_it_once_and_no_address_is_tried(serve, clock):
    host = serve(Gateway, {"inst0": Scripted()})
    find(clock, 5, names(host.resource), no_ports)
    assert host.opened == ["inst0", "inst1", "gpib0"]


def test_a_gateway_that_answers_too_slowly_is_not_asked_to_its_last_address(serve, clock, monkeypatch):
    monkeypatch.setattr("drivers.finding.behind.BEHIND_WITHIN_S", 0.0)
    gateway = serve(Gateway, {"inst0": Scripted(), "gpib0": None})
    found = find(clock, 5, names(gateway.resource), no_ports)
    assert [bool(entry.identity) for entry in found] == [True, False]
    assert "address 1 on" in found[1].remark


def test_a_way_that_fails_is_a_remark_and_the_others_go_on(serve, clock):
    def broken(within_s):
        raise LinkError("the search for USB and GPIB instruments failed (no such library).")

    place = serve(TcpServer, Scripted())
    found = find(clock, 5, {"USB and GPIB": broken} | names(place.resource), no_ports)
    assert [str(entry.identity or "") for entry in found] == [IDENTITY, ""]
    assert found[1] == Found("", None, "the search for USB and GPIB instruments failed (no such library).")


def test_names_that_nobody_answers_at_keep_the_reason(serve, clock):
    place = serve(TcpServer, Scripted())
    place.stop()
    (found,) = find(clock, 5, names(place.resource), no_ports)
    assert found.identity is None
    assert "nobody answers" in found.remark


def test_a_search_that_does_not_end_is_given_up(clock):
    release = threading.Event()
    (found,) = find(clock, 0.2, {"multicast DNS": lambda within_s: [str(release.wait(30))]}, no_ports)
    release.set()
    assert "multicast DNS: given up" in found.remark


class Backend:
    """A class of pyvisa-py's that finds what it is told."""

    def __init__(self, found):
        self._found = found

    def list_resources(self):
        if isinstance(self._found, Exception):
            raise self._found
        return self._found


def backend(monkeypatch, found, issue=""):
    monkeypatch.setattr(visa.Session, "iter_valid_session_classes", lambda: [((InterfaceType.usb, "INSTR"), found)])
    issues = [((InterfaceType.usb, "INSTR"), issue)] if issue else []
    monkeypatch.setattr(visa.Session, "iter_session_classes_issues", lambda: issues)


def test_what_a_backend_finds_is_named(monkeypatch):
    backend(monkeypatch, Backend(["USB0::1::2::3::INSTR"]))
    assert visa.visa_names(Way.USB) == ["USB0::1::2::3::INSTR"]


def test_another_programs_way_of_failing_becomes_a_link_error(monkeypatch):
    backend(monkeypatch, Backend(KeyError("libusb")))
    with pytest.raises(LinkError, match=r"the search for USB instruments failed.*libusb"):
        visa.visa_names(Way.USB)


def test_a_missing_backend_says_in_one_line_what_to_install(monkeypatch):
    backend(monkeypatch, Backend([]), "Please install this.\nNo module named that")
    with pytest.raises(LinkError) as told:
        visa.visa_names(Way.USB)
    assert str(told.value) == "USB instruments are not looked for: Please install this. No module named that"


def test_an_identity_compares_field_by_field():
    assert Found("X", Identity("A", "B", "C", "D")) == Found("X", Identity("A", "B", "C", "D"))


def supply():
    return Scripted({"FETC:CURR?": "+1.0E-1", "MEAS:CURR?": "+1.0E-1"})


def other_generator():
    """A signal source whose level is not in POW: an arbitrary waveform generator, say."""
    return Scripted({"OUTP?": "0", "FREQ?": "+1.0E3", "FUNC?": "SIN", "VOLT?": "+1.0E-1"})


@pytest.mark.parametrize(
    ("make", "kind"),
    [
        (bench_meter, "meter"),
        (two_channel_scope, "scope"),
        (generator, "generator"),
        (supply, "supply"),
        (other_generator, ""),
    ],
)
def test_the_kind_is_told_by_the_questions_it_understands(serve, clock, make, kind):
    instrument = make()
    place = serve(TcpServer, instrument)
    (found,) = find(clock, 10, names(place.resource), no_ports, with_kinds=True)
    assert found.guess is not None
    assert found.guess.kind == kind
    assert found.guess.because


@pytest.mark.parametrize("make", [bench_meter, two_channel_scope, generator, supply, other_generator])
def test_telling_the_kind_sends_queries_only_and_none_that_measures(serve, clock, make):
    instrument = make()
    place = serve(TcpServer, instrument)
    find(clock, 10, names(place.resource), no_ports, with_kinds=True)
    assert all(line.endswith("?") for line in instrument.heard)
    assert not [line for line in instrument.heard if line.startswith(("MEAS", "READ"))]


def test_telling_the_kind_leaves_no_error_behind_in_the_instrument(serve, clock):
    instrument = generator()
    place = serve(TcpServer, instrument)
    find(clock, 10, names(place.resource), no_ports, with_kinds=True)
    assert instrument.errors == []


def test_an_instrument_that_understands_nothing_is_of_no_kind(serve, clock):
    place = serve(TcpServer, Scripted())
    (found,) = find(clock, 10, names(place.resource), no_ports, with_kinds=True)
    assert found.guess == Guess("", "it understood none of the questions by which the kinds are told apart")


@pytest.mark.parametrize(
    ("form", "answers"),
    [
        ("form A", {"WAV:PRE?": "0,0,4,1,1.0E-3,0,0,4.0E-2,0,128"}),
        ("form B", {"WFMP?": '1;8;BIN;RI;MSB;500;"channel 1";Y;1.0E-3;0;0.0E+0;"s";4.0E-2;0.0E+0;0.0E+0;"V"'}),
        ("form C", {"CFMT?": "DEF9,BYTE,BIN"}),
    ],
)
def test_a_scope_is_told_by_the_form_of_its_waveforms(serve, clock, form, answers):
    place = serve(TcpServer, Scripted(answers))
    (found,) = find(clock, 10, names(place.resource), no_ports, with_kinds=True)
    assert found.guess == Guess("scope", f"it describes a waveform in {form}", 0)


def test_the_channels_of_a_scope_are_counted(serve, clock):
    place = serve(TcpServer, two_channel_scope())
    (found,) = find(clock, 10, names(place.resource), no_ports, with_kinds=True)
    assert found.guess is not None
    assert found.guess.channels == 2
