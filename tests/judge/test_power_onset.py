"""The moment of the power, read off a channel that carries it."""

import numpy as np
import pytest

from daemon.judge.power_onset import power_onset

DT_S = 1e-3


def rail(at_s, peak_v=12.0, noise_v=0.02, seconds=4.0, seed=0):
    """A rail that charges to its volts in some tens of milliseconds."""
    times_s = np.arange(0, seconds, DT_S)
    since_s = np.maximum(times_s - at_s, 0)
    return peak_v * (1 - np.exp(-since_s / 0.03)) + np.random.default_rng(seed).normal(0, noise_v, len(times_s))


@pytest.mark.parametrize("at_s", [0.7, 1.0004, 1.3])
def test_it_is_found_to_some_samples_within_what_was_known(at_s):
    on_s, half_s = power_onset(rail(at_s), DT_S, 1.0, 0.5, 0.0)
    assert on_s == pytest.approx(at_s, abs=3 * DT_S)
    assert half_s == DT_S


def test_inrush_of_alternating_current_counts_either_way():
    times_s = np.arange(0, 4, DT_S)
    current = np.where(times_s >= 1.2, -5 * np.exp(-(times_s - 1.2) / 0.1) * np.sin(2 * np.pi * 50 * times_s), 0.0)
    on_s, _ = power_onset(current + np.random.default_rng(1).normal(0, 0.01, 4000), DT_S, 1.0, 0.5, 0.0)
    assert on_s == pytest.approx(1.2, abs=0.005)


@pytest.mark.parametrize("volts", [rail(9.0), rail(1.0)[:400], np.zeros(4000)])
def test_where_nothing_stands_out_the_other_signs_are_kept(volts):
    assert power_onset(volts, DT_S, 1.0, 0.5, 0.0) is None
