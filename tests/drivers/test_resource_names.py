"""VISA resource names (VPP-4.3, 4.3.1, and its examples from memory)."""

import sys

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.errors import ResourceNameError
from drivers.resource_names import ResourceName, Way, parse_resource

BEGINNINGS = ["TCPIP", "TCPIP::h::", "ASRL", "USB", "GPIB"]


@pytest.mark.parametrize(
    ("text", "way", "host", "port", "device"),
    [
        ("TCPIP0::1.2.3.4::999::SOCKET", Way.SOCKET, "1.2.3.4", 999, ""),
        ("TCPIP::meter.local::5025::SOCKET", Way.SOCKET, "meter.local", 5025, ""),
        ("tcpip::meter::5025::socket", Way.SOCKET, "meter", 5025, ""),
        ("TCPIP::[::1]::5025::SOCKET", Way.SOCKET, "::1", 5025, ""),
        ("TCPIP0::dev.company.com::INSTR", Way.VXI11, "dev.company.com", None, "inst0"),
        ("TCPIP::1.2.3.4::inst0::INSTR", Way.VXI11, "1.2.3.4", None, "inst0"),
        ("TCPIP::1.2.3.4,5555::inst0::INSTR", Way.VXI11, "1.2.3.4", 5555, "inst0"),
        ("TCPIP::1.2.3.4::gpib0,9::INSTR", Way.VXI11, "1.2.3.4", None, "gpib0,9"),
        ("TCPIP::1.2.3.4::hislip0::INSTR", Way.HISLIP, "1.2.3.4", 4880, "hislip0"),
        ("TCPIP::1.2.3.4::hislip0,4881::INSTR", Way.HISLIP, "1.2.3.4", 4881, "hislip0"),
        ("ASRL/dev/ttyUSB0::INSTR", Way.SERIAL, "", None, "/dev/ttyUSB0"),
        ("ASRL/dev/serial/by-id/usb-x::INSTR", Way.SERIAL, "", None, "/dev/serial/by-id/usb-x"),
        ("ASRLsocket://1.2.3.4:5::INSTR", Way.SERIAL_SERVER, "1.2.3.4", 5, ""),
        ("USB::0x1234::125::A22-5::INSTR", Way.USB, "", None, ""),
        ("USB0::0x1234::0x5678::A22-5::0::INSTR", Way.USB, "", None, ""),
        ("USB::0x1234::125::A22-5::RAW", Way.USB, "", None, ""),
        ("GPIB::1::0::INSTR", Way.GPIB, "", None, "1 96"),
        ("GPIB0::22::INSTR", Way.GPIB, "", None, "22"),
        ("PRLGX-TCPIP::1.2.3.4::4321::INTFC", Way.ADAPTER, "1.2.3.4", 4321, ""),
        ("PRLGX-TCPIP0::adapter.local::INTFC", Way.ADAPTER, "adapter.local", 1234, ""),
        ("PRLGX-ASRL::/dev/ttyUSB1::INTFC", Way.ADAPTER, "", None, "/dev/ttyUSB1"),
    ],
)
def test_names_are_taken_apart(text, way, host, port, device):
    assert parse_resource(text) == ResourceName(text, way, host, port, device)


def test_white_space_around_a_name_is_no_part_of_it():
    assert parse_resource(" GPIB::9::INSTR\n").text == "GPIB::9::INSTR"


@pytest.mark.parametrize(
    ("text", "cure"),
    [
        ("", "Write one of"),
        ("192.168.1.20", "Write one of"),
        ("COM3", "Write one of"),
        ("TCPIP::1.2.3.4::SOCKET", "PORT"),
        ("TCPIP::1.2.3.4::0::SOCKET", "1 to 65535"),
        ("TCPIP::1.2.3.4::65536::SOCKET", "1 to 65535"),
        ("TCPIP::1.2.3.4::five::SOCKET", "1 to 65535"),
        ("TCPIP::1.2.3.4::5025", "SOCKET"),
        ("TCPIP::::5025::SOCKET", "HOST"),
        ("ASRL", "name the serial port"),
        ("ASRL::INSTR", "name the serial port"),
        ("USB::1234::INSTR", "probetrail find"),
        ("GPIB::31::INSTR", "0 to 30"),
        ("GPIB::INSTR", "0 to 30"),
        ("PXI0::CHASSIS1::SLOT3", "Write one of"),
    ],
)
def test_what_is_no_name_is_refused_with_the_cure(text, cure):
    with pytest.raises(ResourceNameError, match=cure):
        parse_resource(text)


def test_port_numbers_belong_to_windows(monkeypatch):
    monkeypatch.setattr(sys, "platform", "win32")
    assert parse_resource("ASRL3::INSTR").device == "COM3"
    assert parse_resource("ASRLCOM11").device == "COM11"
    monkeypatch.setattr(sys, "platform", "linux")
    with pytest.raises(ResourceNameError, match="path"):
        parse_resource("ASRL3::INSTR")


@given(st.text() | st.builds(lambda begin, rest: begin + rest, st.sampled_from(BEGINNINGS), st.text()))
def test_any_text_is_a_name_or_a_resource_name_error(text):
    try:
        assert parse_resource(text).way in Way
    except ResourceNameError as error:
        assert repr(text) in str(error) or repr(text.strip()) in str(error)
