"""What the generic generator does beyond its conformance suite: the ceiling, the output."""

import math

import pytest

from drivers.errors import CommandError, DriverError, InstrumentRefused
from drivers.readings import Quantity
from tests.drivers.instruments import generator


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
