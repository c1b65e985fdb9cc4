"""Values as they are printed and made: IEC 60062 (letter code) and IEC 60063 (E series)."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.letter_code import letter_code, parse_marking, parse_value
from daemon.preferred_values import SERIES, doubt, e_series, nearest, smallest_series

# IEC 60063:2015, tables 1 and 2 (from memory).
E12 = (1.0, 1.2, 1.5, 1.8, 2.2, 2.7, 3.3, 3.9, 4.7, 5.6, 6.8, 8.2)
E24_ONLY = (1.1, 1.3, 1.6, 2.0, 2.4, 3.0, 3.6, 4.3, 5.1, 6.2, 7.5, 9.1)
E48_FIRST_AND_LAST = (1.00, 1.05, 1.10, 1.15, 1.21, 1.27, 1.33, 1.40), (8.25, 8.66, 9.09, 9.53)
E96_SOME = (1.02, 1.24, 1.47, 1.69, 2.05, 2.26, 2.49, 3.24, 3.57, 4.02, 4.99, 6.04, 7.32, 8.06, 9.76)
E192_SOME = (1.01, 1.04, 1.17, 2.23, 3.05, 4.81, 6.26, 8.98, 9.20, 9.31, 9.42, 9.88)


def test_the_series_are_those_of_the_standard():
    assert e_series(3) == (1.0, 2.2, 4.7)
    assert e_series(6) == (1.0, 1.5, 2.2, 3.3, 4.7, 6.8)
    assert e_series(12) == E12
    assert e_series(24) == tuple(sorted(E12 + E24_ONLY))
    assert e_series(48)[:8] == E48_FIRST_AND_LAST[0] and e_series(48)[-4:] == E48_FIRST_AND_LAST[1]
    assert set(E96_SOME) <= set(e_series(96)) and set(E192_SOME) <= set(e_series(192))
    assert [len(e_series(n)) for n in SERIES] == list(SERIES)


@pytest.mark.parametrize(("fine", "coarse"), [(6, 3), (12, 6), (24, 12), (96, 48), (192, 96)])
def test_each_series_contains_the_coarser_ones_of_its_kind(fine, coarse):
    """IEC 60063: every second value of the next finer one."""
    assert e_series(fine)[::2] == e_series(coarse)


@pytest.mark.parametrize("n", [48, 96, 192])
def test_the_fine_series_are_rounded_powers_of_ten_but_for_one_value(n):
    """IEC 60063: the theoretical 10^(i/n) to three figures; 9.20 of E192 stands where 9.19 would (from memory)."""
    odd = [i for i in range(n) if abs(e_series(n)[i] - 10 ** (i / n)) > 0.005]
    assert odd == ([185] if n == 192 else [])


@pytest.mark.parametrize(
    ("value", "series"),
    [
        *((4700.0, 3), (150.0, 6), (0.39, 12), (5.1e6, 24), (4990.0, 96), (1.05, 48), (9.2, 192)),
        *((4800.0, None), (0.0, None)),
    ],
)
def test_a_value_s_series_is_the_coarsest_that_has_it(value, series):
    assert smallest_series(value) == series


def test_a_value_that_no_part_is_made_in_is_doubted_with_the_nearest_one():
    assert doubt(4800.0) == "4k8 is in none of the E series: did you mean 4k7?"
    assert doubt(4700.0) is None and doubt(0.0) is None and doubt(math.inf) is None
    assert nearest(9.7, 12) == 10.0
    with pytest.raises(ValueError, match="not a positive number"):
        nearest(-1.0, 12)
    with pytest.raises(ValueError, match="E3, E6"):
        e_series(10)


@pytest.mark.parametrize(
    ("text", "value"),
    [
        # IEC 60062:2016, tables of the letter code for resistance and capacitance (examples from memory).
        *(("R10", 0.10), ("R332", 0.332), ("1R0", 1.0), ("33R2", 33.2), ("590R", 590.0), ("1K0", 1e3)),
        *(("5K90", 5.9e3), ("33K2", 33.2e3), ("100K", 1e5), ("590K", 590e3), ("1M0", 1e6), ("3M32", 3.32e6)),
        *(("1G0", 1e9), ("1T0", 1e12), ("p10", 0.1e-12), ("3p32", 3.32e-12), ("590p", 590e-12), ("n15", 0.15e-9)),
        *(("15n", 15e-9), ("332n", 332e-9), ("1µ0", 1e-6), ("5µ90", 5.9e-6), ("33µ2", 33.2e-6), ("590µ", 590e-6)),
        *(("1m0", 1e-3), ("10m", 10e-3)),
    ],
)
def test_the_letter_stands_where_the_decimal_point_would(text, value):
    assert parse_value(text) == pytest.approx(value, rel=1e-12)
    assert parse_marking(text) == (pytest.approx(value, rel=1e-12), None)


@pytest.mark.parametrize(
    ("text", "value", "percent"),
    [
        # IEC 60062:2016, tolerance letters (from memory).
        *(("4K7J", 4700.0, 5.0), ("4K7K", 4700.0, 10.0), ("47KM", 47e3, 20.0), ("590RF", 590.0, 1.0)),
        *(("1M0G", 1e6, 2.0), ("100nK", 1e-7, 10.0), ("R47D", 0.47, 0.5), ("10KB", 1e4, 0.1), ("1K0C", 1e3, 0.25)),
        ("4p7 N", 4.7e-12, 30.0),
    ],
)
def test_a_letter_for_the_tolerance_may_follow(text, value, percent):
    assert parse_marking(text) == (pytest.approx(value), percent)


@pytest.mark.parametrize("text", ["4K7X", "J", "", "K7J7", "4K7JJ"])
def test_what_is_no_marking_is_refused_with_the_cure(text):
    with pytest.raises(ValueError, match="letter code"):
        parse_marking(text)


@given(st.sampled_from(e_series(96)), st.integers(-12, 11))
def test_what_is_written_is_read_again(mantissa, power):
    value = mantissa * 10.0**power
    assert parse_value(letter_code(value)) == pytest.approx(value, rel=1e-9)
