"""The drivers against their conformance suites, over each link, and what each kind does beyond them."""

import math

import numpy as np
import pytest

from drivers.errors import CommandError, DriverError, InstrumentRefused, LinkError, LinkTimeout
from drivers.protocols import InstrumentSpec
from drivers.readings import Flag, Quantity
from drivers.registry import KINDS, OPTIONS, open_instrument
from tests.drivers import scripted
from tests.drivers.conformance import (
    SHORT_S,
    GeneratorConformance,
    MeterConformance,
    ScopeConformance,
    SupplyConformance,
    block,
)
from tests.drivers.scripted import Scripted
from tests.drivers.servers import HislipServer, PtyServer, TcpServer, Vxi11Server

DC_10_V = '"VOLT +1.000000E+01,+1.000000E-05"'


def bench_meter(**more):
    return Scripted({"CONF?": DC_10_V, "FETC?": "+1.250000E+01", "READ?": "+1.250000E+01", "SYST:LOC": None} | more)


def two_channel_scope():
    """8-bit unsigned codes 0, 64, 128, 255 at 0.04 V a step around 128; 1 ms a sample; rolling."""
    return Scripted(
        {
            "CHAN1:DISP?": "1",
            "CHAN2:DISP?": "1",
            "CHAN1:COUP?": "DC",
            "CHAN2:COUP?": "AC",
            "WAV:SOUR": lambda channel: None,
            "WAV:PRE?": "0,0,4,1,1.0E-3,0,0,4.0E-2,0,128",
            "WAV:DATA?": block(bytes([0, 64, 128, 255])),
            "WAV:UNS?": "1",
            "TIM:MODE?": "ROLL",
            "TRIG:STAT?": "RUN",
            "STOP": None,
            "RUN": None,
        }
    )


def generator():
    state = {"FREQ": "1.0E+06", "POW": "-47.0", "OUTP": "0"}

    def setter(name):
        def store(value):
            state[name] = {"ON": "1", "OFF": "0"}.get(value, value.removesuffix(" DBM"))

        return store

    answers = {f"{name}?": (lambda name=name: state[name]) for name in state}
    return Scripted(answers | {name: setter(name) for name in state} | {"UNIT:POW?": "DBM", "SYST:LOC": None})


def supply():
    return Scripted({"MEAS:CURR?": "+4.100000E-01", "MEAS:VOLT?": "+2.370000E+02", "SYST:LOC": None})


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
    """One that answers only the first of two questions in a message."""

    server = TcpServer

    def scripted(self):
        class Simple(Scripted):
            def _answer(self, text):
                return super()._answer(text.partition(";")[0])

        return Simple(bench_meter().answers)


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


@pytest.fixture
def bench(serve, clock):
    """``bench(kind, instrument)`` opens a driver on a TCP server around the instrument."""
    opened = []

    def start(kind, instrument, server=TcpServer, **options):
        place = serve(server, instrument)
        spec = InstrumentSpec("it", kind, place.resource, timeout_s=SHORT_S, options=options)
        opened.append(open_instrument(spec, clock))
        return opened[-1]

    yield start
    for driver in opened:
        driver.close()


# --- meter


def test_range_resolution_and_function_come_with_the_value(bench):
    (reading,) = bench("meter", bench_meter()).poll().readings
    assert (reading.quantity, reading.range, reading.resolution) == (Quantity.DC_V, 10.0, 1e-5)
    assert reading.flags == Flag.NONE


def test_the_technician_turns_the_knob_and_the_next_reading_follows(bench):
    instrument = bench_meter()
    meter = bench("meter", instrument)
    meter.poll()
    instrument.answers["CONF?"] = '"RES +1.0E+03,+1.0E-03"'
    (reading,) = meter.poll().readings
    assert (reading.quantity, reading.range) == (Quantity.OHM, 1000.0)


