"""The generic drivers against an SCPI server that nobody of this project wrote: ``scpipy`` from PyPI, unmodified.

Commands are registered on it as its documentation says: pattern, then a function of the context.
"""

import asyncio
import socket
import threading
from contextlib import asynccontextmanager

import pytest
import scpipy.server

from drivers.errors import LinkRefused
from drivers.protocols import InstrumentSpec
from drivers.readings import Flag, Quantity
from drivers.registry import open_instrument

IDENTITY = "FOREIGN,SERVER,7,1.5"


class ForeignBench:
    """One scpipy server in a thread, with a table of answers."""

    def __init__(self, answers):
        with socket.create_server(("127.0.0.1", 0)) as probe:
            self.port = probe.getsockname()[1]
        self.sent = []
        self._begun = threading.Event()
        self._loop = None
        router = scpipy.server.Router()
        for pattern, answer in ({"*IDN?": lambda: IDENTITY} | answers).items():
            router.add_route(pattern, self._route(pattern, answer))
        self._server = scpipy.server.Server("127.0.0.1", self.port, lifespan=self._lifespan)
        self._server.include_router(router)
        self._thread = threading.Thread(target=self._server.run, daemon=True)
        self._thread.start()
        assert self._begun.wait(10)

    def _route(self, pattern, answer):
        def handle(context):
            text = answer()
            self.sent.append((pattern, text))
            return text

        return handle

    @asynccontextmanager
    async def _lifespan(self, _server):
        self._loop = asyncio.get_running_loop()
        self._begun.set()
        yield

    def stop(self):
        self._loop.call_soon_threadsafe(self._server.stop)
        self._thread.join(10)


@pytest.fixture
def foreign(clock):
    """``foreign(kind, answers)`` gives the server and a driver of that kind on it."""
    benches, drivers = [], []

    def start(kind, answers, link=None, **options):
        bench = ForeignBench(answers)
        benches.append(bench)
        resource = f"TCPIP::127.0.0.1::{bench.port}::SOCKET"
        spec = InstrumentSpec("it", kind, resource, link, timeout_s=0.3, options=options)
        drivers.append(_open_when_listening(spec, clock))
        return bench, drivers[-1]

    yield start
    for driver in drivers:
        driver.close()
    for bench in benches:
        bench.stop()


def _open_when_listening(spec, clock):
    end_s = clock.monotonic_s() + 10
    while True:
        try:
            return open_instrument(spec, clock)
        except LinkRefused:
            assert clock.monotonic_s() < end_s


def counted(begin=1.0):
    """Values that differ from each other, as text."""
    state = [begin - 1]

    def value():
        state[0] += 1
        return f"{state[0]:+.6E}"

    return value


@pytest.mark.parametrize(
    ("kind", "answers", "options"),
    [
        ("meter", {"READ?": lambda: "+1.0E+00"}, {"function": "dc_v"}),
        ("meter", {"CONFigure?": lambda: '"VOLT +1.0E+01,+1.0E-05"', "FETCh?": lambda: "+1.0E+00"}, {}),
        ("supply", {"MEASure:CURRent?": lambda: "+4.1E-01"}, {}),
    ],
)
@pytest.mark.parametrize("link", [None, "visa"])
def test_words_that_the_foreign_server_does_not_know_are_no_event(foreign, kind, answers, options, link):
    """It keeps status and error queue for each connection: a new one says power-on and knows no objection."""
    _, driver = foreign(kind, answers, link, **options)
    assert [driver.poll().remarks for _ in range(3)] == [(), (), ()]


@pytest.mark.parametrize("link", [None, "visa"])
def test_a_meter_of_the_foreign_server_is_read_value_for_value(foreign, link):
    """What was stored is what the server says it sent: none doubled, none lost, none thrown away."""
    answers = {"CONFigure?": lambda: '"VOLT +1.0E+01,+1.0E-05"', "FETCh?": counted(), "SYSTem:LOCal": lambda: None}
    bench, meter = foreign("meter", answers, link)
    readings = []
    for _ in range(20):
        readings += meter.poll().readings
        meter.to_local()
    assert [reading.value for reading in readings] == [float(text) for name, text in bench.sent if name == "FETCh?"]
    assert {(reading.quantity, reading.range, reading.flags) for reading in readings} == {
        (Quantity.DC_V, 10.0, Flag.NONE)
    }
    assert meter.identity.model == "SERVER"


def test_where_the_foreign_server_cannot_fetch_the_meter_is_read(foreign):
    bench, meter = foreign("meter", {"[:SENSe]:FUNCtion?": lambda: '"RES"', "READ?": counted()})
    values = [meter.poll().readings[0] for _ in range(5)]
    assert [reading.value for reading in values] == [float(text) for name, text in bench.sent if name == "READ?"]
    assert {reading.quantity for reading in values} == {Quantity.OHM}


def test_a_foreign_server_that_knows_no_function_is_read_with_the_bench_files(foreign):
    _, meter = foreign("meter", {"READ?": counted()}, function="ac_v")
    (reading,) = meter.poll().readings
    assert (reading.value, reading.quantity) == (1.0, Quantity.AC_V)


def test_tagged_questions_pass_the_foreign_server(foreign):
    answers = {"CONFigure?": lambda: '"VOLT +1.0E+01,+1.0E-05"', "FETCh?": counted()}
    bench, meter = foreign("meter", answers, tagged=True)
    values = [meter.poll().readings[0].value for _ in range(5)]
    assert values == [float(text) for name, text in bench.sent if name == "FETCh?"]
    assert meter.poll().remarks == ()


def test_a_supply_of_the_foreign_server_gives_what_it_understands(foreign):
    _, supply = foreign("supply", {"MEASure:CURRent?": lambda: "+4.1E-01"})
    for _ in range(3):
        (reading,) = supply.poll().readings
        assert (reading.quantity, reading.value) == (Quantity.SUPPLY_CURRENT, 0.41)


def test_overload_of_the_foreign_server_is_a_flag(foreign):
    """SCPI-99 vol. 1, 7.2.1.4."""
    _, meter = foreign("meter", {"CONFigure?": lambda: '"RES"', "FETCh?": lambda: "+9.90000000E+37"})
    (reading,) = meter.poll().readings
    assert reading.flags == Flag.OVERLOAD
