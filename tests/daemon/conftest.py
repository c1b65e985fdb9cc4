"""Instruments behind real sockets, told what to do."""

import contextlib

import pytest

from daemon.bench_file import Setup
from drivers.protocols import InstrumentSpec
from tests.daemon.told_bench import HOUR_S, Running
from tests.drivers.servers import TcpServer


@pytest.fixture
def bench(tmp_path):
    """Starts a bench with the instruments that are named by their kind: ``(scripted, options)`` each."""
    with contextlib.ExitStack() as stack:

        def start(marks=None, poll_s=HOUR_S, **instruments):
            running = Running(tmp_path, marks=marks)
            for kind, (instrument, options) in instruments.items():
                place = TcpServer(instrument).start()
                stack.callback(place.stop)
                spec = InstrumentSpec(kind, kind, place.resource, timeout_s=0.3, options=options)
                probes = ("A", "B") if kind == "scope" else ()
                running.setups.append(Setup(spec, poll_s, probes=probes))
            running.start()
            stack.callback(running.end)
            return running

        yield start
