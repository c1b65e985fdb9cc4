"""Fixtures of the driver tests: byte servers that are stopped, and links that are closed, at the end."""

from collections.abc import Callable, Iterator

import pytest

from drivers.clock import SystemClock
from tests.drivers.scripted import Scripted
from tests.drivers.servers import Server

Serve = Callable[..., Server]


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
