"""The supply beyond its conformance suite, and what the registry refuses."""


import pytest

from drivers.errors import DriverError
from drivers.readings import Quantity
from drivers.registry import KINDS, OPTIONS
from tests.drivers.instruments import bench_meter, bench_supply, supply


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


def test_a_programmable_supply_tells_its_output_and_what_it_is_set_to_whenever_that_changes(bench):
    """MEASure and OUTPut of SCPI-99 vol. 2, 3.4 and 15; VOLTage and CURRent of SOURce, 19."""
    instrument = bench_supply()
    driver = bench("supply", instrument, feeds="dc")
    poll = driver.poll()
    assert {reading.quantity: reading.value for reading in poll.readings} == {
        Quantity.SUPPLY_CURRENT: 0.41,
        Quantity.DC_V: 11.98,
        Quantity.OUTPUT: 1.0,
    }
    assert poll.remarks == ("is set to 12 V, 0.5 A, output on",)
    assert driver.poll().remarks == ()
    instrument.answers |= {"OUTP?": "0", "VOLT?": "13.8"}
    poll = driver.poll()
    assert poll.readings[-1].value == 0.0
    assert poll.remarks == ("is set to 13.8 V, 0.5 A, output off",)
    assert not [line for line in instrument.heard if line.startswith(("OUTP ", "VOLT ", "CURR "))]


def test_a_meter_of_the_mains_has_no_output(bench):
    assert all(reading.quantity is not Quantity.OUTPUT for reading in bench("supply", supply()).poll().readings)


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
        ("scope", {"dialect": "absent.toml"}, "cannot be read"),
        ("generator", {"dialect": "none"}, "deaf, letters"),
        ("meter", {"stream_pattern": "("}, "stream_pattern: .*not a regular expression"),
        ("supply", {"feeds": "water"}, "mains and dc"),
        ("meter", {"terminator": "nul"}, "lf, cr or crlf"),
    ],
)
def test_what_the_bench_file_gets_wrong_is_named_with_the_words_there_are(bench, kind, options, words):
    with pytest.raises(DriverError, match=words):
        bench(kind, bench_meter(), **options)
