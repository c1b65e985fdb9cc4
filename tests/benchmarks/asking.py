"""The quick instrument's process, and the ways of asking it that are compared: each a rate, questions a second."""

import contextlib
import os
import socket
import subprocess
import sys
import time

import pyvisa

from drivers.clock import SystemClock
from drivers.links.tcp import TcpLink
from drivers.protocols import InstrumentSpec
from drivers.registry import open_instrument
from tests.benchmarks.quick_instrument import BLOCK, VALUE

ANSWER = VALUE.encode() + b"\n"
CLOCK = SystemClock()
WITHIN_S = 5.0
PROCESSORS = sorted(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else []
WARM_POLLS = 300  # every number has been before its question once


@contextlib.contextmanager
def processor_apart(process):
    """An instrument has a processor of its own, and so has this one here, where the system has two and lets us.

    Otherwise the kernel puts asker and instrument together or apart as it likes, and that decides more than
    the way of asking does.
    """
    if len(PROCESSORS) < 2:
        yield
        return
    before = os.sched_getaffinity(0)
    first, *others = PROCESSORS
    os.sched_setaffinity(process.pid, others)
    os.sched_setaffinity(0, {first})
    try:
        yield
    finally:
        os.sched_setaffinity(0, before)


@contextlib.contextmanager
def quick_instrument(*words, apart=True):
    """What the process announced: its port, or the paths of its lines. With ``apart``, see ``processor_apart``."""
    command = [sys.executable, "-m", "tests.benchmarks.quick_instrument", *words]
    process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
    try:
        with processor_apart(process) if apart else contextlib.nullcontext():
            yield process.stdout.readline().split()
    finally:
        process.stdin.close()
        process.wait(10)
        process.stdout.close()


@contextlib.contextmanager
def opened(thing, close=lambda thing: thing.close()):
    try:
        yield thing
    finally:
        close(thing)


def rate(once, count):
    """How often a second ``once`` goes, over ``count`` times."""
    begun_s = time.perf_counter()
    for _ in range(count):
        once()
    return count / (time.perf_counter() - begun_s)


def bare_socket(port):
    connection = socket.create_connection(("127.0.0.1", port))
    connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    return connection


def ask_bare(connection):
    def once():
        connection.sendall(b"READ?\n")
        assert connection.recv(4096) == ANSWER

    return once


def bare_block(connection):
    into = memoryview(bytearray(len(BLOCK)))

    def once():
        connection.sendall(b"DATA?\n")
        have = 0
        while have < len(BLOCK):
            have += connection.recv_into(into[have:])

    return once


def own_link(port):
    link = TcpLink("127.0.0.1", port, CLOCK)
    link.open(CLOCK.monotonic_s() + WITHIN_S)
    return link


def ask_link(link):
    def once():
        deadline_s = CLOCK.monotonic_s() + WITHIN_S
        link.write(b"READ?", deadline_s)
        assert link.read_line(deadline_s) == ANSWER[:-1]

    return once


def link_block(link):
    def once():
        deadline_s = CLOCK.monotonic_s() + WITHIN_S
        link.write(b"DATA?", deadline_s)
        assert len(link.read_block(deadline_s)) == 1_000_000

    return once


def meter(resource):
    """The whole driver, each question numbered; past its first polls, which ask what this meter does not answer."""
    driver = open_instrument(InstrumentSpec("it", "meter", resource, options={"tagged": True}), CLOCK)
    for _ in range(WARM_POLLS):
        driver.poll()
    return driver


def poll(driver):
    def once():
        (reading,) = driver.poll().readings
        assert reading.value == 12.5

    return once


def visa(resource):
    """pyvisa with pyvisa-py as it comes."""
    return pyvisa.ResourceManager("@py").open_resource(resource, read_termination="\n", write_termination="\n")


def ask_visa(session):
    def once():
        assert session.query("READ?") == VALUE

    return once


def visa_block(session):
    def once():
        assert len(session.query_binary_values("DATA?", datatype="B")) == 1_000_000

    return once
