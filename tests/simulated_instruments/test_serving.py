"""Real sockets and ttys: bytes there and back, instruments that vanish and come back, wires that can be wrapped."""

import os
import socket

import pytest

from simulated_instruments.serving import serve_tcp, serve_tty
from simulated_instruments.wire import converse


class Caller:
    """A plain socket with lines."""

    def __init__(self, server):
        self.socket = socket.create_connection((server.host, server.port), 5)
        self.lines = self.socket.makefile("rb")

    def ask(self, message):
        self.socket.sendall(message)
        return self.lines.readline()

    def close(self):
        self.lines.close()
        self.socket.close()


@pytest.fixture
def called():
    callers = []

    def call(server):
        callers.append(Caller(server))
        return callers[-1]

    yield call
    for caller in callers:
        caller.close()


def test_an_instrument_is_served_on_a_socket_in_one_line(meter, called):
    with serve_tcp(meter.instrument) as server:
        assert called(server).ask(b"*IDN?\n").startswith(b"Benchwright,")
        assert server.resource == f"TCPIP::127.0.0.1::{server.port}::SOCKET"


def test_two_callers_each_get_their_own_answers(meter, called):
    with serve_tcp(meter.instrument) as server:
        one, two = called(server), called(server)
        one.socket.sendall(b"*ESE 1;*E")
        assert two.ask(b"*OPC?\n") == b"1\n"
        assert one.ask(b"SE?\n") == b"1\n"


def test_a_tty_answers_with_carriage_return_and_newline(meter, tmp_path):
    link = tmp_path / "meter.tty"
    with serve_tty(meter.instrument, link) as server:
        end = os.open(link, os.O_RDWR | os.O_NOCTTY)
        os.write(end, b"*OPC?\n")
        assert os.read(end, 100) == b"1\r\n"
        os.close(end)
        assert server.resource == f"ASRL{link}::INSTR"
    assert not link.exists()


def test_a_tty_goes_back_to_the_same_name(meter, tmp_path):
    with serve_tty(meter.instrument, tmp_path / "meter.tty") as server:
        end = os.open(server.link, os.O_RDWR | os.O_NOCTTY)
        server.vanish()
        assert not server.link.is_symlink()
        with pytest.raises(OSError):
            os.write(end, b"*OPC?\n")
        os.close(end)
        server.come_back()
        end = os.open(server.link, os.O_RDWR | os.O_NOCTTY)
        os.write(end, b"*OPC?\n")
        assert os.read(end, 100) == b"1\r\n"
        os.close(end)


def test_a_socket_that_vanishes_hangs_up_and_comes_back_on_its_port(meter, called):
    with serve_tcp(meter.instrument) as server:
        port = server.port
        caller = called(server)
        assert caller.ask(b"*OPC?\n") == b"1\n"
        server.vanish()
        assert caller.lines.readline() == b""
        with pytest.raises(ConnectionRefusedError):
            called(server)
        server.come_back()
        assert server.port == port
        assert called(server).ask(b"*OPC?\n") == b"1\n"


class Torn:
    """A wire that drops the second half of every answer: the shape of a scripted fault."""

    def __init__(self, wire):
        self.wire = wire

    def read(self):
        return self.wire.read()

    def write(self, data):
        self.wire.write(data[: len(data) // 2])


def test_a_fault_is_a_wrapper_around_the_wire(meter, called):
    with serve_tcp(meter.instrument, wrap=Torn) as server:
        caller = called(server)
        caller.socket.sendall(b"SYST:VERS?\n")
        assert caller.socket.recv(100) == b"199"


class Script:
    """A wire that has all its bytes at once and breaks on the second write."""

    def __init__(self, data):
        self.data = [data]
        self.written = []

    def read(self):
        return self.data.pop() if self.data else b""

    def write(self, data):
        if self.written:
            raise BrokenPipeError
        self.written.append(data)


def test_a_value_that_did_not_get_out_is_not_counted(bench, meter):
    wire = Script(b"FETC?\nFETC?\nFETC?\n")
    converse(wire, meter.instrument)
    assert len(wire.written) == 1
    assert meter("DIAG:COUN?") == '"dc_v",1'