@pytest.mark.parametrize("together", [True, False])
def test_a_knob_turned_during_the_reading_leaves_no_value_on_the_wrong_function(bench, together):
    instrument = bench_meter() if together else TestMeterWithOneQuestionAMessage().scripted()
    meter = bench("meter", instrument)
    answers = iter([DC_10_V, '"RES +1.0E+03,+1.0E-03"'])
    instrument.answers["CONF?"] = lambda: next(answers)
    poll = meter.poll()
    (reading,) = poll.readings
    assert reading.flags & Flag.CHANGING
    assert math.isnan(reading.value)
    assert any("12.5" in remark and "neither" in remark for remark in poll.remarks)


def test_a_range_that_changes_during_the_reading_keeps_the_value_and_flags_it(bench):
    instrument = bench_meter()
    meter = bench("meter", instrument)
    answers = iter([DC_10_V, '"VOLT +1.0E+02,+1.0E-04"'])
    instrument.answers["CONF?"] = lambda: next(answers)
    (reading,) = meter.poll().readings
    assert (reading.value, reading.flags) == (12.5, Flag.CHANGING)


@pytest.mark.parametrize(
    ("sent", "flag"),
    [("+9.90000000E+37", Flag.OVERLOAD), ("-9.9E+37", Flag.OVERLOAD), ("9.91E37", Flag.NOT_A_NUMBER)],
)
def test_overload_and_not_a_number_are_flags_without_a_value(bench, sent, flag):
    """SCPI-99 vol. 1, 7.2.1.4 and 7.2.1.5."""
    (reading,) = bench("meter", bench_meter(**{"FETC?": sent})).poll().readings
    assert math.isnan(reading.value)
    assert reading.flags == flag


def test_a_function_that_is_not_kept_gives_a_remark_and_no_reading(bench):
    poll = bench("meter", bench_meter(**{"CONF?": '"VOLT:DC:RAT +1.0E+01,+1.0E-05"'})).poll()
    assert poll.readings == ()
    assert "not one that is kept" in poll.remarks[0]


def test_every_value_that_the_meter_sends_is_a_reading(bench):
    """None is asked for and thrown away: the first value of a meter counts like the last."""
    sent = []

    def value():
        sent.append(len(sent) + 1.0)
        return f"{sent[-1]:.6E}"

    meter = bench("meter", bench_meter(**{"FETC?": value, "READ?": value}))
    read = [meter.poll().readings[0].value for _ in range(5)]
    assert read == sent


def test_reading_is_remembered_after_fetching_failed_once(bench):
    instrument = bench_meter()
    del instrument.answers["FETC?"]
    meter = bench("meter", instrument)
    for _ in range(3):
        assert meter.poll().readings[0].value == 12.5
    assert sum("FETC?" in line for line in instrument.heard) == 1


def test_local_is_sent_only_where_it_is_understood(bench):
    knows, ignorant = bench_meter(), bench_meter()
    del ignorant.answers["SYST:LOC"]
    for instrument in (knows, ignorant):
        meter = bench("meter", instrument)
        instrument.heard.clear()
        meter.to_local()
        meter.poll()
    assert "SYST:LOC" in knows.heard
    assert "SYST:LOC" not in ignorant.heard


def test_a_meter_that_cannot_say_its_function_names_the_cure(bench):
    with pytest.raises(DriverError, match="function = "):
        bench("meter", Scripted({"READ?": "1.0"}))


def test_objections_that_waited_in_the_error_queue_are_remarks_of_the_first_poll(bench):
    instrument = bench_meter()
    instrument.errors += ['-113,"Undefined header"', '-222,"Data out of range"']
    remarks = bench("meter", instrument).poll().remarks
    assert any("-113" in remark for remark in remarks)
    assert any("-222" in remark for remark in remarks)


# --- faults


