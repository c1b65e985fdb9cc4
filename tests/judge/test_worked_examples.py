"""The arithmetic of uncertainty and verdict against examples that others worked out by hand."""

import math

import numpy as np
import pytest

from daemon.judge.expected import Expected, judge
from daemon.judge.placements import Placement, with_accuracy
from daemon.judge.resting import Resting
from daemon.judge.window import Sample

# JCGM 100:2008 (GUM) 4.4.3, table 1: 20 observations of a temperature, degrees Celsius (from memory; they give the
# stated mean, standard deviation and standard deviation of the mean).
GUM_TABLE_1 = (
    *(96.90, 98.18, 98.25, 98.61, 99.03, 99.49, 99.56, 99.74, 99.89, 100.07),
    *(100.33, 100.42, 100.68, 100.95, 101.11, 101.20, 101.57, 101.84, 102.36, 102.72),
)


def resting(values, resolution=0.0):
    return Resting(0, [Sample(number, float(value), resolution) for number, value in enumerate(values)])


def in_chance_order(values):
    """The standard's table is sorted, which readings are not."""
    return np.random.default_rng(1).permutation(values)


def test_type_a_is_that_of_the_gum_s_twenty_temperatures():
    """4.4.3: mean 100.14, s = 1.49, s of the mean 0.33."""
    stay = resting(in_chance_order(GUM_TABLE_1))
    assert stay.count == 20
    assert stay.mean == pytest.approx(100.145, abs=0.005)
    assert stay.sd == pytest.approx(1.489, abs=0.001)
    assert stay.uncertainty == pytest.approx(0.333, abs=0.001)


def test_limits_without_knowledge_are_rectangular_as_in_the_gum():
    """4.4.5: 96 to 104 degrees, u = 4 / sqrt(3) = 2.3. 4.3.7: bounds of 0.40e-6, u = 0.23e-6."""
    assert with_accuracy(Placement(0, 1, 100.0, 0.0, 1, 1), 4.0) == pytest.approx(2.3, abs=0.05)
    assert with_accuracy(Placement(0, 1, 40e-6, 0.0, 1, 1), 1.0) == pytest.approx(0.23e-6, rel=0.01)


def test_the_resolution_of_a_display_is_that_of_the_gum():
    """F.2.2.1: u = 0.29 of the last digit."""
    assert resting([5.0] * 10, resolution=1.0).uncertainty == pytest.approx(0.29, abs=0.002)


def test_the_gauge_of_annex_h_1():
    """H.1.3.2: sd 13 nm of five, 5.8 nm; with the comparator's 3.9 and 6.7 nm 9.7 nm. H.1.4: 32 nm in all."""
    five = 13 * np.array([1.0, -1.0, 1.0, -1.0, 0.0])  # their standard deviation is 13
    assert np.std(five, ddof=1) == pytest.approx(13)
    of_the_mean = resting(five).uncertainty
    assert of_the_mean == pytest.approx(5.8, abs=0.05)
    comparator = math.hypot(of_the_mean, 3.9, 6.7)
    assert comparator == pytest.approx(9.7, abs=0.05)
    # 50 mm, 11.5e-6 a degree: +-0.05 degrees rectangular make 16.6 nm; expansion and 0.1 degrees make 2.9 nm.
    temperature = with_accuracy(Placement(0, 1, 0.05, 0.0, 1, 1), 100.0)
    assert temperature == pytest.approx(0.029, abs=0.0005)
    nm = 50e6 * 11.5e-6 * temperature
    assert nm == pytest.approx(16.6, abs=0.1)
    expansion = 50e6 * 0.1 * with_accuracy(Placement(0, 1, 1e-6, 0.0, 1, 1), 100.0)
    assert expansion == pytest.approx(2.9, abs=0.05)
    assert math.hypot(25.0, comparator, expansion, nm) == pytest.approx(32, abs=0.5)


def test_the_guard_band_leaves_at_most_two_and_a_half_per_cent_at_its_edge():
    """ILAC-G8:09/2019, 4.2.3, table 1: with w = U (k = 2) what is accepted is wrong in less than 2.5 % (one limit)."""
    limit = Expected(10.0, None, 11.0, 1.0, "")
    a = 0.1
    at_the_edge = judge(11.0 - 2 * a / math.sqrt(3) - 1e-9, a, limit)
    assert at_the_edge.verdict == "inside"
    assert 1 - at_the_edge.chance_inside == pytest.approx(0.0228, abs=1e-4)
    just_beyond = judge(11.0 - 2 * a / math.sqrt(3) + 1e-9, a, limit)
    assert just_beyond.verdict == "probably inside"


@pytest.mark.parametrize(
    ("value", "verdict"),
    [(13.61, "inside"), (13.55, "probably inside"), (13.45, "probably outside"), (13.39, "outside")],
)
def test_a_rail_worked_by_hand(value, verdict):
    """15 V, 10 %, a meter of 0.5 % and 2 digits of 10 mV at 14.0 V: a = 0.090 V, U = 0.104 V, from 13.604 to 13.396."""
    rail = Expected(15.0, 13.5, 16.5, 1.5, "")
    assert judge(value, 0.090, rail).verdict == verdict
    assert 2 * 0.090 / math.sqrt(3) == pytest.approx(0.104, abs=5e-4)


def test_scatter_and_limits_of_error_combine_as_a_sum_of_squares():
    """GUM 5.1.2: u_c^2 is the sum of squares. a = 0.03 V and 0.01 V of scatter: U = 2 sqrt(3e-4 + 1e-4) = 0.04 V."""
    limit = Expected(10.0, None, 11.0, 1.0, "")
    assert judge(10.9601, 0.03, limit, type_a=0.01).verdict == "probably inside"
    assert judge(10.9599, 0.03, limit, type_a=0.01).verdict == "inside"
