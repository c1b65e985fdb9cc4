"""What the generic meter does beyond its conformance suite."""

import math

import pytest

from drivers.errors import DriverError
from drivers.readings import Flag, Quantity
from tests.drivers.instruments import DC_10_V, OneQuestionAMessage, bench_meter
from tests.drivers.scripted import Scripted


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
    instrument = bench_meter() if together else OneQuestionAMessage(bench_meter().answers)
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