@pytest.mark.parametrize("server", [TcpServer, PtyServer, HislipServer, Vxi11Server])
@pytest.mark.parametrize(
    "fault",
    [
        scripted.silence,
        scripted.late,
        scripted.twice,
        scripted.stall_in_the_middle,
        scripted.close_in_the_middle,
        scripted.replaced_by(b"12.3.4\n"),
        scripted.replaced_by(b"\xff\xfe\x00\n"),
        scripted.replaced_by(b"#15hello\n"),
    ],
    ids=["silence", "late", "twice", "stall", "close", "garbage", "not ascii", "block"],
)
def test_after_any_fault_values_are_those_of_their_own_questions(bench, server, fault):
    """The instrument counts its answers; whatever happens, a value is the count of its own question."""
    instrument = bench_meter()
    count = [0]

    def value():
        count[0] += 1
        return f"{count[0]:.6E}"

    instrument.answers["FETC?"] = value
    meter = bench("meter", instrument, server)
    assert meter.poll().readings[0].value == 1.0
    instrument.fault("FETC?", fault)
    failures = 0
    for _ in range(6):
        try:
            readings = meter.poll().readings
        except DriverError:
            failures += 1
            continue
        assert [reading.value for reading in readings] == [float(count[0])]
    assert failures <= 2


@pytest.mark.parametrize("server", [TcpServer, PtyServer])
def test_a_duplicate_that_comes_with_the_next_question_is_noticed_when_questions_are_tagged(bench, server):
    instrument = bench_meter()
    count = [0]

    def value():
        count[0] += 1
        return f"{count[0]:.6E}"

    instrument.answers["FETC?"] = value
    meter = bench("meter", instrument, server, tagged=True)
    instrument.fault("FETC?", scripted.twice_late)
    good = 0
    for _ in range(5):
        try:
            (reading,) = meter.poll().readings
        except LinkError:
            continue
        assert reading.value == count[0]
        good += 1
    assert good >= 3


def test_tags_give_the_event_enable_register_back(bench):
    instrument = bench_meter()
    instrument.enable = 33
    meter = bench("meter", instrument, tagged=True)
    meter.poll()
    assert instrument.enable != 33
    meter.close()
    assert instrument.enable == 33


def test_bytes_that_were_waiting_are_a_remark_and_never_a_value(bench, serve, clock):
    instrument = bench_meter()
    place = serve(TcpServer, instrument)
    meter = open_instrument(InstrumentSpec("it", "meter", place.resource, timeout_s=SHORT_S), clock)
    meter.poll()
    link = meter._conversation._link
    link._pending += b"+9.999E+00\n"
    poll = meter.poll()
    assert poll.readings[0].value == 12.5
    assert any("waiting" in remark for remark in poll.remarks)
    meter.close()


def test_another_instrument_after_a_reconnect_is_refused(bench, serve, clock):
    instrument = bench_meter()
    place = serve(TcpServer, instrument)
    meter = open_instrument(InstrumentSpec("it", "meter", place.resource, timeout_s=SHORT_S), clock)
    meter.poll()
    instrument.identity = "BENCH,OTHER,0043,1.0"
    place.hang_up()
    with pytest.raises(DriverError, match="OTHER"):
        for _ in range(3):
            meter.poll()
    meter.close()


def test_an_instrument_that_was_off_and_on_again_is_a_remark(serve, clock):
    """Power on is bit 7 of the standard event status register (IEEE 488.2, 11.5.1.1)."""
    instrument = bench_meter()
    place = serve(TcpServer, instrument)
    meter = open_instrument(InstrumentSpec("it", "meter", place.resource, timeout_s=SHORT_S), clock)
    meter.poll()
    instrument.status = 128
    instrument.fault("FETC?", scripted.silence)
    with pytest.raises(LinkTimeout):
        meter.poll()
    assert any("switched off and on" in remark for remark in meter.poll().remarks)
    meter.close()


# --- scope


def test_a_record_is_stopped_read_and_run_again(bench):
    instrument = two_channel_scope()
    scope = bench("scope", instrument)
    instrument.heard.clear()
    first, second = scope.record()
    assert (first.channel, second.channel, second.coupling) == ("1", "2", "AC")
    assert instrument.heard.index(":STOP") < instrument.heard.index(":WAV:DATA?")
    scope.poll()
    assert ":RUN" in instrument.heard


