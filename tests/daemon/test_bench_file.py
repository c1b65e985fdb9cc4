"""The bench file: a good one becomes a bench; every mistake is one line with file, table, key and cure."""

from importlib.resources import files
from pathlib import Path

import pytest

from daemon.bench_file import parse_bench, raised_ceiling, read_bench
from drivers.errors import BenchFileError

GOOD = """
[unit]
name = "cassette deck"
protection = "double-insulated"
rated_mains_v = 230

[[instrument]]
name = "meter"
kind = "meter"
resource = "TCPIP::127.0.0.1::5025::SOCKET"
poll_s = 0.1
probe = "red"
accuracy = { percent_reading = 0.05, percent_range = 0.01 }

[[instrument]]
name = "scope"
kind = "scope"
resource = "TCPIP::127.0.0.1::5026::SOCKET"
link = "visa"
probe = ["scope A", "scope B"]
watch_switch_on = true

[[instrument]]
name = "monitor"
kind = "supply"
resource = "ASRL/dev/ttyUSB0::INSTR"
role = "supply current"
baud = 19200
"""


def mistakes_of(text, folder=Path()):
    with pytest.raises(BenchFileError) as raised:
        parse_bench(text, "bench.toml", folder)
    return raised.value.mistakes


def test_a_good_file_becomes_a_bench():
    bench = parse_bench(GOOD, "bench.toml", Path())
    meter, scope, monitor = bench.setups
    assert (meter.spec.name, meter.poll_s, meter.probes) == ("meter", 0.1, ("red",))
    assert meter.spec.accuracy.percent_reading == 0.05
    assert (scope.spec.link, scope.probes, scope.watch_switch_on) == ("visa", ("scope A", "scope B"), True)
    assert (monitor.role, monitor.spec.options) == ("supply current", {"baud": 19200})
    assert (bench.unit.unit, bench.unit.rated_mains_v) == ("cassette deck", 230.0)


@pytest.mark.parametrize(
    ("change", "line"),
    [
        (('kind = "meter"', 'kind = "voltmeter"'), 'bench.toml: [[instrument]] 1 ("meter"): kind: must be one of'),
        (('name = "meter"\n', ""), 'bench.toml: [[instrument]] 1 ("no name"): name: is missing'),
        (("poll_s = 0.1", "poll_s = -1"), '1 ("meter"): poll_s: must be 0.005 to 3600 s, not -1'),
        (("poll_s = 0.1", 'poll_s = "fast"'), "poll_s: must be 0.005 to 3600 s, not 'fast'"),
        (("poll_s = 0.1", "pol_s = 0.1"), "pol_s: not known here; known are"),
        (('probe = "red"', ""), '1 ("meter"): probe: is missing: name the probe'),
        (('"scope A", "scope B"', '"red", "scope B"'), "probe 'red' stands twice"),
        (('name = "scope"', 'name = "meter"'), "name 'meter' stands twice"),
        (('link = "visa"', 'link = "usb"'), '2 ("scope"): link: must be one of tcp, serial'),
        (("percent_range = 0.01", "per_range = 0.01"), "accuracy: must be { percent_reading"),
        (("percent_range = 0.01", "percent_range = -1"), "accuracy: its values must be per cents"),
        (("watch_switch_on = true", 'watch_switch_on = "yes"'), "watch_switch_on: must be true or false"),
        (("watch_switch_on = true", "power_channel = 9"), "power_channel: must be the number of a channel"),
        (("poll_s = 0.1", "power_channel = 1"), "power_channel: is for a scope, not for a meter."),
        (('probe = "red"', 'role = "supply output"'), "role: stands at two instruments"),
        (("baud = 19200", 'baud = "fast"'), '3 ("monitor"): baud: must be int'),
        (('"double-insulated"', '"class II"'), "bench.toml: [unit]: protection: must be one of"),
        (("TCPIP::127.0.0.1::5025::SOCKET", "192.168.0.5:5025"), '1 ("meter"): resource: '),
        (("[unit]", "[units]"), "bench.toml: units: not known here"),
    ],
)
def test_each_mistake_is_one_line_that_names_its_place(change, line):
    before, after = change
    assert before in GOOD
    found = mistakes_of(GOOD.replace(before, after, 1))
    assert any(line in mistake for mistake in found), found


