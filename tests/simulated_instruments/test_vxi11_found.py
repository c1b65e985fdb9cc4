"""The VXI-11 server as others find and use it: by its port mapper, and by pyvisa-py, unmodified."""

import errno
import socket
from contextlib import contextmanager

import numpy as np
import pytest
import pyvisa
from pyvisa_py.protocols import rpc, vxi11

from simulated_instruments.faults import faulty
from simulated_instruments.serving import serve_vxi11
from simulated_instruments.serving.rpc import Arguments, call, record, uints
from simulated_instruments.serving.vxi11_core import ABORT_PROGRAM, CORE_PROGRAM
from tests.simulated_instruments.blocks import Blocks
from tests.simulated_instruments.vxi11_caller import (
    PATIENCE_S,
    until,
)


@pytest.fixture
def server(meter):
    with serve_vxi11(meter.instrument, portmapper=0) as running:
        yield running


@contextmanager
def session(server):
    """pyvisa-py's session to a server, closed before the server goes: its close spins for 5 s after that."""
    opened = pyvisa.ResourceManager("@py").open_resource(server.resource, open_timeout=5000)
    opened.timeout, opened.read_termination = 5000, "\n"
    yield opened
    opened.close()


# ---- port mapper (RFC 1057, appendix A)


def port_call(number, program, protocol=6):
    return call(number, 100_000, 2, 3, uints(program, 1, protocol, 0))


def test_the_port_mapper_knows_both_channels(server, called):
    caller = called(server.portmapper.port)
    said = [caller.raw(record(port_call(1, program)))[24:] for program in (CORE_PROGRAM, ABORT_PROGRAM, 99)]
    assert said == [uints(server.port), uints(server._aborts.port), uints(0)]
    assert caller.raw(record(port_call(1, CORE_PROGRAM, 17)))[24:] == uints(0)
    listed = Arguments(caller.raw(record(call(1, 100_000, 2, 4, b"")))[24:])
    entries = []
    while listed.uint():
        entries.append(tuple(listed.uint() for _ in range(4)))
    assert (CORE_PROGRAM, 1, 6, server.port) in entries and len(entries) == 3


def test_a_datagram_is_answered_and_a_broadcast_too(server):
    """How an instrument is found (VXI-11.1, B.4.1; the whole loopback network is 127.255.255.255)."""
    for host in ("127.0.0.1", "127.255.255.255"):
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asker:
            asker.settimeout(PATIENCE_S)
            asker.setsockopt(socket.SOL_SOCKET, socket.SO_BROADCAST, 1)
            asker.sendto(b"nonsense", (host, server.portmapper.port))
            asker.sendto(port_call(5, CORE_PROGRAM), (host, server.portmapper.port))
            assert asker.recv(1000) == uints(5, 1, 0, 0, 0, 0, server.port)


def test_pyvisa_finds_it_where_everybody_asks(meter, monkeypatch):
    """pyvisa-py's own broadcast, unmodified but for the port where it is not ours to take 111."""
    try:
        server = serve_vxi11(meter.instrument, portmapper=111)
        server.come_back()
    except OSError as refused:
        assert refused.errno in (errno.EACCES, errno.EADDRINUSE, errno.EPERM)
        server.vanish()
        server = serve_vxi11(meter.instrument, portmapper=0)
        server.come_back()
    monkeypatch.setattr(rpc, "PMAP_PORT", server.portmapper.port)
    with server:
        asker = rpc.BroadcastUDPPortMapperClient("127.255.255.255")
        asker.set_timeout(PATIENCE_S)
        asker.send_port((vxi11.DEVICE_CORE_PROG, vxi11.DEVICE_CORE_VERS, rpc.IPPROTO_TCP, 0))
        readable = asker.sock.recv(100)
        assert readable.endswith(uints(server.port))
        asker.close()
        opened = pyvisa.ResourceManager("@py").open_resource("TCPIP::127.0.0.1::inst0::INSTR", open_timeout=5000)
        assert opened.query("*OPC?") == "1\n"
        opened.close()


# ---- pyvisa-py, unmodified


def test_pyvisa_asks_polls_clears_and_triggers(server):
    with session(server) as talk:
        assert talk.query("*IDN?").startswith("Benchwright,")
        assert float(talk.query("READ?")) < 1
        talk.write("*OPC?")
        until(lambda: talk.read_stb() & 16)
        talk.clear()
        assert talk.read_stb() & 16 == 0
        assert talk.query("SYST:ERR?") == '0,"No error"'
        talk.assert_trigger()
        assert talk.query("SYST:ERR?").startswith("-211,")


def test_pyvisa_reads_a_block_of_many_reads():
    with serve_vxi11(Blocks(("a", "b", "c", "d"))) as server, session(server) as talk:
        talk.read_termination = None  # or every LF in the block ends a read
        read = talk.query_binary_values(":BLOC?", datatype="i", container=np.ndarray)
    assert np.array_equal(read, np.arange(700_000))


def test_pyvisa_never_takes_a_late_answer_for_the_next(meter):
    """The numbers of the calls see to that."""
    with serve_vxi11(meter.instrument, wrap=faulty("late:1.6@2")) as server, session(server) as talk:
        assert talk.query("*OPC?") == "1"
        talk.timeout = 100
        with pytest.raises(pyvisa.VisaIOError):
            talk.query("*IDN?")
        talk.timeout = 5000
        assert talk.query("SYST:VERS?") == "1999.0"