def test_a_scope_that_was_stopped_stays_stopped_and_its_record_is_of_unknown_age(bench):
    instrument = two_channel_scope()
    instrument.answers["TRIG:STAT?"] = "STOP"
    scope = bench("scope", instrument)
    traces = scope.record()
    assert ":RUN" not in instrument.heard
    assert traces[0].t0_half_width_us >= 3_600_000_000
    assert any("how old" in remark for remark in scope.poll().remarks)


def test_a_scope_is_run_again_when_reading_it_failed(bench):
    instrument = two_channel_scope()
    scope = bench("scope", instrument)
    instrument.fault("WAV:DATA?", scripted.replaced_by(b"nonsense\n"))
    with pytest.raises(DriverError):
        scope.record()
    scope.poll()
    assert ":RUN" in instrument.heard


def test_volts_follow_from_codes_and_ends_of_the_converter_count_as_clipped(bench):
    """volts = (code - reference) * increment + origin: 0, 64, 128, 255 -> -5.12, -2.56, 0, 5.08 V."""
    trace = bench("scope", two_channel_scope()).poll().traces[0]
    np.testing.assert_allclose(trace.volts, [-5.12, -2.56, 0.0, 5.08])
    assert (trace.lowest_code, trace.highest_code, trace.clipped) == (0, 255, True)
    assert trace.dt_s == 1e-3


def test_when_the_time_base_rolls_the_last_sample_is_of_the_moment_of_the_stop(bench, clock):
    scope = bench("scope", two_channel_scope())
    before_us = clock.now_us()
    trace = scope.record()[0]
    assert trace.rolling
    assert before_us - trace.t0_half_width_us <= trace.t1_us <= clock.now_us()


def test_around_a_trigger_the_half_width_covers_a_record_of_earlier_by_its_own_length(bench, clock):
    instrument = two_channel_scope()
    instrument.answers["TIM:MODE?"] = "MAIN"
    instrument.answers["WAV:PRE?"] = "0,0,4,1,1.0,0,0,4.0E-2,0,128"  # four seconds long
    scope = bench("scope", instrument)
    trace = scope.poll().traces[0]
    assert not trace.rolling
    assert 2_000_000 <= trace.t0_half_width_us <= 2_500_000
    assert trace.t1_us + trace.t0_half_width_us >= clock.now_us() - 1_000_000


def test_only_shown_channels_are_read_unless_the_bench_file_names_them(bench):
    instrument = two_channel_scope()
    instrument.answers["CHAN1:DISP?"] = "0"
    assert [trace.channel for trace in bench("scope", instrument).poll().traces] == ["2"]
    assert [trace.channel for trace in bench("scope", instrument, channels=[1]).poll().traces] == ["1"]


# --- generator


def test_set_output_sets_reads_back_and_returns_what_was_read(bench):
    driver = bench("generator", generator())
    poll = driver.set_output(True, 10.7e6, -47.0)
    read = {reading.quantity: reading.value for reading in poll.readings}
    assert read == {Quantity.FREQUENCY: 10.7e6, Quantity.LEVEL: -47.0, Quantity.OUTPUT: 1.0}


def test_the_output_is_not_switched_on_at_a_level_that_was_turned_up_by_hand(bench):
    instrument = generator()
    instrument.answers["POW?"] = "+10.0"
    driver = bench("generator", instrument)
    with pytest.raises(CommandError) as caught:
        driver.set_output(True)
    assert caught.value.field == "level_dbm"
    assert "OUTP ON" not in instrument.heard


def test_a_generator_that_does_not_take_the_level_stays_off(bench):
    instrument = generator()
    instrument.answers["POW?"] = "-3.0"
    driver = bench("generator", instrument)
    with pytest.raises(InstrumentRefused):
        driver.set_output(True, level_dbm=-47.0)
    assert "OUTP ON" not in instrument.heard


