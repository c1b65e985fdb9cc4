"""Which server serves an instrument, by the name of its transport."""

import re
from pathlib import Path

from simulated_instruments.serving.hislip import HislipServer
from simulated_instruments.serving.server import Coming
from simulated_instruments.serving.tcp import TcpServer
from simulated_instruments.serving.tty import TtyServer
from simulated_instruments.serving.vxi11 import Vxi11Server
from simulated_instruments.wire import Answering, WireWrapper, plain

TRANSPORTS = ("tcp", "tty", "hislip", "vxi11")
_PORTS = {
    "tcp": r"TCPIP::[^:]+::(\d+)::SOCKET",
    "hislip": r"TCPIP::[^:]+::hislip0,(\d+)::INSTR",
    "vxi11": r"TCPIP::[^:]+,(\d+)::inst0::INSTR",
    "tty": r"ASRL.*()::INSTR",
}


def make_server(
    over: str,
    instrument: Answering,
    port: int,
    link: Path,
    wrap: WireWrapper = plain,
    portmapper: int | None = None,
) -> Coming:
    """A server over ``tcp``, ``hislip``, ``vxi11`` (at ``port``, 0: a free one) or ``tty`` (at ``link``)."""
    if portmapper is not None and over != "vxi11":
        raise ValueError("only VXI-11 has a port mapper")
    if over == "tcp":
        return TcpServer(instrument, port, wrap)
    if over == "tty":
        return TtyServer(instrument, link, wrap)
    if over == "hislip":
        return HislipServer(instrument, port, wrap)
    if over == "vxi11":
        return Vxi11Server(instrument, port, wrap, portmapper)
    raise ValueError(f"{over!r} is no transport; there are: {', '.join(TRANSPORTS)}")


def where(resource: str) -> tuple[str, int]:
    """Transport and port (0 for a tty) of a resource name that one of these servers gave."""
    for over, pattern in _PORTS.items():
        found = re.fullmatch(pattern, resource)
        if found:
            return over, int(found[1] or 0)
    raise ValueError(f"{resource!r} was given by no server of this package")
