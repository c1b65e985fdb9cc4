"""The 47 log lines of three repairs, played by a careless hand: all are found, with their values, and none invented."""

import math

import pytest

from daemon.judge.placements import find_placements, follow
from daemon.judge.settle import StayDetector
from drivers.readings import Quantity
from tests.judge.careless_hands import other_series, quantity_of, value_of, volts_series

SEEDS = 12


def is_of(placement, played):
    """True where a placement is that line's, with its value; an open path has none."""
    if placement.from_us / 1e6 >= played.to_s or placement.to_us / 1e6 <= played.from_s:
        return False
    if played.value is None:
        return math.isnan(placement.value)
    return abs(placement.value - played.value) <= played.half_width


@pytest.mark.parametrize("name", ["S1", "S2", "S4"])
@pytest.mark.parametrize("seed", range(SEEDS))
def test_every_dc_volt_of_the_log_is_found_within_the_meter_s_accuracy_and_none_is_invented(repairs, name, seed):
    lines = [line for line in repairs[name]["log"] if quantity_of(line) is Quantity.DC_V]
    series, played = volts_series(lines, 1000 * SEEDS + seed)
    for found in (find_placements(series), follow(series, StayDetector())):
        assert [line.line for line in played if not any(is_of(each, line) for each in found)] == []
        assert [each for each in found if not any(is_of(each, line) for line in played)] == []


@pytest.mark.parametrize("name", ["S1", "S2", "S4"])
def test_every_other_line_of_the_log_is_found_too(repairs, name):
    for line in repairs[name]["log"]:
        if quantity_of(line) is Quantity.DC_V:
            continue
        for seed in range(SEEDS):
            series, played = other_series(line, seed)
            found = follow(series, StayDetector.of(quantity_of(line)))
            assert any(is_of(each, played) for each in found), (line["t"], seed, played, found)
            # A lead in the air reads as an open path: whether it is one is for the person's mark to say.
            told = [each for each in found if math.isfinite(each.value)]
            assert all(is_of(each, played) for each in told), (line["t"], seed, played, told)


def test_the_three_logs_have_47_lines_of_which_most_are_dc_volts(repairs):
    lines = [line for repair in repairs.values() for line in repair["log"]]
    assert len(lines) == 47
    assert sum(quantity_of(line) is Quantity.DC_V for line in lines) == 36
    assert all(value_of(line) is not None for line in lines if quantity_of(line) is Quantity.DC_V)
