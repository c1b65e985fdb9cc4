"""The unit: scenarios as they are printed, what hands change, supply current, generator and monitor."""

import tomllib

import pytest

from simulated_instruments.asking import Refused
from simulated_instruments.unit.scenario import NAMES, load, read_wave

SCENARIOS = ("amplifier", "mixer", "cassette")


@pytest.mark.parametrize(("name", "lines"), [("S1", 16), ("S2", 16), ("S4", 15)])
def test_every_scenario_has_its_whole_log_under_both_names(name, lines):
    scenario = load(name)
    assert len(scenario.log) == lines
    assert load(NAMES[name]) is not None and load(NAMES[name].upper()).id == name


def test_an_unknown_scenario_names_those_there_are():
    with pytest.raises(ValueError, match="amplifier, cassette, mixer"):
        load("S3")


@pytest.mark.parametrize("name", SCENARIOS)
def test_each_log_has_a_wrong_point_and_a_wrong_mode_and_each_is_struck_once(name):
    log = load(name).log
    wrong = [i for i, line in enumerate(log) if line.trap]
    assert {"WRONG_POINT", "WRONG_MODE"} <= {line.trap for line in log}
    assert sorted(index for line in log for index in line.strikes) == wrong
    assert all(index <= i for i, line in enumerate(log) for index in line.strikes)


@pytest.mark.parametrize("name", SCENARIOS)
def test_every_voltage_in_the_log_is_what_the_unit_has_there(bench_of, name):
    """The probe log against the model, stage by stage, to 1 mV and 0.1 %."""
    bench = bench_of(name)
    for line in load(name).log:
        if line.stage:
            bench.ask(do="stage", stage=line.stage)
        if line.function not in ("dc_v", "across"):
            continue
        bench.ask(do="power", on=line.powered)
        if line.powered:
            bench.ask(do="mode", mode=line.really)
        bench.ask(do="touch", probe="red", thing=line.touches)
        bench.turn(20.0)
        volts = bench.ask(ask="probe", probe="red", t_s=bench.clock.now_s())["volts"]
        assert volts == pytest.approx(line.value, rel=1e-3, abs=1e-3), line.point


@pytest.mark.parametrize("name", SCENARIOS)
def test_the_drawing_has_every_point_that_is_tagged_with_a_printed_voltage(name):
    scenario = load(name)
    drawing = tomllib.loads(scenario.drawing.read_text(encoding="utf-8"))
    points = {point["name"]: point for point in drawing["point"]}
    live = {line.point for line in scenario.log if line.powered}
    assert live <= set(points)
    assert scenario.scope_point in points and scenario.clip_point in points
    assert drawing["drawing"]["modes"] == list(scenario.modes)
    assert all(set(point["printed_v"]) == set(scenario.modes) for point in points.values())
    assert all(set(point.get("fed_by", ())) <= set(points) for point in points.values())


@pytest.mark.parametrize("name", SCENARIOS)
def test_the_reference_is_another_unit_s_capture_with_a_second_before_the_switch(name):
    """Not the same numbers as this unit's own, but the same event within some per cent."""
    scenario = load(name)
    seconds, volts = read_wave(scenario.reference, "volt")
    _, own = scenario.wave(scenario.scope_point, "healthy")
    assert seconds[0] == -1.0
    assert max(map(abs, volts)) == pytest.approx(max(map(abs, own)), rel=0.1)
    assert volts[2000 : 2000 + len(own)] != own


@pytest.mark.parametrize(("name", "ratio"), [("amplifier", 0.036), ("cassette", 0.049)])
def test_the_faulty_kick_is_nearly_missing(name, ratio):
    """The size that each scenario states: 3.6 % and 4.9 %."""
    scenario = load(name)
    peaks = [max(map(abs, scenario.wave(scenario.scope_point, state)[1])) for state in ("faulty", "healthy")]
    assert peaks[0] / peaks[1] == pytest.approx(ratio, abs=0.001)


