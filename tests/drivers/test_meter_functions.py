"""Everything that a meter says of a reading: its function, range, resolution, integration time, limits of error."""

import math

import pytest

from drivers.protocols import InstrumentSpec
from drivers.readings import Accuracy, Flag, Quantity, Reading
from drivers.registry import open_instrument
from tests.drivers.instruments import bench_meter
from tests.drivers.scripted import Scripted
from tests.drivers.servers import TcpServer

# Function names of SCPI-99 vol. 2, 18.9 (SENSe:FUNCtion) and 3.1 (CONFigure?); CONTinuity, DIODe and
# CAPacitance are common practice beside it.
FUNCTIONS = {
    '"VOLT +1.0E+01,+1.0E-05"': Quantity.DC_V,
    '"VOLT:DC +1.0E+01,+1.0E-05"': Quantity.DC_V,
    '"VOLT:AC +1.0E+01,+1.0E-05"': Quantity.AC_V,
    '"CURR +1.0E+00,+1.0E-06"': Quantity.DC_A,
    '"CURR:AC +1.0E+00,+1.0E-06"': Quantity.AC_A,
    '"RES +1.0E+03,+1.0E-03"': Quantity.OHM,
    '"FRES +1.0E+03,+1.0E-03"': Quantity.OHM_4W,
    '"CONT +1.0E+03,+1.0E-02"': Quantity.CONTINUITY,
    '"DIOD +1.0E+00,+1.0E-05"': Quantity.DIODE,
    '"FREQ +3.0E+00,+3.0E-05"': Quantity.FREQUENCY,
    '"PER +3.0E+00,+3.0E-05"': Quantity.PERIOD,
    '"CAP +1.0E-06,+1.0E-10"': Quantity.CAPACITANCE,
    '"TEMP TC,K"': Quantity.TEMPERATURE,
}


@pytest.mark.parametrize(("configuration", "quantity"), FUNCTIONS.items())
def test_every_function_of_the_knob_is_followed(bench, configuration, quantity):
    (reading,) = bench("meter", bench_meter(**{"CONF?": configuration})).poll().readings
    assert (reading.quantity, reading.value) == (quantity, 12.5)


@pytest.mark.parametrize("function", ["RES", "FRES", "CONT", "DIOD"])
@pytest.mark.parametrize("sent", ["+9.90000000E+37", "OVLD", "OL", "O.L"])
def test_an_open_lead_is_recognised(bench, function, sent):
    """9.9E37 is overload (SCPI-99 vol. 1, 7.2.1.4); the words are common practice, no source."""
    (reading,) = bench("meter", bench_meter(**{"CONF?": f'"{function} +1.0E+03"', "FETC?": sent})).poll().readings
    assert math.isnan(reading.value)
    assert reading.open_lead


def test_overload_on_volts_is_no_open_lead():
    assert not Reading(0, math.nan, Quantity.DC_V, flags=Flag.OVERLOAD).open_lead
    assert not Reading(0, 12.0, Quantity.OHM).open_lead


def test_the_integration_time_is_the_aperture_that_the_meter_says(bench):
    """SENSe:VOLTage:APERture is in seconds (SCPI-99 vol. 2, 18)."""
    (reading,) = bench("meter", bench_meter()).poll().readings
    assert reading.integration_s == pytest.approx(0.02)


def test_power_line_cycles_are_seconds_by_the_line_frequency_that_the_meter_says(bench):
    """10 cycles of 60 Hz are 1/6 s."""
    instrument = bench_meter(**{"SENS:VOLT:NPLC?": "10", "SYST:LFR?": "60"})
    del instrument.answers["SENS:VOLT:APER?"]
    (reading,) = bench("meter", instrument).poll().readings
    assert reading.integration_s == pytest.approx(1 / 6)


def test_cycles_of_an_unknown_line_are_not_guessed(bench):
    instrument = bench_meter(**{"SENS:VOLT:NPLC?": "10"})
    del instrument.answers["SENS:VOLT:APER?"]
    (reading,) = bench("meter", instrument).poll().readings
    assert reading.integration_s is None


def test_an_integration_time_that_is_turned_is_followed_within_ten_readings(bench):
    instrument = bench_meter()
    meter = bench("meter", instrument)
    meter.poll()
    instrument.answers["SENS:VOLT:APER?"] = "0.2"
    assert [meter.poll().readings[0].integration_s for _ in range(11)][-1] == 0.2


def test_a_turned_knob_brings_the_integration_time_of_its_own_function(bench):
    instrument = bench_meter(**{"SENS:RES:APER?": "0.1"})
    meter = bench("meter", instrument)
    meter.poll()
    instrument.answers["CONF?"] = '"RES +1.0E+03,+1.0E-03"'
    assert meter.poll().readings[0].integration_s is None  # that of volts is not that of ohms
    assert meter.poll().readings[0].integration_s == 0.1


def test_a_function_without_an_integration_time_is_asked_for_it_once(bench):
    instrument = bench_meter()
    del instrument.answers["SENS:VOLT:APER?"]
    meter = bench("meter", instrument)
    for _ in range(25):
        assert meter.poll().readings[0].integration_s is None
    assert sum("NPLC" in line for line in instrument.heard) == 1


def test_range_and_resolution_are_asked_for_where_the_function_is_named_alone(bench):
    instrument = Scripted(
        {"SENS:FUNC?": '"VOLT:AC"', "SENS:VOLT:AC:RANG?": "1.0E+02", "SENS:VOLT:AC:RES?": "1.0E-03", "FETC?": "12.5"}
    )
    (reading,) = bench("meter", instrument).poll().readings
    assert (reading.range, reading.resolution) == (100.0, 1e-3)


def test_each_reading_carries_the_limits_of_error_of_the_bench_file(serve, clock):
    """0.05 % of 12.5 V plus 0.01 % of the 10 V range: 6.25 mV + 1 mV = 7.25 mV, as data sheets work it out."""
    instrument = bench_meter()
    spec = InstrumentSpec(
        "it", "meter", serve(TcpServer, instrument).resource, timeout_s=0.3, accuracy=Accuracy(0.05, 0.01)
    )
    meter = open_instrument(spec, clock)
    assert meter.poll().readings[0].accuracy == pytest.approx(7.25e-3)
    instrument.answers["FETC?"] = "9.9E37"
    assert meter.poll().readings[0].accuracy is None
    meter.close()


def test_where_no_limits_are_stated_none_are_carried(bench):
    assert bench("meter", bench_meter()).poll().readings[0].accuracy is None
