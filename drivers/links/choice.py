"""Which link serves a resource name."""

from collections.abc import Mapping
from typing import Any

from drivers.clock import Clock
from drivers.errors import ResourceNameError
from drivers.links.link import Link
from drivers.links.serial import SerialLink
from drivers.links.tcp import TcpLink
from drivers.links.visa import VisaLink
from drivers.resource_names import ResourceName, Way

TERMINATORS = {"lf": b"\n", "cr": b"\r", "crlf": b"\r\n"}


def make_link(name: ResourceName, forced: str | None, options: Mapping[str, Any], clock: Clock) -> Link:
    """The link of a resource name, not opened yet; ``forced`` is tcp, serial, visa or None.

    Raises ``ResourceNameError`` when the forced link cannot serve the name.
    """
    terminator = TERMINATORS.get(options.get("terminator", "lf"))
    if terminator is None:
        raise ResourceNameError(f"terminator {options['terminator']!r}: write lf, cr or crlf.")
    natural = {Way.SOCKET: "tcp", Way.SERIAL: "serial"}.get(name.way, "visa")
    chosen = forced or natural
    if chosen == "visa":
        return VisaLink(name, options, clock, terminator)
    if chosen != natural:
        raise ResourceNameError(f'{name.text!r} cannot be reached with link = "{chosen}": leave the key out.')
    if name.way is Way.SOCKET:
        assert name.port is not None
        return TcpLink(name.host, name.port, clock, terminator)
    return SerialLink(name.device, options, clock, terminator)