def test_rails_rise_after_switch_on_and_decay_after_switch_off(bench):
    def volts():
        return bench.ask(ask="probe", probe="clip", t_s=bench.clock.now_s())["volts"]

    bench.ask(do="touch", probe="clip", thing="+15")
    bench.turn(1.0)
    bench.ask(do="power", on=True)
    seen = [volts()]
    for _ in range(3):
        bench.turn(0.4)
        seen.append(volts())
    assert seen[0] == 0 and seen == sorted(seen) and seen[-1] == pytest.approx(14.99, abs=0.1)
    bench.ask(do="power", on=False)
    bench.turn(0.4)
    assert 3 < volts() < 10
    bench.turn(4.0)
    assert abs(volts()) < 0.05


def test_the_supply_current_is_nothing_then_an_inrush_then_steady(bench):
    monitor = bench.instrument("supply monitor")
    assert monitor.number("MEAS:CURR?") < 0.002
    bench.ask(do="power", on=True)
    bench.turn(0.06)
    inrush = monitor.number("MEAS:CURR?")
    bench.turn(3.0)
    steady = monitor.number("MEAS:CURR?")
    assert inrush > 3 * steady
    assert steady == pytest.approx(0.118, abs=0.002)
    assert monitor("DIAG:COUN?") == '"current_a",3'


def test_mains_volts_wander_a_little_and_are_noisy(bench):
    monitor = bench.instrument("supply monitor")
    volts = []
    for _ in range(100):
        bench.turn(1.0)
        volts.append(monitor.number("MEASure:VOLTage?"))
    assert 0.05 < max(volts) - min(volts) < 0.5
    assert sum(volts) / 100 == pytest.approx(236, abs=0.1)


def test_a_unit_shows_the_other_mode_s_value_when_its_switch_is_turned(bench):
    bench.ask(do="power", on=True)
    bench.ask(do="touch", probe="red", thing="MIC pin 2")
    bench.turn(5.0)
    assert bench.ask(ask="probe", probe="red", t_s=bench.clock.now_s())["volts"] == pytest.approx(0, abs=1e-3)
    bench.ask(do="mode", mode="PHANTOM ON")
    bench.turn(5.0)
    assert bench.ask(ask="probe", probe="red", t_s=bench.clock.now_s())["volts"] == pytest.approx(47.87, abs=0.01)


@pytest.mark.parametrize(
    ("request_", "words"),
    [
        ({"do": "touch", "probe": "red", "thing": "R999"}, "nothing called 'R999'"),
        ({"do": "touch", "probe": "blue", "thing": "VN"}, "no probe is called 'blue'"),
        ({"do": "mode", "mode": "AUX"}, "no mode is called 'AUX'"),
        ({"do": "stage", "stage": "better"}, "no stage is called"),
        ({"do": "dance"}, "does not know do 'dance'"),
        ({"do": "touch", "probe": "red"}, "needs 'thing'"),
        ({"do": "knob", "instrument": "scope", "knob": "focus", "position": 1}, "no knob 'focus'"),
        ({"do": "knob", "instrument": "scope", "knob": "s/div", "position": "slow"}, "takes a float"),
        ({"do": "vanish", "instrument": "lamp"}, "no instrument is called 'lamp'"),
    ],
)
def test_the_door_refuses_with_a_sentence(bench, request_, words):
    with pytest.raises(Refused, match=words):
        bench.ask(**request_)


def test_the_generator_is_off_at_first_and_reads_back_what_it_was_set_to(bench):
    generator = bench.instrument("generator")
    assert generator("OUTP?;FREQ?;:POW?") == "0;+1.000000000E+03;-40.00"
    generator("FREQ 10.7 MHZ;POW -47 DBM;:OUTP ON")
    long_forms = "OUTPut:STATe?;:SOURce:FREQuency:CW?;:POWer:LEVel:IMMediate:AMPLitude?"
    assert generator(long_forms) == "1;+1.070000000E+07;-47.00"
    assert generator("DIAG:COUN?") == '"frequency_hz",2,"level_dbm",2,"output_on",2'


def test_the_generator_keeps_its_settings_when_asked_for_too_much(bench):
    """SCPI-99 vol. 2, 21.8.10 (from memory): -222, and nothing is changed."""
    generator = bench.instrument("generator")
    generator("POW 30")
    assert generator("SYST:ERR?;:POW?") == '-222,"Data out of range";-40.00'
    generator("OUTP ON;*RST")
    assert generator("OUTP?") == "0"
