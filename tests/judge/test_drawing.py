import contextlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.drawing import Drawing, parse_drawing
from daemon.letter_code import parse_value
from daemon.part_kinds import KINDS
from drivers.errors import DrawingError

WHOLE = """
[drawing]
unit = "eight-channel mixer"
modes = ["PHANTOM OFF", "PHANTOM ON"]
nominal_mains_v = 230
meter_ohm = 1e7
tolerance_percent = 10

[[point]]
name = "+15"
leg = "U901 out"
net = "p15"
printed_v = { "PHANTOM OFF" = 15.0, "PHANTOM ON" = 15.0 }
tolerance_percent = 5
ripple_vpp = 0.005
fed_by = ["VP"]

[[point]]
name = "VP"
printed_v = { "PHANTOM OFF" = 23.2 }
follows_mains = true
access = "hard"
relay_delay_s = 2

[[part]]
name = "R301"
kind = "resistor"
value = "4k7"
nets = ["p15", "0"]
weight = 2

[[part]]
name = "S3"
kind = "selector"
nets = ["p15", "a", "b"]
contact_in = { "PHANTOM ON" = "a", "PHANTOM OFF" = "b" }

[[part]]
name = "J1"
kind = "jumper"
nets = ["a", "b"]
"""


def mistakes_in(text):
    with pytest.raises(DrawingError) as caught:
        parse_drawing(text, "mixer.toml")
    return caught.value.mistakes


def test_every_key_arrives():
    drawing = parse_drawing(WHOLE, "mixer.toml")
    point = drawing.point("+15")
    assert (drawing.unit, drawing.modes, drawing.nominal_mains_v) == (
        "eight-channel mixer",
        ("PHANTOM OFF", "PHANTOM ON"),
        230,
    )
    assert (point.leg, point.net, point.ripple_vpp, point.fed_by) == ("U901 out", "p15", 0.005, ("VP",))
    assert drawing.tolerance_of(point) == 5
    assert drawing.tolerance_of(drawing.point("VP")) == 10
    assert (drawing.point("VP").access, drawing.point("VP").relay_delay_s) == ("hard", 2)
    assert drawing.parts[0].value == 4700
    assert drawing.parts[1].contact_in == {"PHANTOM ON": "a", "PHANTOM OFF": "b"}
    assert drawing.printed_v("VP", "PHANTOM OFF") == 23.2
    assert drawing.printed_v("VP", "PHANTOM ON") is None


def test_a_letter_for_the_tolerance_on_a_part_is_its_tolerance():
    """IEC 60062: J is 5 %; what is written beside it counts more."""
    marked = WHOLE.replace('"4k7"', '"4K7J"')
    part = parse_drawing(marked, "a").parts[0]
    assert (part.value, part.tolerance_percent) == (4700, 5)
    both = marked.replace('"4K7J"', '"4K7J"\ntolerance_percent = 1')
    assert parse_drawing(both, "a").parts[0].tolerance_percent == 1


def test_a_value_that_no_part_is_made_in_is_doubted_and_taken():
    drawing = parse_drawing(WHOLE.replace('"4k7"', '"4k8"'), "a")
    assert drawing.parts[0].value == 4800
    assert drawing.doubts() == ["R301: 4k8 is in none of the E series: did you mean 4k7?"]
    assert parse_drawing(WHOLE, "a").doubts() == []


def test_a_session_can_carry_the_drawing():
    drawing = parse_drawing(WHOLE, "mixer.toml")
    assert Drawing.from_json(drawing.to_json()) == drawing


@pytest.mark.parametrize("text", ["", "[]", "{}", '{"drawing": {"unit": 3}}', "{"])
def test_a_damaged_carried_drawing_is_one_of_our_errors(text):
    with pytest.raises(DrawingError):
        Drawing.from_json(text)


