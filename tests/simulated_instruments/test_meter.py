"""The meter: what it says of a lead in the air, on a point and on the wrong function."""

import math
import statistics

import pytest

from simulated_instruments.bench.roster import BENCH_METER, ROSTER

ROUND_S = 0.1


def polled(bench, meter, count, message="FETC?", every_s=ROUND_S):
    values = []
    for _ in range(count):
        bench.turn(every_s)
        values.append(meter.number(message))
    return values


def limits(value, range_):
    return abs(value) * BENCH_METER.percent_reading / 100 + range_ * BENCH_METER.percent_range / 100


def switched_on(bench, seconds=10.0):
    bench.ask(do="power", on=True)
    bench.turn(seconds)


@pytest.mark.parametrize("every_s", [0.1, 0.2, 0.27, 0.5, 1.0])
def test_an_open_lead_is_never_still_however_it_is_polled(bench, meter, every_s):
    """A placement must not be made of nothing: five readings always spread over many counts."""
    values = polled(bench, meter, 200, every_s=every_s)
    spreads = [max(values[i : i + 5]) - min(values[i : i + 5]) for i in range(len(values) - 5)]
    assert min(spreads) > 0.005
    assert max(abs(value) for value in values) < 0.1


def test_a_lead_on_a_point_is_still_and_right(bench, meter):
    switched_on(bench)
    bench.ask(do="touch", probe="red", thing="+15")
    bench.turn(3.0)
    values = polled(bench, meter, 50)
    assert statistics.pstdev(values) < 2 * 60 / BENCH_METER.counts
    assert all(abs(value - 14.99) < limits(14.99, 60) for value in values)


def test_a_landing_takes_some_time_constants_and_bounces(bench, meter):
    switched_on(bench)
    polled(bench, meter, 3)
    bench.ask(do="touch", probe="red", thing="+15")
    values = polled(bench, meter, 20)
    early, late = values[0], values[-1]
    assert abs(early - 14.99) > 0.1
    assert abs(late - 14.99) < limits(14.99, 60)


@pytest.mark.parametrize("seed", range(8))
def test_every_specimen_keeps_the_accuracy_that_the_bench_file_states(bench_of, seed):
    bench = bench_of("amplifier", seed)
    meter = bench.instrument("meter", seed=seed)
    bench.ask(do="mode", mode="AUX")
    switched_on(bench)
    bench.ask(do="touch", probe="red", thing="RAW")
    bench.turn(3.0)
    assert all(abs(value - 37.72) < limits(37.72, 60) for value in polled(bench, meter, 60, every_s=1.0))


def test_the_bench_file_states_the_accuracy_that_the_meters_are_built_to():
    stated = ROSTER["meter"].table["accuracy"]
    assert stated == {"percent_reading": BENCH_METER.percent_reading, "percent_range": BENCH_METER.percent_range}


@pytest.mark.parametrize("function", ["ohm", "continuity_ohm"])
def test_open_leads_on_ohms_are_overload(bench, meter, function):
    bench.ask(do="knob", instrument="meter", knob="function", position=function)
    assert set(polled(bench, meter, 5)) == {9.9e37}


def test_ohms_on_a_live_rail_are_overload_and_not_a_voltage(bench, meter):
    switched_on(bench)
    bench.ask(do="knob", instrument="meter", knob="function", position="ohm")
    bench.ask(do="touch", probe="red", thing="VN")
    assert set(polled(bench, meter, 5)) == {9.9e37}
    assert meter("FUNC?") == '"RES"'


def test_ohms_wait_until_the_rail_is_discharged(bench_of):
    bench = bench_of("amplifier")
    meter = bench.instrument("meter")
    switched_on(bench)
    bench.ask(do="knob", instrument="meter", knob="function", position="ohm")
    bench.ask(do="touch", probe="red", thing="VPH to 0")
    bench.ask(do="power", on=False)
    values = polled(bench, meter, 60)
    assert values[0] == 9.9e37
    assert values[-1] == pytest.approx(330, rel=0.001)


