"""VISA resource names: what a user writes to say where an instrument is. Pure, no I/O.

======================================  =============  ==================================================
``TCPIP::HOST::PORT::SOCKET``           socket         SCPI over plain TCP
``TCPIP::HOST[,PORT]::inst0::INSTR``    vxi11          VXI-11; with PORT no portmapper is asked
``TCPIP::HOST::gpib0,9::INSTR``         vxi11          GPIB behind a VXI-11 gateway
``TCPIP::HOST::hislip0[,PORT]::INSTR``  hislip         IVI-6.1, port 4880
``ASRL/dev/ttyUSB0::INSTR``             serial         a serial port (Windows: ``ASRL3`` or ``ASRLCOM3``)
``ASRLsocket://HOST:PORT::INSTR``       serial server  a serial port behind a LAN box, raw TCP
``USB::0x1234::0x5678::SERIAL::INSTR``  usb            USB test and measurement class
``GPIB::9::INSTR``                      gpib           IEEE 488.1
``PRLGX-TCPIP::HOST::PORT::INTFC``      adapter        GPIB adapter on the LAN; its instruments are ``GPIB0::n``
``PRLGX-ASRL::/dev/ttyUSB0::INTFC``     adapter        GPIB adapter on a serial port
======================================  =============  ==================================================

The grammar is that of the VISA library specification (VPP-4.3, section 4.3.1).
"""

import re
import sys
from dataclasses import dataclass
from enum import StrEnum

from drivers.errors import ResourceNameError

HISLIP_PORT = 4880  # IVI-6.1, registered with IANA
EXAMPLES = (
    "TCPIP::192.168.1.20::5025::SOCKET, TCPIP::192.168.1.20::inst0::INSTR, "
    "TCPIP::192.168.1.20::hislip0::INSTR, ASRL/dev/ttyUSB0::INSTR, "
    "USB::0x1234::0x5678::SERIAL::INSTR, GPIB::9::INSTR"
)

_SOCKET = re.compile(r"TCPIP\d*::(\[[0-9a-f:.%\w]+\]|[^:,\s]+)::([^:]*)::SOCKET", re.IGNORECASE)
_LAN = re.compile(r"TCPIP\d*::([^:,\s]+)(?:,(\d+))?(?:::([^:,\s]+)(?:,(\d+(?:,\d+)?))?)?::INSTR", re.IGNORECASE)
_SERIAL = re.compile(r"ASRL(.+?)(?:::INSTR)?", re.IGNORECASE)
_SERIAL_SERVER = re.compile(r"ASRLsocket://(\[[0-9a-f:.%\w]+\]|[^:/\s]+):([^:/]*)(?:::INSTR)?", re.IGNORECASE)
_USB = re.compile(
    r"USB\d*::(0x[0-9a-f]+|\d+)::(0x[0-9a-f]+|\d+)::[^:]+(?:::\d+)?::(?:INSTR|RAW)", re.IGNORECASE
)
_GPIB = re.compile(r"GPIB\d*::(\d{1,2})(?:::(\d{1,2}))?::INSTR", re.IGNORECASE)
_ADAPTER_LAN = re.compile(r"PRLGX-TCPIP\d*::([^:,\s]+)(?:::([^:]*))?::INTFC", re.IGNORECASE)
_ADAPTER_SERIAL = re.compile(r"PRLGX-ASRL\d*::(.+?)::INTFC", re.IGNORECASE)
ADAPTER_PORT = 1234
_WINDOWS_PORT = re.compile(r"(?:COM)?(\d+)", re.IGNORECASE)


class Way(StrEnum):
    """Kind of way to an instrument."""

    SOCKET = "socket"
    VXI11 = "vxi11"
    HISLIP = "hislip"
    SERIAL = "serial"
    SERIAL_SERVER = "serial server"
    USB = "usb"
    GPIB = "gpib"
    ADAPTER = "adapter"


@dataclass(frozen=True, slots=True)
class ResourceName:
    """A VISA resource name taken apart; ``text`` is the whole of it.

    ``host`` and ``port`` for LAN (port None: the way's own default), ``device`` the serial port's
    path or name, the LAN device name, or the GPIB address (primary, then secondary plus 96 where there is one).
    """

    text: str
    way: Way
    host: str = ""
    port: int | None = None
    device: str = ""