def test_all_mistakes_come_at_once_with_line_and_cure():
    mistakes = mistakes_in(
        WHOLE.replace("follows_mains = true", "follow_mains = true")
        .replace('"4k7"', '"4kk7"')
        .replace('kind = "jumper"', 'kind = "wire"')
        .replace('fed_by = ["VP"]', 'fed_by = ["VQ"]')
    )
    assert len(mistakes) == 4
    assert any("mixer.toml: line 21, [[point]] VP, follow_mains: unknown key" in m for m in mistakes)
    assert any("line 28, [[part]] R301, value" in m and '"4k7"' in m for m in mistakes)
    assert any("[[part]] J1, kind: unknown kind 'wire'" in m and "jumper" in m for m in mistakes)
    assert any("line 16, [[point]] +15, fed_by: 'VQ' is no point" in m for m in mistakes)


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ('unit = "eight-channel mixer"', "", "unit: is missing"),
        ('modes = ["PHANTOM OFF", "PHANTOM ON"]', 'modes = ["off", "PHANTOM OFF", "PHANTOM ON"]', '"off" is not'),
        ('modes = ["PHANTOM OFF", "PHANTOM ON"]', 'modes = ["OFF", "PHANTOM OFF", "PHANTOM ON"]', '"off" is not'),
        ("nominal_mains_v = 230", 'nominal_mains_v = "230"', "not a number"),
        ("nominal_mains_v = 230", "nominal_mains_v = 0", "out of range: more than 0"),
        ("{ \"PHANTOM OFF\" = 23.2 }", "{ \"PHONO\" = 23.2 }", "'PHONO' is none of the modes"),
        ("{ \"PHANTOM OFF\" = 23.2 }", "23.2", "not a table of numbers"),
        ('access = "hard"', 'access = "medium"', 'write "easy" or "hard"'),
        ("follows_mains = true", "follows_mains = 1", "neither true nor false"),
        ("weight = 2", "weight = 9", "from 1 to 5"),
        ('nets = ["p15", "0"]', 'nets = ["p15", "lonely"]', "net 'lonely' is used once"),
        ('nets = ["p15", "0"]', 'nets = ["p15"]', "1 are given"),
        ('nets = ["a", "b"]', 'nets = ["a", "b", "0"]', "3 are given"),
        ('value = "4k7"', "", "a resistor needs value"),
        ('net = "p15"', 'net = "p16"', "no part is on net 'p16'"),
        ('name = "J1"', 'name = "R301"', "is there 2 times"),
        ('name = "VP"\n', 'name = "+15"\nleg = "U901 out"\n', "give each a leg of its own"),
        ('"PHANTOM ON" = "a"', '"PHANTOM ON" = "z"', "none of the contacts"),
        ("[[part]]\nname = \"J1\"", "[[parts]]\nname = \"J1\"", "unknown table [parts]"),
        ("[drawing]", "[drawing", "not TOML"),
    ],
)
def test_each_mistake_is_named(old, new, says):
    assert old in WHOLE
    assert any(says in mistake for mistake in mistakes_in(WHOLE.replace(old, new)))


def test_a_drawing_needs_no_network_and_no_points():
    assert parse_drawing('[drawing]\nunit = "x"\nmodes = ["ON"]\n', "x.toml").points == ()


def test_a_tag_finds_its_point_by_name_and_leg():
    legs = WHOLE + '\n[[point]]\nname = "Q1"\nleg = "C"\n\n[[point]]\nname = "Q1"\nleg = "E"\n'
    drawing = parse_drawing(legs, "mixer.toml")
    assert drawing.point("Q1", "E").leg == "E"
    assert drawing.point("q1", "e").leg == "E"
    assert drawing.point("Q1") is None  # which leg?
    assert drawing.point("Q1", "B") is None
    assert drawing.point("VP", "C901+").name == "VP"
    assert drawing.point("nowhere") is None


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("4R7", 4.7),
        ("R47", 0.47),
        ("0R1", 0.1),
        ("4k7", 4700.0),
        ("1k", 1000.0),
        ("1k8", 1800.0),
        ("2M2", 2.2e6),
        ("470", 470.0),
        ("4u7", 4.7e-6),
        ("4µ7", 4.7e-6),
        ("220u", 220e-6),
        ("5n6", 5.6e-9),
        ("10p", 10e-12),
        ("1e3", 1000.0),
        ("4.7k", 4700.0),
    ],
)
def test_the_letter_code_of_iec_60062(text, value):
    """IEC 60062:2016, letter code for resistance and capacitance values (examples from memory)."""
    assert parse_value(text) == pytest.approx(value, rel=1e-12)


@given(st.text(max_size=12))
def test_any_text_is_a_value_or_a_value_error(text):
    with contextlib.suppress(ValueError):
        assert parse_value(text) >= 0


@given(st.sampled_from("Rkmun"), st.integers(0, 999), st.integers(0, 99))
def test_the_letter_stands_where_the_point_would(letter, whole, after):
    factor = {"R": 1.0, "k": 1e3, "m": 1e-3, "u": 1e-6, "n": 1e-9}[letter]
    assert parse_value(f"{whole}{letter}{after:02d}") == pytest.approx((whole + after / 100) * factor)


@given(st.text(max_size=200))
def test_any_text_is_a_drawing_or_a_drawing_error(text):
    try:
        parse_drawing(text, "any.toml")
    except DrawingError as error:
        assert all(line.startswith("any.toml: ") for line in error.mistakes)


def test_every_kind_of_part_can_be_drawn():
    for kind, rule in KINDS.items():
        said = {
            "value": "value = 1\n",
            "closed_in": 'closed_in = ["ON"]\n',
            "contact_in": 'contact_in = { "ON" = "0" }\n',
        }
        needs = "".join(said[key] for key in rule.needs) + ("ohm = 8\n" if rule.needs_one_of else "")
        nets = ["0"] * len(rule.nets)
        text = f'[drawing]\nunit = "x"\nmodes = ["ON"]\n[[part]]\nname = "P"\nkind = "{kind}"\nnets = {nets}\n{needs}'
        assert parse_drawing(text, "x.toml").parts[0].kind == kind
