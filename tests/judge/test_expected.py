import math

import pytest
from scipy import stats

from daemon.drawing import Drawing, Point
from daemon.judge.expected import Expected, NotCompared, expect, judge
from drivers.readings import Accuracy, Quantity

DRAWING = Drawing("amplifier", ("PHONO", "AUX"), nominal_mains_v=230)
RAIL = Point("V", printed_v={"PHONO": 15.0, "AUX": 0.0})
RAW = Point("RAW", printed_v={"PHONO": 36.5}, follows_mains=True)


def at(point, value, *, a=0.0, mains_v=None, mode="PHONO", condition="direct", **more):
    return judge(value, a, expect(point, mode, condition, mains_v, DRAWING, **more))


def test_limits_of_error_become_a_standard_uncertainty_as_in_the_gum():
    """JCGM 100:2008 (GUM) 4.3.7: a rectangular distribution of half width a has u = a / sqrt(3).

    0.5 % of 14.0 V and 2 digits of 10 mV: a = 0.090 V, U = 2 u = 0.104 V.
    """
    half_width = Accuracy(percent_reading=0.5).half_width(14.0, 0.0) + 2 * 0.010
    assert half_width == pytest.approx(0.090)
    assert 2 * half_width / math.sqrt(3) == pytest.approx(0.104, abs=5e-4)
    assert half_width / math.sqrt(3) == pytest.approx(stats.uniform(-0.090, 0.180).std())


@pytest.mark.parametrize(
    ("value", "verdict"),
    [
        (15.0, "inside"),
        (13.605, "inside"),
        (13.603, "probably inside"),
        (13.501, "probably inside"),
        (13.499, "probably outside"),
        (13.397, "probably outside"),
        (13.395, "outside"),
        (16.395, "inside"),
        (16.61, "outside"),
    ],
)
def test_the_guard_band_is_that_of_ilac_g8(value, verdict):
    """ILAC-G8:09/2019, 4.2.3, guard band w = U. 15 V, 10 %, U = 0.104 V: inside from 13.604, outside below 13.396."""
    assert at(RAIL, value, a=0.090).verdict == verdict


@pytest.mark.parametrize(("z", "chance"), [(0.0, 0.5), (0.84, 0.80), (1.28, 0.90), (1.64, 0.95), (2.33, 0.99)])
def test_the_chance_of_conformity_is_that_of_jcgm_106(z, chance):
    """JCGM 106:2012, 7.2 and table 1 (from memory): p = Phi(z), z = (limit - y) / u, for one limit."""
    limit = Expected(15.0, None, 16.5, 1.5, "")
    a = 0.1
    assert judge(16.5 - z * a / math.sqrt(3), a, limit).chance_inside == pytest.approx(chance, abs=0.003)


def test_the_chance_inside_two_limits_agrees_with_scipy():
    """scipy.stats.norm is the reference."""
    a, y = 0.4, 13.7
    own = at(RAIL, y, a=a).chance_inside
    normal = stats.norm(y, a / math.sqrt(3))
    assert own == pytest.approx(normal.cdf(16.5) - normal.cdf(13.5), rel=1e-9)


def test_scatter_of_the_reading_widens_the_uncertainty():
    expected = expect(RAIL, "PHONO", "direct", None, DRAWING)
    alone, scattering = judge(13.55, 0.05, expected), judge(13.7, 0.05, expected, type_a=0.2)
    assert (alone.verdict, scattering.verdict) == ("probably inside", "probably inside")
    assert judge(13.7, 0.05, expected).verdict == "inside"


def test_a_point_that_follows_the_mains_is_scaled_and_says_so():
    """36.5 V at 237 V on a 230 V drawing is 37.61 V."""
    judgement = at(RAW, 37.4, mains_v=237.0)
    assert judgement.expected == pytest.approx(36.5 * 237 / 230)
    assert judgement.compared_with.startswith("36.5 V printed for RAW x mains 237/230 = 37.61 V, 10 %")


def test_mains_that_nobody_measures_widens_the_tolerance_by_its_own_spread():
    """230 V +-10 % (IEC 60038) as a rectangular distribution: 10 / sqrt(3) = 5.8 %."""
    judgement = at(RAW, 36.5)
    assert judgement.high == pytest.approx(36.5 * 1.158)
    assert "mains is not measured" in judgement.compared_with


def test_a_regulated_point_does_not_follow_the_mains():
    assert at(RAIL, 15.0, mains_v=250.0).expected == 15.0


