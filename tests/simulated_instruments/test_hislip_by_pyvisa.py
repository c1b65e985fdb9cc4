"""The HiSLIP server as pyvisa-py finds it, unmodified."""

import time

import numpy as np
import pytest
import pyvisa

from simulated_instruments.faults import faulty
from simulated_instruments.serving import serve_hislip
from tests.simulated_instruments.blocks import Blocks
from tests.simulated_instruments.hislip_client import PATIENCE_S


@pytest.fixture
def server(meter):
    with serve_hislip(meter.instrument) as running:
        yield running


@pytest.fixture
def session():
    """pyvisa-py's session to a server."""
    sessions = []

    def open_(server):
        opened = pyvisa.ResourceManager("@py").open_resource(server.resource)
        opened.timeout, opened.read_termination = 5000, "\n"
        sessions.append(opened)
        return opened

    yield open_
    for one in sessions:
        one.close()


def test_pyvisa_asks_polls_and_clears(server, session):
    talk = session(server)
    assert talk.query("*IDN?").startswith("Benchwright,")
    assert float(talk.query("READ?")) < 1
    talk.write("*OPC?")
    end_s = time.monotonic() + PATIENCE_S
    while not talk.read_stb() & 16:
        assert time.monotonic() < end_s, "MAV was never set"
    assert talk.read() == "1"
    assert talk.read_stb() & 16 == 0
    talk.clear()
    assert talk.query("SYST:VERS?") == "1999.0"


def test_pyvisa_reads_a_block_that_is_longer_than_a_message(session):
    with serve_hislip(Blocks(("a", "b", "c", "d"))) as server:
        read = session(server).query_binary_values(":BLOC?", datatype="i", container=np.ndarray)
    assert np.array_equal(read, np.arange(700_000))


def test_pyvisa_never_takes_a_late_answer_for_the_next(meter, session):
    """The numbers of the messages see to that (transport fact: HiSLIP discards what is late)."""
    with serve_hislip(meter.instrument, wrap=faulty("late:0.4@2")) as server:
        talk = session(server)
        assert talk.query("*OPC?") == "1"
        talk.timeout = 100
        with pytest.raises(pyvisa.VisaIOError):
            talk.query("*IDN?")
        talk.timeout = 5000
        assert talk.query("SYST:VERS?") == "1999.0"
