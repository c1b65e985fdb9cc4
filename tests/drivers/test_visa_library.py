"""Drivers through a VISA library that the bench file names: ``pyvisa-sim`` from PyPI, unmodified.

Its own default devices, and devices written in its own format (its documentation, "Writing definitions").
"""

import pytest
import pyvisa

from drivers.errors import DriverError, LinkRefused, ResourceNameError
from drivers.links import visa_library
from drivers.links.choice import make_link
from drivers.protocols import InstrumentSpec
from drivers.readings import Flag, Quantity
from drivers.registry import open_instrument
from drivers.resource_names import parse_resource

ITS_OWN = "@sim"
METER = """
spec: "1.0"
devices:
  meter:
    eom:
      GPIB INSTR: {q: "\\n", r: "\\n"}
      USB INSTR: {q: "\\n", r: "\\n"}
      TCPIP INSTR: {q: "\\n", r: "\\n"}
      TCPIP SOCKET: {q: "\\n", r: "\\n"}
    error:
      error_queue:
        - {q: "SYST:ERR?", default: '0,"No error"', command_error: '-113,"Undefined header"'}
      status_register:
        - {q: "*ESR?", command_error: 32, query_error: 4}
    dialogues:
      - {q: "*IDN?", r: "FOREIGN,LIBRARY,7,1.5"}
      - {q: "CONF?", r: '"VOLT +1.0E+01,+1.0E-05"'}
      - {q: "SYST:LOC"}
    properties:
      value:
        default: 1.0
        getter: {q: "FETC?", r: "{:+.6E}"}
        setter: {q: "TEST:VAL {:f}"}
        specs: {min: -1000, max: 9.91e37, type: float}
resources:
  GPIB0::22::INSTR: {device: meter}
  USB0::0x1111::0x2222::0042::0::INSTR: {device: meter}
  TCPIP0::bench::inst0::INSTR: {device: meter}
  TCPIP0::bench::5025::SOCKET: {device: meter}
"""
NAMES = (
    "GPIB0::22::INSTR", "USB::0x1111::0x2222::0042::INSTR", "TCPIP::bench::inst0::INSTR", "TCPIP::bench::5025::SOCKET",
)  # fmt: skip
SOURCE = """
name = "question mark in front"
identify = "?IDN"
identity = 'LSG Serial #1234'
[send]
output_on = "!OUT 1"
output_off = "!OUT 0"
[[ask]]
query = "?FREQ"
answer = '(?P<hz>[0-9.]+)'
[[ask]]
query = "?AMP"
answer = '(?P<v>[0-9.]+)'
[[ask]]
query = "?OUT"
answer = '(?:(?P<on>1)|(?P<off>0))'
"""


@pytest.fixture
def through(clock):
    """``through(library, kind, resource)`` opens a driver through that library."""
    opened = []

    def start(library, kind, resource, **options):
        link = "visa" if resource.startswith("TCPIP") else None
        options |= {"visa_library": library}
        spec = InstrumentSpec("it", kind, resource, link, timeout_s=0.3, options=options)
        opened.append(open_instrument(spec, clock))
        return opened[-1]

    yield start
    for driver in opened:
        driver.close()


@pytest.fixture
def library(tmp_path):
    """A library of devices that nobody has opened yet."""
    path = tmp_path / "meter.yaml"
    path.write_text(METER, encoding="ascii")
    return f"{path}@sim"


@pytest.mark.parametrize("resource", NAMES)
def test_a_meter_of_the_library_is_read_value_for_value(through, library, resource):
    """Each poll brings the value that was put in just before it, never the one before that."""
    meter = through(library, "meter", resource)
    hand = pyvisa.ResourceManager(library).open_resource(resource)
    for value in (1.0, -2.5, 123.25, 0.5):
        hand.write_raw(f"TEST:VAL {value}\n".encode())
        poll = meter.poll()
        (reading,) = poll.readings
        assert (reading.value, reading.quantity, reading.range) == (value, Quantity.DC_V, 10.0)
        assert poll.remarks == ()
    hand.close()


def test_overload_passes_the_library(through, library):
    """SCPI-99 vol. 1, 7.2.1.4."""
    meter = through(library, "meter", NAMES[0])
    hand = pyvisa.ResourceManager(library).open_resource(NAMES[0])
    hand.write_raw(f"TEST:VAL {9.9e37:f}\n".encode())
    assert meter.poll().readings[0].flags == Flag.OVERLOAD
    hand.close()


