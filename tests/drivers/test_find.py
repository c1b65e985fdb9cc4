"""What answers on this machine and LAN."""

import threading

import pytest
from pyvisa.constants import InterfaceType

from drivers.errors import LinkError
from drivers.find import Found, find
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


def test_a_silent_serial_port_says_at_which_bit_rates_it_was_asked(serve, clock):
    place = serve(PtyServer, Scripted(silent=True))
    (found,) = find(clock, 2, names(), port_of(place), lambda *_: True)
    assert found.identity is None
    assert "9600, 115200, 19200 baud" in found.remark


def test_instruments_on_gpib_are_listed_and_not_asked(clock):
    (found,) = find(clock, 5, names("GPIB0::9::INSTR"), no_ports)
    assert found.identity is None
    assert "not asked" in found.remark


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