def test_all_mistakes_are_told_at_once():
    text = GOOD.replace("poll_s = 0.1", "poll_s = 0").replace('link = "visa"', 'link = "x"')
    assert len(mistakes_of(text)) == 2


def test_what_is_not_toml_is_told_with_its_line():
    (line,) = mistakes_of("[[instrument]\nname = 1")
    assert line.startswith("bench.toml: not TOML:") and "line 1" in line


def test_an_empty_file_and_a_missing_file_are_told(tmp_path):
    assert "no [[instrument]] table" in mistakes_of("")[0]
    with pytest.raises(BenchFileError, match="cannot be read"):
        read_bench(tmp_path / "none.toml")


def test_files_that_are_named_must_be_there(tmp_path):
    text = GOOD + '\n[[reference]]\npoint = "PB OUT"\nfile = "ref.csv"\n'
    assert any("there is no file" in line for line in mistakes_of(text, tmp_path))
    (tmp_path / "ref.csv").write_text("t_s,volt\n")
    (reference,) = parse_bench(text, "bench.toml", tmp_path).references
    assert reference.file == tmp_path / "ref.csv"


def test_a_dialect_is_looked_for_beside_the_bench_file_and_its_mistakes_are_the_benchs(tmp_path):
    """A template that is wrong costs one line: file, table, key, then the dialect's file, key and cure."""
    shipped = files("drivers.dialects").joinpath("generator_letters.toml").read_text(encoding="utf-8")
    head = '[[instrument]]\nname = "g"\nkind = "generator"\nresource = "TCPIP::h::5025::SOCKET"\n'
    text = head + 'dialect = "mine.toml"\n'
    (tmp_path / "mine.toml").write_text(shipped, encoding="utf-8")
    bench = parse_bench(text, "bench.toml", tmp_path)
    assert bench.setups[0].spec.options["dialect"] == str(tmp_path / "mine.toml")
    (tmp_path / "mine.toml").write_text(shipped.replace("{dbm:.1f}", "{volume}"), encoding="utf-8")
    (mistake,) = mistakes_of(text, tmp_path)
    assert mistake.startswith('bench.toml: [[instrument]] 1 ("g"): dialect: mine.toml: send.level: only {dbm}')


def test_a_pattern_and_a_function_that_cannot_be_are_told_before_anything_is_opened():
    head = '[[instrument]]\nname = "m"\nkind = "meter"\nprobe = "red"\nresource = "ASRL/dev/ttyUSB0::INSTR"\n'
    (mistake,) = mistakes_of(head + 'stream_pattern = "(?P<value>"\n')
    assert "stream_pattern" in mistake and "regular expression" in mistake
    (mistake,) = mistakes_of(head + 'function = "volts"\n')
    assert "function" in mistake and "dc_v" in mistake


def generator_bench(*lines):
    head = '[[instrument]]\nname = "rf"\nkind = "generator"\nresource = "TCPIP::127.0.0.1::1::SOCKET"\n'
    return parse_bench(head + "\n".join(lines), "bench.toml", Path())


@pytest.mark.parametrize(
    ("lines", "words"),
    [
        (["ceiling_dbm = -19.9"], "ceiling_dbm: -19.9 dBm is above -20 dBm: say why in ceiling_because"),
        (["ceiling_dbm = 0", 'ceiling_because = " "'], "say why in ceiling_because"),
        (["ceiling_dbm = inf", 'ceiling_because = "x"'], "inf is no ceiling"),
        (["ceiling_dbm = nan"], "nan is no ceiling"),
    ],
)
def test_a_ceiling_is_raised_with_a_reason_only_and_never_lifted(lines, words):
    with pytest.raises(BenchFileError, match=words):
        generator_bench(*lines)


def test_a_ceiling_that_is_lowered_needs_no_reason_and_one_that_is_raised_says_it():
    assert raised_ceiling(generator_bench("ceiling_dbm = -40").setups[0].spec) == ""
    raised = generator_bench("ceiling_dbm = -10", 'ceiling_because = "20 dB pad"').setups[0].spec
    assert raised_ceiling(raised) == "its ceiling is -10 dBm by the bench file: 20 dB pad"
