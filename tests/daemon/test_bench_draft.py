"""A bench file to start from, out of what a search has found."""

import tomllib
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.bench_draft import draft
from daemon.bench_file import parse_bench
from drivers.find import Found
from drivers.finding.kinds import Guess
from drivers.readings import Identity

METER = Guess("meter", "CONF? says that it is on VOLT")
SCOPE = Guess("scope", "it describes a waveform in form A", 2)
UNTOLD = Guess("", "it understood none of the questions by which the kinds are told apart")


def box(model, serial="7"):
    return Identity("ANY", model, serial, "1.0")


def bench_of(*found):
    return parse_bench(draft(found), "bench.toml", Path())


def test_every_kind_becomes_a_table_that_the_bench_file_takes():
    bench = bench_of(
        Found("TCPIP::192.0.2.1::5025::SOCKET", box("M"), guess=METER),
        Found("TCPIP::192.0.2.2::inst0::INSTR", box("S"), guess=SCOPE),
        Found("TCPIP::192.0.2.3::hislip0::INSTR", box("G"), guess=Guess("generator", "it tells a level")),
        Found("USB0::1::2::3::INSTR", box("P"), guess=Guess("supply", "it has a current to fetch")),
    )
    assert [(setup.spec.kind, setup.probes) for setup in bench.setups] == [
        ("meter", ("red",)),
        ("scope", ("scope A", "scope B")),
        ("generator", ()),
        ("supply", ()),
    ]
    assert bench.setups[0].spec.resource == "TCPIP::192.0.2.1::5025::SOCKET"


def test_names_and_probes_are_given_once():
    found = [Found(f"TCPIP::192.0.2.{n}::5025::SOCKET", box("M", str(n)), guess=METER) for n in range(1, 4)]
    found += [Found(f"TCPIP::192.0.2.{n}::5025::SOCKET", box("S", str(n)), guess=SCOPE) for n in range(4, 6)]
    bench = bench_of(*found)
    assert [setup.spec.name for setup in bench.setups] == ["meter", "meter 2", "meter 3", "scope", "scope 2"]
    probes = [probe for setup in bench.setups for probe in setup.probes]
    assert len(probes) == len(set(probes)) == 7


def test_where_the_kind_cannot_be_told_a_comment_says_so():
    text = draft([Found("TCPIP::192.0.2.1::5025::SOCKET", box("X"), guess=UNTOLD)])
    assert "# Its kind could not be told: it understood none of the questions" in text
    assert parse_bench(text, "bench.toml", Path()).setups[0].spec.name == "unknown"


def test_one_instrument_that_answers_in_three_ways_gets_one_table_with_the_others_beside_it():
    ways = ["TCPIP::192.0.2.1::5025::SOCKET", "TCPIP::192.0.2.1::inst0::INSTR", "TCPIP::192.0.2.1::hislip0::INSTR"]
    found = [Found(way, box("M"), guess=METER) for way in ways]
    (setup,) = bench_of(*found).setups
    assert setup.spec.resource == "TCPIP::192.0.2.1::hislip0::INSTR"
    assert "# the same instrument answers at TCPIP::192.0.2.1::5025::SOCKET" in draft(found)


def test_without_a_serial_number_two_answers_may_be_two_instruments():
    """IEEE 488.2, 10.14.3.3: 0 where no serial number is available."""
    found = [Found(f"TCPIP::192.0.2.{n}::5025::SOCKET", box("M", "0"), guess=METER) for n in (1, 2)]
    assert len(bench_of(*found).setups) == 2


def test_what_did_not_answer_stands_in_comments():
    text = draft(
        [
            Found("TCPIP::192.0.2.1::5025::SOCKET", box("M"), guess=METER),
            Found("ASRL/dev/ttyUSB0::INSTR", remark="serial port, not asked: a cable"),
            Found("", remark="the search for USB and GPIB instruments failed."),
        ]
    )
    assert '# resource = "ASRL/dev/ttyUSB0::INSTR"' in text
    assert "serial port, not asked: a cable" in text
    assert len(parse_bench(text, "bench.toml", Path()).setups) == 1


def test_a_serial_instrument_keeps_the_bit_rate_at_which_it_answered():
    (setup,) = bench_of(Found("ASRL/dev/ttyUSB0::INSTR", box("M"), guess=METER, baud=115200)).setups
    assert setup.spec.options["baud"] == 115200


@pytest.mark.parametrize("wicked", ['"', "\\", "\n[unit]\nname = 'x'", "\r", "\x7f", "µ Ω", "#", "'''"])
def test_whatever_an_instrument_says_of_itself_the_file_stays_a_file(wicked):
    text = draft([Found("TCPIP::192.0.2.1::5025::SOCKET", box(f"M{wicked}"), guess=METER)])
    assert set(tomllib.loads(text)) == {"instrument"}


@given(st.text(max_size=30), st.text(max_size=30), st.sampled_from([METER, SCOPE, UNTOLD]))
def test_any_identity_and_any_remark_make_a_file_that_is_taken(model, remark, guess):
    bench = bench_of(
        Found("TCPIP::192.0.2.1::5025::SOCKET", box(model), guess=guess),
        Found("GPIB0::9::INSTR", remark=remark),
    )
    assert len(bench.setups) == 1


def test_the_visa_library_by_which_it_was_found_stands_in_the_file():
    found = Found("GPIB0::9::INSTR", Identity("A", "B", "1", "1"), guess=METER, visa_library="@x")
    assert 'visa_library = "@x"' in draft([found])
    assert "visa_library" not in draft([replace(found, visa_library="")])
