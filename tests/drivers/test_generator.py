"""What the generic generator does beyond its conformance suite: the ceiling, the output."""

import math

import pytest

from drivers.errors import CommandError, DriverError, InstrumentRefused, WrongInstrument
from drivers.protocols import InstrumentSpec
from drivers.readings import Identity, Quantity
from drivers.registry import open_instrument
from tests.drivers.conformance import SHORT_S
from tests.drivers.instruments import generator
from tests.drivers.servers import TcpServer


def test_set_output_sets_reads_back_and_returns_what_was_read(bench):
    driver = bench("generator", generator())
    poll = driver.set_output(True, 10.7e6, -47.0)
    read = {reading.quantity: reading.value for reading in poll.readings}
    assert read == {
        Quantity.FREQUENCY: 10.7e6,
        Quantity.LEVEL: -47.0,
        Quantity.OUTPUT: 1.0,
        Quantity.AM_DEPTH: 0.0,
        Quantity.FM_DEVIATION: 0.0,
    }


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


def values(poll):
    return {reading.quantity: reading.value for reading in poll.readings}


def test_modulation_is_set_read_back_and_its_source_told(bench):
    """The headers are those of SCPI-99 vol. 2, 19: SOURce:AM[:DEPTh], SOURce:FM[:DEViation], SOURce, STATe."""
    instrument = generator()
    driver = bench("generator", instrument)
    poll = driver.set_modulation("am", 30.0)
    assert (values(poll)[Quantity.AM_DEPTH], values(poll)[Quantity.FM_DEVIATION]) == (30.0, 0.0)
    assert any("am comes from its internal source" in remark for remark in poll.remarks)
    poll = driver.set_modulation("fm", 22.5e3, "external")
    assert (values(poll)[Quantity.AM_DEPTH], values(poll)[Quantity.FM_DEVIATION]) == (0.0, 22.5e3)
    assert any("fm comes from its external source" in remark for remark in poll.remarks)
    poll = driver.set_modulation("none")
    assert (values(poll)[Quantity.AM_DEPTH], values(poll)[Quantity.FM_DEVIATION]) == (0.0, 0.0)


def test_a_generator_without_modulation_has_no_readings_of_it_and_refuses_it(bench):
    instrument = generator()
    for header in list(instrument.answers):
        if header.startswith(("AM:", "FM:")):
            del instrument.answers[header]
    driver = bench("generator", instrument)
    assert Quantity.AM_DEPTH not in values(driver.poll())
    with pytest.raises(InstrumentRefused, match="understands no am"):
        driver.set_modulation("am", 30.0)


@pytest.mark.parametrize(
    ("kind", "amount", "source", "field"),
    [
        ("pm", 1.0, "internal", "kind"),
        ("am", 101.0, "internal", "amount"),
        ("fm", -1.0, "internal", "amount"),
        ("am", math.nan, "internal", "amount"),
        ("am", 30.0, "aerial", "source"),
    ],
)
def test_modulation_that_makes_no_sense_is_named_before_a_byte_is_sent(bench, kind, amount, source, field):
    instrument = generator()
    driver = bench("generator", instrument)
    instrument.heard.clear()
    with pytest.raises(CommandError) as caught:
        driver.set_modulation(kind, amount, source)
    assert caught.value.field == field
    assert instrument.heard == []


def test_a_generator_that_does_not_take_the_modulation_is_an_error(bench):
    instrument = generator()
    driver = bench("generator", instrument)
    instrument.answers["AM:DEPT?"] = "100"
    with pytest.raises(InstrumentRefused, match="did not take"):
        driver.set_modulation("am", 30.0)


def test_a_generator_that_was_lost_is_switched_off_first_of_all_when_it_is_back(serve, clock):
    instrument = generator()
    place = serve(TcpServer, instrument)
    spec = InstrumentSpec("it", "generator", place.resource, timeout_s=SHORT_S)
    driver = open_instrument(spec, clock)
    driver.set_output(True, level_dbm=-47.0)
    place.stop()
    with pytest.raises(DriverError):
        driver.poll()
    assert any("could not be made sure" in remark for remark in driver.switch_off().remarks)
    driver.close()
    assert instrument.answers["OUTP?"]() == "1"
    instrument.heard.clear()
    serve(TcpServer, instrument, port=place.port)
    again = open_instrument(spec, clock)
    poll = again.poll()
    told = [line for line in instrument.heard if "?" not in line]
    assert told[0] == "OUTP OFF"
    assert values(poll)[Quantity.OUTPUT] == 0.0
    assert any("was lost" in remark for remark in poll.remarks)
    again.close()
    instrument.answers["OUTP"]("ON")  # by hand, in good order: it is not touched at the next opening
    open_instrument(spec, clock).let_go()
    assert instrument.answers["OUTP?"]() == "1"


def test_another_box_that_answers_at_the_address_hears_no_command(serve, clock):
    """What it feeds is not ours to switch, whatever was left on by the one that was there before."""
    instrument = generator()
    place = serve(TcpServer, instrument)
    before = Identity("BENCH", "ANOTHER", "1", "1")
    with pytest.raises(WrongInstrument, match=r"answers at .* where .*ANOTHER"):
        open_instrument(InstrumentSpec("it", "generator", place.resource, timeout_s=SHORT_S, known=before), clock)
    assert instrument.heard and not [heard for heard in instrument.heard if "?" not in heard]
