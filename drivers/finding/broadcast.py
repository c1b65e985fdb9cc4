"""VXI-11 instruments that answer a broadcast to their port mappers. The only module here with a socket."""

import contextlib
import random
import select
import socket
from collections.abc import Sequence

import psutil

from drivers.clock import Clock
from drivers.errors import LinkError
from drivers.finding.portmapper import PORTMAPPER_PORT, getport_call, read_getport_reply

CALLS = 3  # a datagram may be lost, and nobody would say so
LONGEST_DATAGRAM = 2048


def broadcast_addresses() -> list[str]:
    """The IPv4 broadcast address of every network interface of this machine that has one."""
    found = {
        address.broadcast
        for addresses in psutil.net_if_addrs().values()
        for address in addresses
        if address.family is socket.AF_INET and address.broadcast
    }
    return sorted(found)


def vxi11_names(
    clock: Clock,
    within_s: float,
    addresses: Sequence[str] | None = None,
    port: int = PORTMAPPER_PORT,
) -> list[str]:
    """Resource names of the hosts that tell the port of a VXI-11 core channel.

    ``addresses`` are asked (None: every interface's broadcast address) at the port mapper's ``port``. The name
    has the channel's port in it only where the port mapper is not at its own place, so that nobody else can ask
    it. Raises ``LinkError`` where nothing could be sent at all.
    """
    targets = broadcast_addresses() if addresses is None else list(addresses)
    if not targets:
        raise LinkError("no network interface can broadcast: VXI-11 instruments are not looked for.")
    xid = random.getrandbits(32)
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as caller:
        caller.setsockopt(socket.SOL_SOCKET, socket.SO_BROADCAST, 1)
        heard: dict[str, int] = {}
        for _ in range(CALLS):
            _call(caller, getport_call(xid), targets, port)
            heard |= _replies(caller, xid, clock, clock.monotonic_s() + within_s / CALLS)
    return [_name(host, core, port) for host, core in sorted(heard.items())]


def _call(caller: socket.socket, datagram: bytes, targets: Sequence[str], port: int) -> None:
    refusals = []
    for target in targets:
        try:
            caller.sendto(datagram, (target, port))
        except OSError as error:
            refusals.append(f"{target}: {error}")
    if len(refusals) == len(targets):
        raise LinkError(f"the VXI-11 broadcast could not be sent ({'; '.join(refusals)}).")


def _replies(caller: socket.socket, xid: int, clock: Clock, end_s: float) -> dict[str, int]:
    heard: dict[str, int] = {}
    while (rest_s := end_s - clock.monotonic_s()) > 0 and select.select([caller], [], [], rest_s)[0]:
        # A host without a port mapper says so (ICMP), which some systems tell at the next receive.
        with contextlib.suppress(ConnectionError):
            datagram, (host, _) = caller.recvfrom(LONGEST_DATAGRAM)
            if core := read_getport_reply(datagram, xid):
                heard[host] = core
    return heard


def _name(host: str, core: int, port: int) -> str:
    return f"TCPIP::{host}::inst0::INSTR" if port == PORTMAPPER_PORT else f"TCPIP::{host},{core}::inst0::INSTR"
