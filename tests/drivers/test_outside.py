"""Drivers of other packages are found by their entry point, as an installer writes it."""

import sys

import pytest

from daemon.bench_file import parse_bench
from drivers.clock import SystemClock
from drivers.errors import BenchFileError, DriverError
from drivers.outside import outside_drivers
from drivers.protocols import InstrumentSpec
from drivers.registry import open_instrument
from tests.drivers.instruments import bench_meter
from tests.drivers.servers import TcpServer

MODULE = '''
from drivers.instrument import ScpiInstrument
from drivers.readings import Poll, Quantity, Reading
from drivers import scpi


class Thermometer(ScpiInstrument):
    def __init__(self, talk, factor):
        super().__init__(talk)
        self._factor = factor

    def poll(self):
        answer = self._conversation.ask("READ?", scpi.read_finite)
        reading = Reading(answer.t_us, answer.value * self._factor, Quantity.TEMPERATURE)
        return Poll((reading,), remarks=self._conversation.take_remarks())


def build(talk, options, spec, clock):
    return Thermometer(talk, options["factor"])


word = "no function"
'''
POINTS = """[probetrail.drivers]
thermometer = their_instruments:build
torn = their_missing_module:build
word = their_instruments:word
"""
BENCH = '[[instrument]]\nname = "t"\nkind = "meter"\nprobe = "p"\nresource = "TCPIP::h::1::SOCKET"\ndriver = "{}"\n'


@pytest.fixture
def package(tmp_path, monkeypatch):
    """A package as it lies in an environment after its installation."""
    (tmp_path / "their_instruments.py").write_text(MODULE)
    info = tmp_path / "their_instruments-1.0.dist-info"
    info.mkdir()
    (info / "METADATA").write_text("Metadata-Version: 2.1\nName: their-instruments\nVersion: 1.0\n")
    (info / "entry_points.txt").write_text(POINTS)
    monkeypatch.syspath_prepend(tmp_path)
    yield
    sys.modules.pop("their_instruments", None)


def test_a_driver_of_another_package_is_built_with_its_settings(package, serve):
    place = serve(TcpServer, bench_meter())
    options = {"driver": "thermometer", "driver_options": {"factor": 2.0}}
    driver = open_instrument(InstrumentSpec("t", "meter", place.resource, options=options), SystemClock())
    (reading,) = driver.poll().readings
    assert (reading.value, reading.quantity) == (25.0, "temperature_c")
    driver.close()


@pytest.mark.parametrize(
    ("name", "why"), [("absent", "thermometer"), ("torn", "does not load"), ("word", "is no function")]
)
def test_one_that_is_not_there_or_torn_is_told_with_the_cure_before_anything_is_opened(package, name, why):
    spec = InstrumentSpec("t", "meter", "TCPIP::127.0.0.1::1::SOCKET", options={"driver": name})
    with pytest.raises(DriverError, match=why):
        open_instrument(spec, SystemClock())


def test_a_bench_file_is_checked_for_it(package, tmp_path):
    parse_bench(BENCH.format("thermometer"), "bench.toml", tmp_path)
    with pytest.raises(BenchFileError, match="driver"):
        parse_bench(BENCH.format("absent"), "bench.toml", tmp_path)


def test_without_such_a_package_there_is_none():
    assert outside_drivers() == {}
