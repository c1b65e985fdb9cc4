"""The store's benchmark in the small: all four tell the same, and a false answer is noticed. Nothing is timed here."""

import math

import numpy as np
import pytest

from daemon.records import open_session
from tests.benchmarks import store
from tests.benchmarks.contenders import made, small_commits
from tests.benchmarks.long_session import SPIKE, spike, write_long_session
from tests.benchmarks.made_readings import START_US


def test_every_question_has_its_figures_and_every_figure_is_a_number():
    figures = store.measured(0.05, 4, 1, 4)
    assert len(figures) == 6 * 3 + 3
    assert all(math.isfinite(figure.value) and figure.value > 0 for figure in figures)
    assert sum("told" in figure.goal for figure in figures) == 11


@pytest.fixture
def four(tmp_path):
    data = made(0.05, 4)
    with store.all_four(tmp_path, data) as four:
        yield four, data


def test_a_reading_that_one_of_them_lost_is_noticed(four):
    contenders, data = four
    store.prove_equal(contenders, data)
    last = "(SELECT max(t) FROM reading WHERE series = 2)"
    contenders["plain rows"]._sql.execute(f"DELETE FROM reading WHERE series = 2 AND t = {last}")
    with pytest.raises(AssertionError):
        store.prove_equal(contenders, data)


def test_an_extreme_that_a_view_lost_is_noticed(four, monkeypatch):
    contenders, data = four
    view = type(contenders["DuckDB"]).view

    def flattened(self, start_us, end_us):
        columns = view(self, start_us, end_us)
        columns["high"][7] -= 1.0
        return columns

    monkeypatch.setattr(type(contenders["DuckDB"]), "view", flattened)
    with pytest.raises(AssertionError):
        store.prove_equal(contenders, data)


def test_small_commits_are_fifty_readings_each_and_nothing_is_left_out():
    commits = small_commits(made(0.05, 4), 200)
    counts = [len(columns["t"]) for columns in commits]
    assert min(counts) >= 45 and max(counts) <= 55 and sum(counts) == pytest.approx(200 * 50, abs=10)
    assert all(np.all(np.diff(columns["t"]) >= 0) for columns in commits)


def test_the_long_session_is_the_same_each_time_and_has_its_spike_and_its_counts(tmp_path):
    for name in ("a.session", "b.session"):
        write_long_session(tmp_path / name, hours=0.2, placements=30, captures=9)
    odd = spike(0.2)
    assert spike(72.0) == SPIKE and START_US < SPIKE.t_us < START_US + 72 * 3_600_000_000
    with open_session(tmp_path / "a.session") as one, open_session(tmp_path / "b.session") as other:
        assert (len(one.placements()), len(one.captures()), len(one.losses())) == (30, 9, 0)
        for number in one.series()["id"]:
            left, right = one.tail(number), other.tail(number)
            assert np.array_equal(left.t, right.t) and np.array_equal(left.v, right.v)
        readings = one.tail(odd.series)
    assert readings.t[readings.v == odd.value].tolist() == [odd.t_us] and np.sort(readings.v)[-2] < 13.0