def test_the_meter_in_hand_loads_the_point_otherwise_than_the_drawings():
    """Voltage divider: 100 kohm source, 1 Mohm in hand against 10 Mohm printed: x (1/1.1) / (10/10.1)."""
    point = Point("B", printed_v={"PHONO": 1.0}, source_ohm=1e5)
    judgement = at(point, 0.918, meter_ohm=1e6)
    assert judgement.expected == pytest.approx((1 / 1.1) / (10 / 10.1))
    assert "loading 0.918" in judgement.compared_with


def test_a_printed_zero_has_an_absolute_tolerance_and_says_which():
    """An output printed 0 V is let pass up to 50 mV: common practice, no source."""
    assert at(RAIL, 0.03, mode="AUX").verdict == "inside"
    judgement = at(RAIL, 0.08, mode="AUX")
    assert (judgement.verdict, judgement.low, judgement.high) == ("outside", -0.05, 0.05)
    assert "common practice" in judgement.compared_with


def test_ripple_has_only_an_upper_limit():
    point = Point("-15", ripple_vpp=0.005)
    assert at(point, 0.0001, quantity=Quantity.RIPPLE).verdict == "inside"
    judgement = at(point, 3.76, a=0.1, quantity=Quantity.RIPPLE)
    assert (judgement.verdict, judgement.low, judgement.high) == ("outside", None, 0.005)


@pytest.mark.parametrize(
    ("condition", "mode", "quantity", "why"),
    [
        ("series lamp 60 W", "PHONO", Quantity.DC_V, "fed through the lamp: printed values do not hold"),
        ("variable transformer at 90 V", "PHONO", Quantity.DC_V, "variable transformer"),
        ("off", "PHONO", Quantity.DC_V, "not fed"),
        ("direct", "off", Quantity.DC_V, "the unit is off"),
        ("direct", "TAPE", Quantity.DC_V, "no value printed for V in TAPE"),
        ("direct", "PHONO", Quantity.AC_V, "prints DC volts"),
        ("direct", "PHONO", Quantity.RIPPLE, "no ripple limit"),
        ("battery", "PHONO", Quantity.DC_V, "only believed with direct or isolation"),
    ],
)
def test_what_is_not_compared_says_why(condition, mode, quantity, why):
    judgement = at(RAIL, 15.0, condition=condition, mode=mode, quantity=quantity)
    assert judgement.verdict == "not compared"
    assert why in judgement.compared_with


def test_a_point_that_is_not_on_the_drawing_is_not_compared():
    assert isinstance(expect(None, "PHONO", "direct", None, DRAWING), NotCompared)


def test_an_overload_is_not_compared():
    assert at(RAIL, math.nan).verdict == "not compared"


def test_a_meter_without_stated_accuracy_is_taken_as_exact_and_that_is_said():
    judgement = at(RAIL, 13.5)
    assert (judgement.verdict, judgement.chance_inside) == ("inside", 1.0)
    assert judgement.compared_with.endswith("meter taken as exact")
    assert set(judgement.as_dict()) == {"verdict", "expected", "low", "high", "chance_inside", "compared_with"}


def test_a_unit_that_is_not_as_drawn_is_not_compared_and_says_so():
    judgement = at(RAIL, 15.0, altered="R5 is lifted")
    assert (judgement.verdict, judgement.expected, judgement.chance_inside) == ("not compared", None, None)
    assert judgement.compared_with == "R5 is lifted: the drawing's volts are not to be expected"
    limited = Point("MAIN", ripple_vpp=0.005, printed_v={"PHONO": 0.0})
    ripple = expect(limited, "PHONO", "direct", None, DRAWING, quantity=Quantity.RIPPLE, altered="R5 is lifted")
    assert isinstance(ripple, NotCompared) and ripple.why.startswith("R5 is lifted")


@pytest.mark.parametrize(
    ("more", "why"),
    [
        ({"mode": "off"}, "the unit is off"),
        ({"condition": "series lamp 60 W"}, "fed through the lamp"),
        ({"quantity": Quantity.OHM}, "this is ohm"),
        ({"mode": "TAPE"}, "no value printed"),
    ],
)
def test_what_has_no_verdict_in_a_unit_as_drawn_keeps_its_own_reason(more, why):
    assert why in at(RAIL, 15.0, altered="R5 is lifted", **more).compared_with
