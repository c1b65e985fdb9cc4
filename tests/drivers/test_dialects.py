"""The dialect files that ship, and what a user's own file gets told: file, key, cure."""

from importlib.resources import files

import pytest

from drivers.dialects import (
    dialect_names,
    generator_dialect,
    read_generator_dialect,
    read_scope_dialect,
    scope_dialect,
    scope_dialects,
)
from drivers.errors import DriverError


def source(name):
    return files("drivers.dialects").joinpath(name).read_text(encoding="utf-8")


def test_the_dialects_that_ship_are_read_whole():
    assert scope_dialects() == ["form_a", "form_b", "form_c"]
    assert [scope_dialect(name).name for name in scope_dialects()] == ["form A", "form B", "form C"]
    assert dialect_names("generator") == ["deaf", "letters"]
    assert [generator_dialect(name).name for name in dialect_names("generator")] == ["deaf", "letters"]


@pytest.mark.parametrize("name", ["", "form_z", "../secret", "form a"])
def test_an_unknown_dialect_names_those_that_exist(name):
    with pytest.raises(DriverError, match="form_a, form_b, form_c"):
        scope_dialect(name)


def test_a_users_own_file_is_read_by_its_path(tmp_path):
    path = tmp_path / "mine.toml"
    path.write_text(source("scope_form_a.toml").replace('"form A"', '"mine"'), encoding="utf-8")
    assert scope_dialect(str(path)).name == "mine"
    with pytest.raises(DriverError, match=r"absent\.toml cannot be read"):
        scope_dialect(str(tmp_path / "absent.toml"))


def mistakes(read, text):
    with pytest.raises(DriverError) as caught:
        read(text, "mine.toml")
    lines = str(caught.value).splitlines()
    assert all(line.startswith("mine.toml:") for line in lines)
    return lines


@pytest.mark.parametrize(
    ("file", "old", "new", "mistake"),
    [
        ("a", "stop =", "halt =", "halt: unknown"),
        ("a", "stop =", "halt =", "stop: missing"),
        ("a", "channels = 4", 'channels = "four"', "channels: 'four' is of the wrong kind: write a whole number"),
        ("a", 'data = ":WAV:DATA?"', 'data = ""', "data: cannot be empty"),
        ("a", "SOUR CHAN{channel}", "SOUR CHAN{number}", "choose: only {channel}"),
        ("a", "SOUR CHAN{channel}", "SOUR CHAN{channel", "choose: only"),
        ("a", "[2, 4]", "[2, true]", "transfer.form_a.text_formats 2: True is of the wrong kind"),
        ("a", "[transfer.form_a]", "[transfer.form_a", "not TOML"),
        ("a", "[transfer.form_a]", "[transfer.form_d]", "transfer.form_d: unknown"),
        ("a", "([^,]+,)", "([^,]+,", "recognised_by: not a regular expression"),
        ("a", "stop = ", 'stop = "ST\u00d6P" #', "stop: 'ST\u00d6P' is not ASCII"),
        ("b", "{key}", "{name}", "one_field: only {key}"),
        ("b", 'signed = ["RI"]', 'signed = "RI"', "transfer.form_b.signed: 'RI' is of the wrong kind: write a list"),
        ("c", '160, kind = "float32"', '160, kind = "float16"', "offset_v: kind 'float16'; write one of int8"),
        ("c", "at = 160", "at = -160", "offset_v: -160 is no offset"),
        ("c", "byte_order_at = 34", "byte_order_at = -1", "byte_order_at: -1 is no offset"),
        ("c", 'running = ["AUTO", "NORM"]', "running = []", "running: cannot be empty where run has {state}"),
    ],
)
def test_each_mistake_in_a_scope_dialect_is_named_with_file_key_and_cure(file, old, new, mistake):
    text = source(f"scope_form_{file}.toml")
    assert old in text
    assert any(mistake in line for line in mistakes(read_scope_dialect, text.replace(old, new)))


def test_a_scope_dialect_has_exactly_one_form():
    text = source("scope_form_a.toml") + source("scope_form_b.toml").partition("[transfer.form_b]")[2].join(
        ["\n[transfer.form_b]", ""]
    )
    assert any("2 forms; write exactly one" in line for line in mistakes(read_scope_dialect, text))


@pytest.mark.parametrize(
    ("old", "new", "mistake"),
    [
        ('output_off = "RF0"', "", "send.output_off: missing"),
        ("frequency = ", "frequence = ", "send.frequence: unknown; keys are frequency, level"),
        ("{mhz:09.4f}", "{furlongs:09.4f}", "send.frequency: only {hz}, {khz}, {mhz} may stand there"),
        ("{mhz:09.4f}", "{mhz:09.4", "send.frequency: not a template"),
        ("{mhz:09.4f}", "{mhz:q}", "send.frequency: not a template"),
        ("{mhz:09.4f}", "", "send.frequency: 0 numbers in it"),
        ("{mhz:09.4f}", "{mhz:09.4f}{hz}", "send.frequency: 2 numbers in it"),
        ("{mhz:09.4f}", "{mhz.real}", "send.frequency: only"),
        ("{mhz:09.4f}", "{mhz:%}", "send.frequency: not a template"),
        ('"RF1"', '"RF{hz}"', "send.output_on: only plain text"),
        ('"RF1"', '"RF1\\n"', "send.output_on: 'RF1\\n' holds more than printable ASCII"),
        ("(?P<dbm>", "(?P<decibel>", "ask 2.answer: group 'decibel' is unknown"),
        ("(?P<dbm>-?[0-9.]+)", "-?[0-9.]+", "ask 2.answer: names no group"),
        ("(?P<dbm>-?[0-9.]+)", "(?P<dbm>-?[0-9.]+", "ask 2.answer: not a regular expression"),
        ('query = "QA"', 'query = ""', "ask 2.query: cannot be empty"),
        ('query = "QA"', "query = 7", "ask 2.query: 7 is of the wrong kind: write text in quotes"),
        ("impedance_ohm = 50", "impedance_ohm = 0", "impedance_ohm: 0.0 is no impedance"),
        ('name = "letters"', 'name = ""', "name: cannot be empty"),
    ],
)
def test_each_mistake_in_a_generator_dialect_is_named_with_file_key_and_cure(old, new, mistake):
    text = source("generator_letters.toml")
    assert old in text
    assert any(mistake in line for line in mistakes(read_generator_dialect, text.replace(old, new)))


def test_volts_and_decibels_are_those_of_the_handbook():
    """0 dBm in 50 ohm is 223.607 mV and 106.99 dBuV: P = U^2 / R, as every handbook's table has it; -47 dBm
    is 999 uV; the open socket shows twice as much."""
    plain, open_socket = generator_dialect("letters"), generator_dialect("deaf")
    assert plain.level_in("mv", 0.0) == pytest.approx(223.607, rel=1e-5)
    assert plain.level_in("dbuv", 0.0) == pytest.approx(106.99, abs=0.005)
    assert plain.level_in("uv", -47.0) == pytest.approx(998.8, abs=0.1)
    assert open_socket.level_in("uv", -47.0) == pytest.approx(2 * 998.8, abs=0.2)
    for unit in ("dbm", "dbuv", "v", "mv", "uv"):
        assert open_socket.level_dbm(unit, open_socket.level_in(unit, -63.2)) == pytest.approx(-63.2)
