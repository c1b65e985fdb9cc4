"""Which link serves a resource name."""

from collections.abc import Mapping
from typing import Any

from drivers.clock import Clock
from drivers.errors import ResourceNameError
from drivers.links.adapter import AdapterLink
from drivers.links.hislip import HislipLink
from drivers.links.link import Link
from drivers.links.serial import SerialLink
from drivers.links.stream import StreamLink
from drivers.links.tcp import SerialServerLink, TcpLink
from drivers.links.visa import VisaLink
from drivers.links.visa_library import PURE_PYTHON, LibraryLink
from drivers.links.vxi11 import Vxi11Link
from drivers.resource_names import ResourceName, Way, parse_resource

TERMINATORS = {"lf": b"\n", "cr": b"\r", "crlf": b"\r\n"}


LINK_OF_WAY = {
    Way.SOCKET: "tcp",
    Way.SERIAL: "serial",
    Way.SERIAL_SERVER: "tcp",
    Way.VXI11: "vxi11",
    Way.HISLIP: "hislip",
}


def make_link(name: ResourceName, forced: str | None, options: Mapping[str, Any], clock: Clock) -> Link:
    """The link of a resource name, not opened yet; ``forced`` is tcp, serial, vxi11, hislip, visa or None.

    Raises ``ResourceNameError`` when the forced link cannot serve the name.
    """
    terminator = TERMINATORS.get(options.get("terminator", "lf"))
    if terminator is None:
        raise ResourceNameError(f"terminator {options['terminator']!r}: write lf, cr or crlf.")
    if name.way is Way.ADAPTER:
        raise ResourceNameError(
            f'{name.text!r} is an adapter: write resource = "GPIB0::9::INSTR" and adapter = "{name.text}".'
        )
    if adapter := options.get("adapter", ""):
        return _behind_adapter(name, parse_resource(adapter), options, clock)
    natural = LINK_OF_WAY.get(name.way, "visa")
    chosen = forced or natural
    library = options.get("visa_library") or PURE_PYTHON
    if chosen == "visa":
        if library == PURE_PYTHON:
            return VisaLink(name, options, clock, terminator)
        return LibraryLink(name, options, clock, terminator, library)
    if library != PURE_PYTHON:
        raise ResourceNameError(f'{name.text!r} is reached without a VISA library: add link = "visa".')
    if chosen != natural:
        raise ResourceNameError(f'{name.text!r} cannot be reached with link = "{chosen}": leave the key out.')
    return _own_link(name, options, clock, terminator)


def _behind_adapter(
    name: ResourceName, adapter: ResourceName, options: Mapping[str, Any], clock: Clock
) -> AdapterLink:
    if name.way is not Way.GPIB or adapter.way is not Way.ADAPTER:
        raise ResourceNameError(
            f"{name.text!r} behind {adapter.text!r}: behind an adapter there are GPIB instruments, such as "
            'resource = "GPIB0::9::INSTR" with adapter = "PRLGX-TCPIP::HOST::1234::INTFC".'
        )

    def stream() -> StreamLink:
        if adapter.port is not None:
            return TcpLink(adapter.host, adapter.port, clock)
        return SerialLink(adapter.device, options, clock)

    return AdapterLink(adapter.text, name.device, stream, clock)


def _own_link(name: ResourceName, options: Mapping[str, Any], clock: Clock, terminator: bytes) -> Link:
    if name.way is Way.SERIAL:
        return SerialLink(name.device, options, clock, terminator)
    if name.way is Way.VXI11:
        return Vxi11Link(name.host, name.port, name.device, clock, terminator)
    assert name.port is not None
    if name.way is Way.HISLIP:
        return HislipLink(name.host, name.port, name.device, clock, terminator)
    kind = SerialServerLink if name.way is Way.SERIAL_SERVER else TcpLink
    return kind(name.host, name.port, clock, terminator)
