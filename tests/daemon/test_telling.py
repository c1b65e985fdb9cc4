"""``probetrail arm``, ``generator`` and ``supply``: the words on the line become checked commands."""

import pytest

from daemon.command_line import main, make_parser
from daemon.command_line.telling import command_of
from daemon.commands import checked
from drivers.errors import CommandError


@pytest.mark.parametrize(
    ("line", "body"),
    [
        ("arm", {"command": "arm"}),
        ("arm --undo --scope left", {"command": "arm", "scope": "left", "undo": True}),
        ("generator off", {"command": "generator", "output": "off"}),
        (
            "generator on --frequency 10.7M --level=-60 --generator rf",
            {"command": "generator", "generator": "rf", "output": "on", "frequency_hz": 10.7e6, "level_dbm": -60.0},
        ),
        ("generator --frequency 455k", {"command": "generator", "frequency_hz": 455e3}),
        ("generator --am 30", {"command": "generator", "modulation": "am", "depth_percent": 30.0}),
        (
            "generator --fm 22.5k --source external",
            {"command": "generator", "modulation": "fm", "deviation_hz": 22500.0, "source": "external"},
        ),
        ("generator --plain", {"command": "generator", "modulation": "none"}),
        ("supply off --supply lab", {"command": "supply", "supply": "lab", "output": "off"}),
    ],
)
def test_a_line_is_the_command_that_it_says(line, body):
    assert command_of(make_parser().parse_args(line.split())) == body
    assert checked(body) == body


@pytest.mark.parametrize(
    "line", ["supply on", "generator up", "generator --am 30 --fm 3k", "generator --frequency fast"]
)
def test_wrong_words_are_refused_before_anything_is_said(line, capsys):
    with pytest.raises(SystemExit) as raised:
        main(line.split())
    assert raised.value.code == 2 and "usage" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("body", "field", "words"),
    [
        ({"command": "generator"}, "output", "say what it is to do"),
        ({"command": "generator", "generator": "rf"}, "output", "say what it is to do"),
        ({"command": "generator", "frequency_hz": 0}, "frequency_hz", "above 0"),
        ({"command": "generator", "frequency_hz": float("inf")}, "frequency_hz", "up to 1e"),
        ({"command": "generator", "level_dbm": float("nan")}, "level_dbm", "above -200"),
        ({"command": "generator", "level_dbm": 1e3}, "level_dbm", "up to 100"),
        ({"command": "generator", "modulation": "am"}, "depth_percent", "needs depth_percent"),
        ({"command": "generator", "modulation": "am", "depth_percent": 101}, "depth_percent", "up to 100"),
        ({"command": "generator", "modulation": "am", "depth_percent": 3, "deviation_hz": 9}, "deviation_hz", "goes"),
        ({"command": "generator", "depth_percent": 30}, "depth_percent", "goes with modulation am"),
        ({"command": "generator", "source": "external"}, "source", "goes with modulation am or fm"),
        ({"command": "generator", "output": "on", "scpi": "OUTP ON"}, "scpi", "has no field"),
        ({"command": "supply"}, "output", "needs the field"),
        ({"command": "supply", "output": "on"}, "output", "one of off"),
        ({"command": "arm", "undo": "yes"}, "undo", "true or false"),
    ],
)
def test_a_wrong_command_is_named_with_its_field_and_the_cure(body, field, words):
    with pytest.raises(CommandError, match=words) as raised:
        checked(body)
    assert raised.value.field == field


def test_the_level_goes_down_to_what_no_receiver_hears():
    assert checked({"command": "generator", "level_dbm": -200})["level_dbm"] == -200.0