def parse_resource(text: str) -> ResourceName:
    """Take a VISA resource name apart. Raises ``ResourceNameError`` that names the cure."""
    name = text.strip()
    for begin, parse in _PARSERS.items():
        if name.upper().startswith(begin):
            return parse(name)
    raise ResourceNameError(f"{text!r} is not a VISA resource name. Write one of: {EXAMPLES}.")


def _lan(name: str) -> ResourceName:
    if found := _SOCKET.fullmatch(name):
        return ResourceName(name, Way.SOCKET, found[1].strip("[]"), _port(name, found[2]))
    found = _LAN.fullmatch(name)
    if found is None:
        raise ResourceNameError(
            f"{name!r}: a LAN instrument is TCPIP::HOST::PORT::SOCKET, TCPIP::HOST::inst0::INSTR "
            "or TCPIP::HOST::hislip0::INSTR."
        )
    host, host_port, device, device_port = found.groups()
    device = device or "inst0"
    if device.lower().startswith("hislip"):
        port = _port(name, device_port) if device_port else HISLIP_PORT
        return ResourceName(name, Way.HISLIP, host, port, device)
    if device_port:
        device = f"{device},{device_port}"  # a gateway's name for the instrument at that GPIB address: gpib0,9
    return ResourceName(name, Way.VXI11, host, _port(name, host_port) if host_port else None, device)


def _port(name: str, digits: str) -> int:
    if not re.fullmatch(r"[0-9]{1,5}", digits) or not 1 <= int(digits) <= 65535:
        raise ResourceNameError(f"{name!r}: the port is a number from 1 to 65535, not {digits!r}.")
    return int(digits)


def _serial(name: str) -> ResourceName:
    if served := _SERIAL_SERVER.fullmatch(name):
        return ResourceName(name, Way.SERIAL_SERVER, served[1].strip("[]"), _port(name, served[2]))
    found = _SERIAL.fullmatch(name)
    if found is None or found[1].startswith("::"):
        raise ResourceNameError(f"{name!r}: name the serial port: ASRL/dev/ttyUSB0::INSTR or ASRLCOM3::INSTR.")
    device = found[1]
    if number := _WINDOWS_PORT.fullmatch(device):
        device = f"COM{number[1]}"
        if sys.platform != "win32":
            raise ResourceNameError(
                f"{name!r}: ports have no numbers here; write the path: ASRL/dev/ttyUSB0::INSTR. "
                "`probetrail find` lists them."
            )
    return ResourceName(name, Way.SERIAL, device=device)


def _usb(name: str) -> ResourceName:
    if not _USB.fullmatch(name):
        raise ResourceNameError(
            f"{name!r}: a USB instrument is USB::0xMAKER::0xMODEL::SERIAL::INSTR; `probetrail find` lists them."
        )
    return ResourceName(name, Way.USB)


def _adapter(name: str) -> ResourceName:
    if found := _ADAPTER_LAN.fullmatch(name):
        return ResourceName(name, Way.ADAPTER, found[1], _port(name, found[2]) if found[2] else ADAPTER_PORT)
    if found := _ADAPTER_SERIAL.fullmatch(name):
        return ResourceName(name, Way.ADAPTER, device=found[1])
    raise ResourceNameError(
        f"{name!r}: a GPIB adapter is PRLGX-TCPIP::HOST::1234::INTFC or PRLGX-ASRL::/dev/ttyUSB0::INTFC."
    )


def _gpib(name: str) -> ResourceName:
    found = _GPIB.fullmatch(name)
    if found is None or int(found[1]) > 30:
        raise ResourceNameError(f"{name!r}: a GPIB instrument is GPIB::ADDRESS::INSTR with an address from 0 to 30.")
    address = found[1] if found[2] is None else f"{found[1]} {int(found[2]) + 96}"
    return ResourceName(name, Way.GPIB, device=address)


_PARSERS = {"PRLGX-": _adapter, "TCPIP": _lan, "ASRL": _serial, "USB": _usb, "GPIB": _gpib}
