"""What may be said to the daemon, and that everything else is named with its field and the cure."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.commands import COMMANDS, checked
from drivers.errors import CommandError


def test_a_good_command_comes_through_trimmed_and_typed():
    body = {"command": "point", "point": " Q302 ", "leg": "C", "probe": None}
    assert checked(body) == {"command": "point", "point": "Q302", "leg": "C"}


def test_whole_numbers_are_taken_for_volts():
    assert checked({"command": "unit", "rated_mains_v": 230})["rated_mains_v"] == 230.0


@pytest.mark.parametrize(
    ("body", "field", "words"),
    [
        ([], "command", "JSON object"),
        ({"command": "write"}, "command", "not a command"),
        ({"command": "mode"}, "mode", "needs the field"),
        ({"command": "condition", "condition": "  "}, "condition", "Say how the unit is fed"),
        ({"command": "mode", "mode": 3}, "mode", "must be text"),
        ({"command": "mode", "mode": "PLAY", "scpi": "*RST"}, "scpi", "has no field"),
        ({"command": "power", "state": "up"}, "state", "one of on, off"),
        ({"command": "strike", "placement": True}, "placement", "whole number"),
        ({"command": "strike", "placement": 10**30}, "placement", "out of any range"),
        ({"command": "unit", "rated_mains_v": -230.0}, "rated_mains_v", "above 0"),
        ({"command": "unit", "rated_mains_v": float("nan")}, "rated_mains_v", "above 0"),
        ({"command": "note", "text": "x" * 2001}, "text", "longer than"),
        ({"command": "note", "text": "a\x00b"}, "text", "control characters"),
        ({"command": "walk", "do": "run"}, "do", "one of start, next"),
        ({"command": "walk", "do": "start", "points": "B12"}, "points", "a list of texts"),
        ({"command": "walk", "do": "start", "points": [3]}, "points", "a list of at most"),
        ({"command": "walk", "do": "start", "points": ["B12", " "]}, "points", "cannot be empty"),
        ({"command": "photo", "unit": "u", "name": "n", "data": "%%"}, "data", "base64"),
        ({"command": "photo", "unit": "u", "name": "n", "data": ""}, "data", "1 to"),
        ({"command": "drawing", "text": "x" * 400_001}, "text", "longer than"),
        ({"command": "note", "text": "a\ud800b"}, "text", "control characters"),
    ],
)
def test_a_wrong_command_is_named_with_its_field_and_the_cure(body, field, words):
    with pytest.raises(CommandError, match=words) as raised:
        checked(body)
    assert raised.value.field == field


def test_no_command_carries_a_raw_instrument_command():
    """Every field is one of the words of the trade; none of them reaches a driver as text."""
    raw = {"scpi", "raw", "query", "write", "message", "instrument"}
    assert not raw & {field for fields in COMMANDS.values() for field in fields}


values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(), inner, max_size=3),
    max_leaves=5,
)
bodies = values | st.fixed_dictionaries(
    {"command": st.sampled_from(sorted(COMMANDS))},
    optional={name: values for fields in COMMANDS.values() for name in fields},
)


@given(bodies)
def test_anything_at_all_is_a_checked_command_or_one_named_error(body):
    try:
        result = checked(body)
    except CommandError as error:
        assert str(error)
    else:
        assert set(result) <= {"command", *COMMANDS[result["command"]]}
