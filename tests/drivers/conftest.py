"""Fixtures of the driver tests: byte servers that are stopped, and links that are closed, at the end."""

from collections.abc import Callable, Iterator

import pytest

from drivers.clock import SystemClock
from drivers.protocols import InstrumentSpec
from drivers.registry import open_instrument
from tests.drivers.scripted import Scripted
from tests.drivers.servers import Server, TcpServer

Serve = Callable[..., Server]
PATIENT_S = 0.6  # an answer is there at once, but on a busy machine


@pytest.fixture
def clock() -> SystemClock:
    return SystemClock()


@pytest.fixture
def serve() -> Iterator[Serve]:
    """``serve(ServerClass, instrument)`` starts a server for the length of the test."""
    servers: list[Server] = []

    def start(kind: type[Server], instrument: Scripted, **settings: int) -> Server:
        server = kind(instrument, **settings)
        servers.append(server.start())
        return server

    yield start
    for server in servers:
        server.stop()


@pytest.fixture
def bench(serve, clock):
    """``bench(kind, instrument)`` opens a driver on a TCP server around the instrument."""
    opened = []

    def start(kind, instrument, server=TcpServer, **options):
        place = serve(server, instrument)
        spec = InstrumentSpec("it", kind, place.resource, timeout_s=PATIENT_S, options=options)
        opened.append(open_instrument(spec, clock))
        return opened[-1]

    yield start
    for driver in opened:
        driver.close()
