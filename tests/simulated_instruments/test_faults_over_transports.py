"""The same faults on all four transports: what is in a frame keeps it, noise breaks it, nothing is left over."""

import os
import select
import socket
import threading
import time
from contextlib import contextmanager, suppress
from pathlib import Path

import pytest

from simulated_instruments.fault_schedule import KINDS
from simulated_instruments.faults import faulty, seeded
from simulated_instruments.serving import serve_hislip, serve_tcp, serve_tty, serve_vxi11
from simulated_instruments.serving.choice import TRANSPORTS
from simulated_instruments.serving.hislip_messages import Type
from tests.simulated_instruments.hislip_client import Client
from tests.simulated_instruments.vxi11_caller import Caller, until

PATIENCE_S = 20
ANSWER = b"1999.0\n"


@contextmanager
def served(over, instrument, wrap, folder):
    server = {
        "tcp": lambda: serve_tcp(instrument, wrap=wrap),
        "tty": lambda: serve_tty(instrument, folder / "a.tty", wrap=wrap),
        "hislip": lambda: serve_hislip(instrument, wrap=wrap),
        "vxi11": lambda: serve_vxi11(instrument, wrap=wrap, portmapper=0),
    }[over]()
    with server:
        yield server


@contextmanager
def hislip_client(server):
    client = Client(server)
    yield client
    client.close()


@contextmanager
def vxi11_caller(server):
    caller = Caller(server.port)
    yield caller
    caller.close()


@pytest.mark.parametrize("kind", ["garbage", "non-ascii", "terminator"])
def test_a_wrong_answer_in_a_right_frame(meter, kind):
    """HiSLIP and VXI-11 say how long an answer is and whose: that stays true, and so does the next one."""
    with serve_hislip(meter.instrument, wrap=faulty(f"{kind}@1")) as server, hislip_client(server) as client:
        wrong = client.query(b"SYST:VERS?\n")
        assert len(wrong) == len(ANSWER) and wrong != ANSWER
        assert client.query(b"SYST:VERS?\n", rmt=1) == ANSWER
    with serve_vxi11(meter.instrument, wrap=faulty(f"{kind}@1")) as server, vxi11_caller(server) as core:
        link = core.link()[1]
        wrong = core.query(link, b"SYST:VERS?\n")
        assert len(wrong) == len(ANSWER) and wrong != ANSWER
        assert core.query(link, b"SYST:VERS?\n") == ANSWER


def test_noise_breaks_a_frame(meter):
    with serve_hislip(meter.instrument, wrap=faulty("noise@1")) as server, hislip_client(server) as client:
        client.write(b"SYST:VERS?\n")
        assert client.sync.file.read(2) != b"HS"
    with serve_vxi11(meter.instrument, wrap=faulty("noise@1")) as server, vxi11_caller(server) as core:
        link = core.link()[1]
        core.write(link, b"SYST:VERS?\n")
        with pytest.raises((AssertionError, OSError)):
            core.socket.settimeout(0.2)
            core.read(link)


def test_a_duplicate_carries_the_same_number(meter):
    with serve_hislip(meter.instrument, wrap=faulty("duplicate@1")) as server, hislip_client(server) as client:
        number = client.write(b"SYST:VERS?\n")
        assert [client.sync.receive() for _ in range(2)] == [(Type.DATA_END, 0, number, ANSWER)] * 2
    with serve_vxi11(meter.instrument, wrap=faulty("duplicate@1")) as server, vxi11_caller(server) as core:
        link = core.link()[1]
        core.write(link, b"SYST:VERS?\n")
        assert core.read(link)[2] == ANSWER
        assert core.receive(next(core.numbers) - 1).uint() == 0


def test_silence_on_vxi11_loses_a_reply_and_not_the_connection(meter):
    with serve_vxi11(meter.instrument, wrap=faulty("silence@1")) as server, vxi11_caller(server) as core:
        link = core.link()[1]
        core.write(link, b"SYST:VERS?\n")
        core.send(12, b"".join(n.to_bytes(4, "big") for n in (link, 100, 1000, 0, 0, 0)))
        assert core.query(link, b"SYST:VERS?\n") == ANSWER


def test_faults_count_an_answer_once_however_many_reads_it_takes(meter):
    wrap = faulty()
    with serve_vxi11(meter.instrument, wrap=wrap) as server, vxi11_caller(server) as core:
        link = core.link()[1]
        core.write(link, b"SYST:VERS?\n")
        assert [core.read(link, size=2)[2] for _ in range(4)] == [b"19", b"99", b".0", b"\n"]
        assert wrap.answers == 1


def open_files():
    return len(list(Path("/proc/self/fd").iterdir()))


def poke(server):
    """Ask something in the transport's own way, and take whatever comes of it."""
    with suppress(OSError, AssertionError, TypeError, ValueError):
        if server.resource.startswith("ASRL"):
            end = os.open(server.link, os.O_RDWR | os.O_NOCTTY)
            try:
                os.write(end, b"SYST:VERS?\n")
                if select.select([end], [], [], 0.1)[0]:
                    os.read(end, 100)
            finally:
                os.close(end)
        elif "hislip" in server.resource:
            client = Client(server)
            try:
                client.sync.socket.settimeout(0.1)
                client.query(b"SYST:VERS?\n")
            finally:
                client.close()
        elif "inst0" in server.resource:
            caller = Caller(server.port)
            try:
                caller.socket.settimeout(0.1)
                caller.query(caller.link()[1], b"SYST:VERS?\n")
            finally:
                caller.close()
        else:
            with socket.create_connection((server.host, server.port), 0.1) as caller:
                caller.sendall(b"SYST:VERS?\n")
                caller.recv(100)


@pytest.mark.skipif(not Path("/proc/self/fd").exists(), reason="open descriptors are counted in /proc")
@pytest.mark.parametrize("over", TRANSPORTS)
def test_nothing_is_left_of_a_server_whatever_happened_to_it(meter, tmp_path, over):
    """Threads and descriptors, after every kind of fault."""
    lasting = {"late": 0.02, "half": 0.02, "refused": 0.02, "drip": 0.02, "outage": 0.1}
    threads, files = threading.active_count(), open_files()
    wrap = seeded(11, 1.0, list(KINDS), lasting)
    with served(over, meter.instrument, wrap, tmp_path) as server:
        end_s = time.monotonic() + PATIENCE_S
        while {one.kind for one in wrap.injected} < set(KINDS) and time.monotonic() < end_s:
            poke(server)
    assert {one.kind for one in wrap.injected} == set(KINDS)
    until(lambda: threading.active_count() <= threads)
    until(lambda: open_files() <= files)
