"""The drivers against their conformance suites, over each link."""



from drivers.readings import Identity, Quantity
from tests.drivers.bare_conformance import BareGeneratorConformance, BareMeterConformance
from tests.drivers.conformance import (
    GeneratorConformance,
    MeterConformance,
    ScopeConformance,
    SupplyConformance,
)
from tests.drivers.instruments import OneQuestionAMessage, bench_meter, generator, supply, two_channel_scope
from tests.drivers.scripted import Scripted
from tests.drivers.servers import HislipServer, PtyServer, TcpServer, Vxi11Server


class TestMeterOverTcp(MeterConformance):
    server = TcpServer

    def scripted(self):
        return bench_meter()


class TestMeterOverSerial(TestMeterOverTcp):
    server = PtyServer


class TestMeterOverHislip(TestMeterOverTcp):
    server = HislipServer


class TestMeterOverVxi11(TestMeterOverTcp):
    server = Vxi11Server


class TestMeterOverVisaSocket(TestMeterOverTcp):
    forced = "visa"


class TestTaggedMeterOverSerial(TestMeterOverTcp):
    server = PtyServer
    options = {"tagged": True}  # noqa: RUF012 because it is a constant of the suite


class TestMeterWithOneQuestionAMessage(MeterConformance):
    server = TcpServer

    def scripted(self):
        return OneQuestionAMessage(bench_meter().answers)


class TestMeterThatOnlyReads(MeterConformance):
    """FETCh? has nothing to fetch (-230): READ? it is."""

    server = TcpServer

    def scripted(self):
        meter = bench_meter()
        del meter.answers["FETC?"]
        return meter


class TestMeterThatNamesItsFunctionOnly(MeterConformance):
    """SENSe:FUNCtion? and a range question instead of CONFigure?."""

    server = TcpServer

    def scripted(self):
        return Scripted({"SENS:FUNC?": '"VOLT:AC"', "SENS:VOLT:AC:RANG?": "+1.0E+02", "FETC?": "12.5"})

    def test_function_and_range_are_followed(self, driver):
        (reading,) = driver.poll().readings
        assert (reading.quantity, reading.range) == (Quantity.AC_V, 100.0)


class TestMeterThatCannotSayItsFunction(MeterConformance):
    server = TcpServer
    options = {"function": "dc_v"}  # noqa: RUF012 because it is a constant of the suite

    def scripted(self):
        return Scripted({"READ?": "12.5"}, knows_errors=False)


class TestScopeOverTcp(ScopeConformance):
    server = TcpServer

    def scripted(self):
        return two_channel_scope()


class TestScopeOverHislip(TestScopeOverTcp):
    server = HislipServer


class TestScopeOverVxi11(TestScopeOverTcp):
    server = Vxi11Server


class TestGeneratorOverTcp(GeneratorConformance):
    server = TcpServer

    def scripted(self):
        return generator()


class TestSupplyOverTcp(SupplyConformance):
    server = TcpServer

    def scripted(self):
        return supply()


class TestSupplyOverSerial(TestSupplyOverTcp):
    server = PtyServer


class TestMeterThatSendsByItself(BareMeterConformance):
    line = b"DC 12.5 V\r\n"
    options = {"stream_pattern": r"DC (?P<value>[-0-9.]+) V", "function": "dc_v"}  # noqa: RUF012 because it is a constant


class TestMeterThatSendsByItselfOverASerialServer(TestMeterThatSendsByItself):
    """A serial port behind a LAN box is a bare TCP stream."""

    server = TcpServer


class LettersOnTheWire(Scripted):
    """The invented generator of ``generator_letters.toml``; like all of its kind it keeps no errors and no status."""

    def __init__(self):
        super().__init__({"ID": "SIGNAL SOURCE 3", "QF": "FR0001.0000MZ", "QA": "AP-47.0DM", "QR": "RF0", "QM": "MO0"})

    def _one(self, unit):
        if unit in ("RF0", "RF1"):
            self.answers["QR"] = unit
        return super()._one(unit) if unit in self.answers else b""


class TestGeneratorOlderThanScpi(BareGeneratorConformance):
    server = TcpServer
    options = {"dialect": "letters"}  # noqa: RUF012 because it is a constant of the suite
    identity = Identity("", "SIGNAL SOURCE 3", "", "")
    questions = ("ID", "QF", "QA", "QR", "QM")
    output_off = "RF0"

    def scripted(self):
        return LettersOnTheWire()


class TestGeneratorOlderThanScpiOverSerial(TestGeneratorOlderThanScpi):
    server = PtyServer
