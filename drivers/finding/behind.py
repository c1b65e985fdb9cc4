"""Instruments behind others: further devices of a VXI-11 host, and what hangs on its GPIB interface.

A VXI-11 host serves devices by name: ``inst0``, ``inst1`` ... for its own, ``gpib0`` for an interface to GPIB and
``gpib0,9`` for the instrument at its address 9 (VXI-11.1, B.1.2; VXI-11.2 and VXI-11.3, from memory). Opening a link
sends nothing to any instrument; only where ``gpib0`` opens are its addresses asked ``*IDN?``, one after another.
Some hosts open whatever they are asked for: then the same instrument answers again, and once is enough.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass

from drivers import scpi
from drivers.clock import Clock
from drivers.errors import DriverError
from drivers.links.link import Link
from drivers.readings import Identity
from drivers.resource_names import ResourceName

OPENS_WITHIN_S = 0.5
ANSWERS_WITHIN_S = 0.5
BEHIND_WITHIN_S = 16.0  # 30 addresses at half a second, and some room
INSTRUMENTS = range(1, 8)
ADDRESSES = range(1, 31)  # 0 is mostly the interface itself

Connect = Callable[[str], Link]  # a resource name's link, not opened yet


@dataclass(frozen=True, slots=True)
class Behind:
    """What was found there, by resource name, and a remark where not all could be asked."""

    found: dict[str, Identity]
    remark: str = ""


def who(link: Link, clock: Clock, within_s: float) -> Identity:
    """Who answers ``*IDN?``, asked once, over a link that is opened and closed for it. Raises ``DriverError``."""
    deadline_s = clock.monotonic_s() + within_s
    try:
        link.open(deadline_s)
        link.write(b"*IDN?", deadline_s)
        return scpi.read_identity(scpi.decode(link.read_line(deadline_s)))
    finally:
        link.close()


def _if_anybody(link: Link, clock: Clock) -> Identity | None:
    try:
        return who(link, clock, ANSWERS_WITHIN_S)
    except DriverError:
        return None


def look_behind(name: ResourceName, own: Identity | None, connect: Connect, clock: Clock) -> Behind:
    """What else the VXI-11 host of ``name`` (its ``inst0``, where ``own`` answered) has, within ``BEHIND_WITHIN_S``."""
    end_s = clock.monotonic_s() + BEHIND_WITHIN_S
    found = dict(_until_nobody(name, own, connect, clock))
    if not _opens(connect(_device(name, "gpib0")), clock):
        return Behind(found)
    for address in ADDRESSES:
        if clock.monotonic_s() > end_s:
            return Behind(found, f"behind {name.host} it answers too slowly: not asked from address {address} on")
        resource = _device(name, f"gpib0,{address}")
        identity = _if_anybody(connect(resource), clock)
        if identity is not None and identity == own:
            break  # it opens whatever it is asked for
        if identity is not None:
            found[resource] = identity
    return Behind(found)


def _until_nobody(
    name: ResourceName, own: Identity | None, connect: Connect, clock: Clock
) -> Iterator[tuple[str, Identity]]:
    for number in INSTRUMENTS:
        resource = _device(name, f"inst{number}")
        identity = _if_anybody(connect(resource), clock)
        if identity is None or identity == own:
            return
        yield resource, identity


def _opens(link: Link, clock: Clock) -> bool:
    try:
        link.open(clock.monotonic_s() + OPENS_WITHIN_S)
    except DriverError:
        return False
    finally:
        link.close()
    return True


def _device(name: ResourceName, device: str) -> str:
    port = f",{name.port}" if name.port else ""
    return f"TCPIP::{name.host}{port}::{device}::INSTR"