def test_a_lifted_capacitor_reads_its_farads(bench, meter):
    bench.ask(do="knob", instrument="meter", knob="function", position="capacitance_f")
    bench.ask(do="touch", probe="red", thing="C902 out")
    bench.turn(2.0)
    assert polled(bench, meter, 5)[-1] == pytest.approx(100e-6, rel=0.002)


def test_a_frequency_that_is_not_there_is_not_a_number(bench, meter):
    """SCPI-99 vol. 1, 7.2.1.5 (from memory)."""
    meter("CONF:FREQ")
    assert polled(bench, meter, 2)[-1] == 9.91e37


def test_the_front_panel_and_the_language_turn_the_same_knob(bench, meter):
    meter("CONF:RES 1000")
    assert bench.ask(ask="panel", instrument="meter")["knobs"]["function"] == "ohm"
    bench.ask(do="knob", instrument="meter", knob="function", position="dc_v")
    assert meter("SENS:FUNC:ON?") == '"VOLT"'
    meter('FUNC "VOLT:AC"')
    assert meter("func?") == '"VOLT:AC"'


def test_configure_tells_function_range_and_resolution(bench, meter):
    meter("CONF:VOLT 50")
    assert meter("CONF?") == '"VOLT +6.000000E+01,+1.000000E-03"'
    assert meter("VOLT:RANG?;RANG:AUTO?;:VOLT:RES?") == "+6.000000E+01;0;+1.000000E-03"


def test_auto_range_follows_the_value_and_costs_a_measurement(bench, meter):
    switched_on(bench)
    bench.turn(0.5)
    assert meter.number("VOLT:RANG?") == 0.6
    bench.ask(do="touch", probe="red", thing="+15")
    bench.turn(2.0)
    polled(bench, meter, 4)
    assert meter.number("VOLT:RANG?") == 60


def test_a_fixed_range_that_is_too_small_is_overload(bench, meter):
    switched_on(bench)
    bench.ask(do="touch", probe="red", thing="-15")
    meter("VOLT:RANG 6")
    bench.turn(2.0)
    assert meter.number("FETC?") == -9.9e37


def test_fetch_repeats_the_completed_measurement_and_read_waits_for_the_next(bench, meter):
    first = meter("FETC?")
    assert meter("FETC?") == first
    assert meter("READ?") != first


def test_a_meter_that_cannot_fetch_says_so_and_nothing_else(bench):
    """SCPI-99 vol. 2, 21.8.11 (from memory): -230, data corrupt or stale."""
    meter = bench.instrument("meter", can_fetch=False)
    assert meter("FETC?") == ""
    assert meter("SYST:ERR?").startswith("-230,")
    assert math.isfinite(meter.number("READ?"))


def test_without_initiation_there_is_nothing_to_fetch(bench, meter):
    """SCPI-99 vol. 2, 24.7 (from memory)."""
    assert meter("INIT:CONT OFF;:FETC?") == ""
    assert meter("SYST:ERR?").startswith("-230,")
    meter("INIT")
    bench.turn(1.0)
    assert meter("FETC?") == meter("FETC?")


def test_measure_turns_to_its_function_and_reads(bench, meter):
    assert meter.number("MEAS:RES?") == 9.9e37
    assert meter("FUNC?") == '"RES"'
    assert meter("FETC:VOLT?") == ""


def test_remote_control_locks_the_knobs_until_local(bench, meter):
    meter("SYST:REM")
    with pytest.raises(Exception, match="locked by remote control"):
        bench.ask(do="knob", instrument="meter", knob="function", position="ohm")
    meter("SYST:LOC")
    bench.ask(do="knob", instrument="meter", knob="function", position="ohm")


def test_what_was_sent_is_counted_by_series(bench, meter):
    polled(bench, meter, 3)
    meter("READ?;:FETC?;:CONF:RES;:FETC?")
    assert meter("DIAG:COUN?") == '"dc_v",5,"ohm",1'


def test_a_serial_meter_is_another_specimen_on_the_clip(bench):
    clip = bench.instrument("clip meter")
    switched_on(bench)
    bench.ask(do="touch", probe="clip", thing="+15")
    bench.turn(3.0)
    assert polled(bench, clip, 3, every_s=0.2)[-1] == pytest.approx(14.99, abs=0.03)
    assert clip("*IDN?") != bench.instrument("meter")("*IDN?")
