"""Bare calls to a VXI-11 server (VXI-11.1; RFC 1057; clauses from memory)."""

import itertools
import socket
import time

from simulated_instruments.serving.reading import Reader
from simulated_instruments.serving.rpc import Arguments, call, opaque, read_record, record, uints
from simulated_instruments.serving.vxi11_core import CORE_PROGRAM

PATIENCE_S = 10

CREATE, WRITE, READ, POLL, TRIGGER, CLEAR, REMOTE, LOCAL, LOCK, UNLOCK, ENABLE = range(10, 21)

COMMAND, DESTROY, CREATE_INTERRUPTS, DESTROY_INTERRUPTS = 22, 23, 25, 26

END, TERMINATED, WAIT_LOCK = 8, 128, 1


class SocketBytes:
    """What ``Reader`` reads from."""

    def __init__(self, connected):
        self.socket = connected

    def read(self):
        return self.socket.recv(65536)


class Caller:
    """One connection to a program, with numbered calls."""

    def __init__(self, port, program=CORE_PROGRAM):
        self.socket = socket.create_connection(("127.0.0.1", port), PATIENCE_S)
        self.reader = Reader(SocketBytes(self.socket))
        self.program = program
        self.numbers = itertools.count(1)

    def raw(self, data):
        self.socket.sendall(data)
        return read_record(self.reader)

    def send(self, procedure, arguments=b""):
        number = next(self.numbers)
        self.socket.sendall(record(call(number, self.program, 1, procedure, arguments)))
        return number

    def receive(self, number):
        reply = read_record(self.reader)
        assert reply[:24] == uints(number, 1, 0, 0, 0, 0)
        return Arguments(reply[24:])

    def __call__(self, procedure, arguments=b""):
        return self.receive(self.send(procedure, arguments))

    def link(self, lock=0, device=b"inst0"):
        reply = self(CREATE, uints(1, lock, 0) + opaque(device))
        return [reply.uint() for _ in range(4)]

    def write(self, link, data, flags=END):
        reply = self(WRITE, uints(link, 1000, 0, flags) + opaque(data))
        return reply.uint(), reply.uint()

    def read(self, link, size=1000, timeout_ms=5000, flags=0, terminator=0):
        reply = self(READ, uints(link, size, timeout_ms, 0, flags, terminator))
        return reply.uint(), reply.uint(), reply.opaque()

    def query(self, link, data):
        assert self.write(link, data) == (0, len(data))
        error, _, answer = self.read(link)
        assert error == 0
        return answer

    def generic(self, procedure, link, flags=0, lock_ms=0):
        return self(procedure, uints(link, flags, lock_ms, 1000))

    def poll(self, link):
        reply = self.generic(POLL, link)
        return reply.uint(), reply.uint()

    def close(self):
        self.socket.close()


def until(true):
    """Wait for a thread; the end of patience is a failure, not a measurement."""
    end_s = time.monotonic() + PATIENCE_S
    while not true():
        assert time.monotonic() < end_s, "it never happened"
        time.sleep(0.005)
