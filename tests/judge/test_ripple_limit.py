"""Limits that nobody printed: ripple of a reservoir capacitor, and the difference across a part."""

import pytest

from daemon.drawing import parse_drawing
from daemon.judge.across import expect_across
from daemon.judge.expected import Expected, NotCompared, expect, judge
from daemon.judge.ripple_limit import ripple_limit
from drivers.readings import Quantity

SUPPLY = """
[drawing]
unit = "supply"
modes = ["LOW", "HIGH"]
nominal_mains_v = 230
[[point]]
name = "VP"
leg = "C901+"
net = "vp"
printed_v = { LOW = 23.2, HIGH = 23.2 }
follows_mains = true
[[point]]
name = "+15"
net = "p15"
printed_v = { LOW = 15.0, HIGH = 15.0 }
[[point]]
name = "LAMP"
net = "lamp"
printed_v = { LOW = 0.0, HIGH = 23.0 }
[[point]]
name = "MAIN"
ripple_vpp = 0.005
printed_v = { LOW = 0.0, HIGH = 0.0 }
[[part]]
name = "D901"
kind = "diode"
nets = ["ac", "vp"]
[[part]]
name = "T901"
kind = "source"
nets = ["ac", "0"]
value = 25
[[part]]
name = "C901"
kind = "capacitor"
nets = ["vp", "0"]
value = "2200u"
[[part]]
name = "F1"
kind = "fuse"
nets = ["vp", "reg"]
[[part]]
name = "U901"
kind = "regulator"
nets = ["reg", "p15", "0"]
value = 15
[[part]]
name = "L1"
kind = "load"
nets = ["p15", "0"]
current_a = 0.195
[[part]]
name = "S1"
kind = "switch"
nets = ["vp", "lamp"]
closed_in = ["HIGH"]
[[part]]
name = "L2"
kind = "load"
nets = ["lamp", "0"]
ohm = 230
"""
DRAWING = parse_drawing(SUPPLY, "supply.toml")


def limit(name, mode="LOW", drawing=DRAWING):
    return ripple_limit(drawing.point(name), mode, drawing)


def test_a_reservoir_s_limit_is_the_load_s_charge_in_half_a_period():
    """I / (2 f C) = 0.195 A / (100 Hz x 2200 uF) = 0.886 V (worked by hand)."""
    assert limit("VP").vpp == pytest.approx(0.195 / (100 * 2200e-6))
    assert limit("VP").because == "195 mA / (2 x 50 Hz x 2200 uF)"


def test_a_load_behind_a_switch_counts_in_the_modes_in_which_it_is_closed():
    """0.1 A more through 230 ohm at 23.0 V."""
    assert limit("VP", "HIGH").vpp == pytest.approx(0.295 / (100 * 2200e-6))


def test_mains_of_120_v_is_taken_for_60_hz():
    drawing = parse_drawing(SUPPLY.replace("nominal_mains_v = 230", "nominal_mains_v = 120"), "supply.toml")
    assert limit("VP", drawing=drawing).vpp == pytest.approx(0.195 / (120 * 2200e-6))


def test_what_is_printed_counts_more_and_other_points_have_no_limit():
    assert (limit("MAIN").vpp, limit("MAIN").because) == (0.005, "printed")
    assert limit("+15") is None and limit("LAMP") is None
    bare = parse_drawing(SUPPLY.replace('name = "C901"\nkind = "capacitor"', 'name = "C901"\nkind = "resistor"'), "x")
    assert limit("VP", drawing=bare) is None


def test_ripple_is_judged_against_it_and_says_how_it_was_worked_out():
    point = DRAWING.point("VP")
    expected = expect(point, "LOW", "direct", 230.0, DRAWING, quantity=Quantity.RIPPLE)
    assert judge(0.77, 0.02, expected).verdict == "inside"
    verdict = judge(12.07, 0.3, expected)
    assert verdict.verdict == "outside" and verdict.low is None
    assert verdict.compared_with == "at most 0.8864 Vpp ripple at VP (C901+): 195 mA / (2 x 50 Hz x 2200 uF)"


def test_ripple_read_with_the_ac_function_is_held_against_a_sawtooth():
    """A sawtooth has 1 / sqrt(12) of its peak to peak rms (Fourier series)."""
    expected = expect(DRAWING.point("VP"), "LOW", "direct", 230.0, DRAWING, quantity=Quantity.AC_V)
    assert isinstance(expected, Expected)
    assert expected.high == pytest.approx(0.8864 / 3.4641, rel=1e-3)
    assert "as a sawtooth 0.2559 V rms" in expected.compared_with


LEGS = parse_drawing(
    """
[drawing]
unit = "amplifier"
modes = ["PHONO", "AUX"]
[[point]]
name = "V24S"
leg = "R703 upstream leg"
printed_v = { PHONO = 23.4, AUX = 0.0 }
tolerance_percent = 5
[[point]]
name = "VPH"
leg = "R703 downstream leg, C704+"
printed_v = { PHONO = 21.7 }
""",
    "amplifier.toml",
)


@pytest.mark.parametrize(
    ("value", "verdict"), [(1.7, "inside"), (-1.7, "inside"), (14.26, "outside"), (-14.26, "outside")]
)
def test_the_difference_across_a_part_is_that_of_its_legs_either_way_round(value, verdict):
    """23.4 - 21.7 = 1.7 V; 5 % and 10 % are 1.17 and 2.17 V, together 2.47 V."""
    expected = expect_across("R703", value, "PHONO", "direct", None, LEGS)
    assert abs(expected.value) == pytest.approx(1.7)
    assert expected.tolerance_v == pytest.approx(2.465, abs=0.001)
    assert judge(value, 0.01, expected).verdict == verdict
    assert "1.7 V across R703" in expected.compared_with


def test_nothing_is_expected_across_a_part_of_a_unit_that_is_not_as_drawn():
    expected = expect_across("R703", 1.7, "PHONO", "direct", None, LEGS, "R5 is lifted")
    assert expected == NotCompared("R5 is lifted: the drawing's volts are not to be expected")


def test_two_points_may_be_named_for_it():
    expected = expect_across("VPH - V24S", 1.0, "PHONO", "direct", None, LEGS)
    assert expected.value == pytest.approx(1.7)


@pytest.mark.parametrize(
    ("part", "mode", "condition", "why"),
    [
        ("R999", "PHONO", "direct", "does not tell both legs of R999"),
        ("VPH - X", "PHONO", "direct", "does not tell both legs"),
        ("R703", "AUX", "direct", "no value printed for VPH"),
        ("R703", "PHONO", "series lamp 60 W", "through the lamp"),
    ],
)
def test_what_cannot_be_expected_says_why(part, mode, condition, why):
    expected = expect_across(part, 1.0, mode, condition, None, LEGS)
    assert isinstance(expected, NotCompared) and why in expected.why
