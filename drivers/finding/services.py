"""LAN instruments that announce themselves by multicast DNS (RFC 6762, RFC 6763), through zeroconf.

The service types are those that the LXI device specification names (from memory: its section on mDNS).
"""

import queue
from collections.abc import Iterable, Sequence
from typing import NamedTuple

import zeroconf

from drivers.clock import Clock
from drivers.errors import LinkError
from drivers.resource_names import HISLIP_PORT

LXI, VXI11, RAW, HISLIP = "_lxi._tcp", "_vxi-11._tcp", "_scpi-raw._tcp", "_hislip._tcp"
TYPES = (LXI, VXI11, RAW, HISLIP)
DETAIL_MS = 1000  # the address of an announced service usually comes with it


class Service(NamedTuple):
    """One announced service: its type without ``.local.``, and where it is."""

    type: str
    host: str
    port: int


def service_names(clock: Clock, within_s: float, interfaces: Sequence[str] | None = None) -> list[str]:
    """Resource names of what announces itself within ``within_s`` on ``interfaces`` (addresses; None: all).

    Raises ``LinkError`` where the network lets no multicast through at all.
    """
    try:
        return names_of(_announced(clock, within_s, interfaces))
    except (OSError, zeroconf.Error, RuntimeError) as error:
        raise LinkError(f"announced services could not be looked for ({error}).") from error


def names_of(services: Iterable[Service]) -> list[str]:
    """Pure: the resource name of each service.

    LXI itself is a web page and no way to ask anything: a host that announces nothing else is tried over VXI-11.
    """
    services = list(services)
    reached = {service.host for service in services if service.type != LXI}
    names = {_name(service) for service in services if service.type != LXI or service.host not in reached}
    return sorted(names)


def _name(service: Service) -> str:
    if service.type == RAW:
        return f"TCPIP::{service.host}::{service.port}::SOCKET"
    if service.type == HISLIP:
        port = "" if service.port == HISLIP_PORT else f",{service.port}"
        return f"TCPIP::{service.host}::hislip0{port}::INSTR"
    return f"TCPIP::{service.host}::inst0::INSTR"


def _announced(clock: Clock, within_s: float, interfaces: Sequence[str] | None) -> list[Service]:
    where = zeroconf.InterfaceChoice.All if interfaces is None else list(interfaces)
    heard: queue.SimpleQueue[tuple[str, str]] = queue.SimpleQueue()

    def hear(service_type: str, name: str, state_change: zeroconf.ServiceStateChange, **_: object) -> None:
        if state_change is not zeroconf.ServiceStateChange.Removed:
            heard.put((service_type, name))

    found: list[Service] = []
    end_s = clock.monotonic_s() + within_s
    with zeroconf.Zeroconf(interfaces=where, ip_version=zeroconf.IPVersion.V4Only) as network:
        browser = zeroconf.ServiceBrowser(network, [f"{type_}.local." for type_ in TYPES], handlers=[hear])
        while (rest_s := end_s - clock.monotonic_s()) > 0:
            try:
                announced = heard.get(timeout=rest_s)
            except queue.Empty:
                break
            found += _places(network, *announced)
        browser.cancel()
    return found


def _places(network: zeroconf.Zeroconf, service_type: str, name: str) -> list[Service]:
    details = network.get_service_info(service_type, name, DETAIL_MS)
    if details is None or details.port is None:
        return []
    hosts = details.parsed_addresses(zeroconf.IPVersion.V4Only)
    return [Service(service_type.removesuffix(".local."), host, details.port) for host in hosts]