@pytest.mark.parametrize("resource", NAMES)
def test_an_answer_that_nobody_asked_for_is_never_a_reading(through, library, resource):
    """The library holds it over the end of a session and has no device clear: it has to be read away."""
    meter = through(library, "meter", resource)
    assert meter.poll().readings[0].value == 1.0
    device = pyvisa.ResourceManager(library).visalib.devices[pyvisa.rname.to_canonical_name(resource)]
    device.write(b"*IDN?\n")
    device.write(b"CONF?\n")
    values = []
    for _ in range(4):
        try:
            values += [reading.value for reading in meter.poll().readings]
        except DriverError:
            values.append(None)
    assert set(values) <= {1.0, None}
    assert values[-1] == 1.0


@pytest.mark.parametrize("resource", ["GPIB::9::INSTR", "USB::0x1111::0x2222::0x2468::INSTR"])
def test_the_librarys_own_source_is_read_right(through, resource):
    """It is set to 1 V and 1 A, and answers words that it does not know by silence."""
    supply = through(
        ITS_OWN, "supply", resource, current_query=":CURR:IMM:AMPL?", voltage_query=":VOLT:IMM:AMPL?", feeds="dc"
    )
    for _ in range(3):
        values = {reading.quantity: reading.value for reading in supply.poll().readings}
        assert values[Quantity.SUPPLY_CURRENT] == values[Quantity.DC_V] == 1.0
    assert supply.poll().remarks == ()


@pytest.mark.parametrize("resource", ["GPIB::8::INSTR", "TCPIP::localhost::10001::SOCKET", "TCPIP::localhost::INSTR"])
def test_the_librarys_own_generator_older_than_scpi_is_read_by_a_dialect(through, tmp_path, resource):
    """100 Hz; 1 V in 50 ohms are 13.0 dBm; off."""
    path = tmp_path / "source.toml"
    path.write_text(SOURCE, encoding="ascii")
    generator = through(ITS_OWN, "generator", resource, dialect=str(path))
    readings = {reading.quantity: reading.value for reading in generator.poll().readings}
    assert readings[Quantity.FREQUENCY] == 100.0
    assert readings[Quantity.LEVEL] == pytest.approx(13.0103, abs=1e-4)
    assert readings[Quantity.OUTPUT] == 0.0


def test_of_a_source_that_knows_no_current_the_volts_are_read(through):
    supply = through(ITS_OWN, "supply", "GPIB::4::INSTR", voltage_query=":VOLT:IMM:AMPL?", feeds="dc")
    for _ in range(3):
        assert [(reading.quantity, reading.value) for reading in supply.poll().readings] == [(Quantity.DC_V, 1.0)]


def test_what_breaks_inside_of_the_library_is_an_error_of_the_one_tree(through):
    """This device's own answer to OUTP? cannot be written: the library raises a ValueError."""
    with pytest.raises(DriverError, match="ValueError"):
        through(ITS_OWN, "supply", "GPIB::10::INSTR")


def test_the_librarys_device_without_an_identity_is_refused(through):
    with pytest.raises(DriverError):
        through(ITS_OWN, "supply", "GPIB::5::INSTR")


def test_a_name_that_the_library_does_not_have_is_refused(through, library):
    with pytest.raises(LinkRefused):
        through(library, "meter", "GPIB0::1::INSTR")


def test_a_library_that_is_not_there_is_refused_with_its_name(clock):
    link = make_link(parse_resource("GPIB0::22::INSTR"), None, {"visa_library": "/nowhere/libvisa.so"}, clock)
    with pytest.raises(LinkRefused, match="GPIB0::22::INSTR"):
        link.open(clock.monotonic_s() + 1)
    with pytest.raises(LinkRefused, match=r"/nowhere/libvisa\.so"):
        visa_library.library_names("/nowhere/libvisa.so")


def test_a_library_that_would_not_be_used_is_a_mistake(clock):
    with pytest.raises(ResourceNameError, match='link = "visa"'):
        make_link(parse_resource("TCPIP::bench::5025::SOCKET"), None, {"visa_library": ITS_OWN}, clock)


def test_the_names_that_a_library_lists_are_found(library):
    assert set(visa_library.library_names(library)) >= {"GPIB0::22::INSTR", "TCPIP0::bench::inst0::INSTR"}