@pytest.mark.parametrize(
    ("frequency_hz", "level_dbm", "field"),
    [
        (1e6, -19.9, "level_dbm"),
        (1e6, math.nan, "level_dbm"),
        (math.inf, -47.0, "frequency_hz"),
        (0.0, -47.0, "frequency_hz"),
    ],
)
def test_numbers_that_make_no_sense_are_named_before_a_byte_is_sent(bench, frequency_hz, level_dbm, field):
    instrument = generator()
    driver = bench("generator", instrument)
    instrument.heard.clear()
    with pytest.raises(CommandError) as caught:
        driver.set_output(True, frequency_hz, level_dbm)
    assert caught.value.field == field
    assert instrument.heard == []


def test_the_ceiling_is_the_bench_files(bench):
    driver = bench("generator", generator(), ceiling_dbm=-50.0)
    with pytest.raises(CommandError):
        driver.set_output(True, level_dbm=-47.0)
    driver.set_output(True, level_dbm=-50.0)


def test_closing_turns_the_output_off_and_makes_sure(bench):
    instrument = generator()
    driver = bench("generator", instrument)
    driver.set_output(True, level_dbm=-47.0)
    driver.close()
    assert instrument.heard[-2:] == ["OUTP OFF", "OUTP?"]
    assert instrument.answers["OUTP?"]() == "0"


def test_a_level_in_another_unit_is_not_taken_for_dbm(bench):
    instrument = generator()
    instrument.answers["UNIT:POW?"] = "V"
    with pytest.raises(DriverError, match="dBm"):
        bench("generator", instrument).poll()


def test_an_output_above_the_ceiling_is_remarked_and_left_alone(bench):
    instrument = generator()
    instrument.answers |= {"OUTP?": "1", "POW?": "+7.0"}
    driver = bench("generator", instrument)
    instrument.heard.clear()
    assert any("above the ceiling" in remark for remark in driver.poll().remarks)
    assert not any(line.startswith("OUTP O") for line in instrument.heard)


# --- supply


def test_a_supply_gives_amperes_and_volts(bench):
    readings = bench("supply", supply()).poll().readings
    assert [(reading.quantity, reading.value) for reading in readings] == [
        (Quantity.SUPPLY_CURRENT, 0.41),
        (Quantity.MAINS, 237.0),
    ]


@pytest.mark.parametrize(("lost", "kept"), [("MEAS:VOLT?", Quantity.SUPPLY_CURRENT), ("MEAS:CURR?", Quantity.MAINS)])
def test_where_one_question_is_not_understood_the_other_goes_on(bench, lost, kept):
    instrument = supply()
    del instrument.answers[lost]
    driver = bench("supply", instrument)
    for _ in range(3):
        assert [reading.quantity for reading in driver.poll().readings] == [kept]
    assert instrument.heard.count(lost) == 1


# --- registry


def test_every_kind_has_options_with_defaults_of_their_own_type():
    assert set(KINDS) == set(OPTIONS) == {"meter", "scope", "generator", "supply"}
    for options in OPTIONS.values():
        for option in options.values():
            assert type(option.default) is option.type
            assert option.meaning


@pytest.mark.parametrize(
    ("kind", "options", "words"),
    [
        ("oven", {}, "write one of"),
        ("meter", {"celing_dbm": 1}, "no option of a meter"),
        ("meter", {"function": "volts"}, "write one of dc_v"),
        ("scope", {"channels": ["A"]}, "numbers"),
        ("scope", {"dialect": "../x"}, "form_a"),
        ("meter", {"terminator": "nul"}, "lf, cr or crlf"),
    ],
)
def test_what_the_bench_file_gets_wrong_is_named_with_the_words_there_are(bench, kind, options, words):
    with pytest.raises(DriverError, match=words):
        bench(kind, bench_meter(), **options)
