"""What answers on this machine and LAN."""

import threading

from drivers.errors import LinkError
from drivers.find import Found, find
from drivers.links import serial, visa
from drivers.readings import Identity
from tests.drivers.scripted import Scripted
from tests.drivers.servers import HislipServer, TcpServer, Vxi11Server


def no_ports():
    return []


def test_what_answers_is_named_with_its_identity(serve, clock):
    places = [serve(kind, Scripted()) for kind in (TcpServer, HislipServer, Vxi11Server)]
    found = find(clock, 10, lambda: [place.resource for place in places], no_ports)
    assert {f.resource for f in found} == {place.resource for place in places}
    assert {str(f.identity) for f in found} == {"BENCH, SCRIPTED, 0042, 1.0"}


def test_it_only_asks_who_is_there(serve, clock):
    instrument = Scripted()
    place = serve(TcpServer, instrument)
    find(clock, 10, lambda: [place.resource], no_ports)
    assert set(instrument.heard) == {"*IDN?"}


def test_serial_ports_are_listed_and_never_written_to(clock, monkeypatch):
    def opened(*_, **__):
        raise AssertionError("a serial port was opened")

    monkeypatch.setattr(serial.SerialLink, "open", opened)
    found = find(clock, 5, lambda: ["ASRL/dev/ttyS0::INSTR"], lambda: [("/dev/ttyUSB0", "some cable")])
    assert found == [Found("ASRL/dev/ttyUSB0::INSTR", None, "serial port, not asked: some cable")]


def test_instruments_on_gpib_are_listed_and_not_asked(clock):
    (found,) = find(clock, 5, lambda: ["GPIB0::9::INSTR"], no_ports)
    assert found.identity is None
    assert "not asked" in found.remark


def test_a_missing_backend_is_a_remark(clock):
    def broken():
        raise LinkError("the search through VISA failed (no such library).")

    (found,) = find(clock, 5, broken, no_ports)
    assert found == Found("", None, "the search through VISA failed (no such library).")


def test_names_that_nobody_answers_at_keep_the_reason(serve, clock):
    place = serve(TcpServer, Scripted())
    place.stop()
    (found,) = find(clock, 5, lambda: [place.resource], no_ports)
    assert found.identity is None
    assert "nobody answers" in found.remark


def test_a_search_that_does_not_end_is_given_up(clock):
    release = threading.Event()
    (found,) = find(clock, 0.2, lambda: [str(release.wait(30))], no_ports)
    release.set()
    assert "given up" in found.remark


def test_another_programs_way_of_failing_becomes_a_link_error(monkeypatch):
    class Broken:
        def list_resources(self, query):
            raise KeyError("libusb")

    monkeypatch.setattr(visa, "_manager", lambda backend: Broken())
    try:
        visa.visa_resources()
    except LinkError as error:
        assert "libusb" in str(error)
    else:
        raise AssertionError("a broken search went unnoticed")


def test_an_identity_compares_field_by_field():
    assert Found("X", Identity("A", "B", "C", "D")) == Found("X", Identity("A", "B", "C", "D"))
