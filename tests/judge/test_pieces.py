"""Traces with gaps between them on one axis of time."""

from dataclasses import replace

import numpy as np
import pytest

from daemon.judge.pieces import examine_pieces, placements
from drivers.readings import Trace

DT_S = 1e-3


def piece(t0_us, values, **more):
    codes = np.asarray(values, dtype=np.int16)
    return replace(Trace(t0_us, DT_S, codes, 0.1, 0.0, "1"), **more)


def test_gaps_are_not_a_number_and_what_was_seen_stands_where_it_was():
    record = placements([piece(1_000_000, [1, 2]), piece(1_004_000, [5, 6], t0_half_width_us=300)])[0]
    np.testing.assert_allclose(record.volts, [0.1, 0.2, np.nan, np.nan, 0.5, 0.6])
    assert (record.t0_us, record.half_width_us) == (1_000_000, 300)


def test_where_two_overlap_as_dated_the_later_one_counts():
    np.testing.assert_allclose(placements([piece(0, [1, 2]), piece(1_000, [7, 8])])[0].volts, [0.1, 0.7, 0.8])


def test_sweeps_do_not_overlap_where_their_times_are_only_known_so_well():
    late = piece(1_000, [7, 8], t0_half_width_us=1_500)
    np.testing.assert_allclose(placements([piece(0, [1, 2]), late])[0].volts, [0.1, 0.2, 0.7, 0.8])


def test_each_piece_lies_anywhere_within_its_half_width():
    first, second = piece(0, [1, 2]), piece(10_000, [7, 8], t0_half_width_us=3_000)
    begins = [int(np.nanargmin(np.abs(record.volts - 0.7))) for record in placements([first, second])]
    assert begins[0] == 10
    assert min(begins) >= 7
    assert max(begins) <= 13
    assert len(set(begins)) > 3


def test_one_trace_is_placed_once():
    assert len(placements([piece(0, [1, 2], t0_half_width_us=3_000)])) == 1


def test_what_was_taken_before_a_knob_was_turned_does_not_count():
    only = placements([piece(0, [1, 2], scale_v=1.0), piece(1_004_000, [5, 6])])
    np.testing.assert_allclose([record.volts for record in only], [[0.5, 0.6]])


@pytest.mark.parametrize(("seen_s", "verdict"), [(0.45, "missing"), (0.02, "not observed")])
def test_silence_in_pieces_is_missing_only_where_the_pieces_would_have_shown_it(seen_s, verdict, waveform):
    """Sweeps every half a second: of 0.45 s the kick cannot hide between them, of 0.02 s it can."""
    healthy, dt_s = waveform("s4_after")
    rng = np.random.default_rng(5)
    times_s = np.arange(0, 4, DT_S)
    flat = np.round(rng.normal(0, 0.3, len(times_s))).astype(int)
    pieces = [
        piece(round(start_s * 1e6), flat[round(start_s / DT_S) :][: round(seen_s / DT_S)])
        for start_s in np.arange(0, 3.6, 0.5)
    ]
    told, _ = examine_pieces(pieces, 1_000_000, 100_000, reference=(healthy, dt_s, 0.0), lsb_v=0.1)
    assert told.verdict == verdict
    assert told.cause == ("dead time" if verdict == "not observed" else "")


def test_a_healthy_kick_whose_tail_fell_into_sweeps_that_are_dated_badly_is_never_called_small():
    """Sweeps of 50 ms every half a second, dated up to 47 ms wrong as their half-widths say: made for this test."""
    dt_s, steps_s = 1e-3, np.arange(0, 0.05, 5e-5)
    times_s = np.arange(0, 4, dt_s)
    healthy = np.where(times_s >= 0.5, 15 * np.exp(-(times_s - 0.5) / 0.15), 0.0)
    said = set()
    for seed in range(4):
        rng = np.random.default_rng(seed)
        pieces = []
        for start_s in np.arange(-0.5, 3, 0.5) + rng.uniform(0, 0.5):
            t0_us = round((start_s + rng.uniform(-0.047, 0.047)) * 1e6)
            volts = np.interp(start_s + steps_s, times_s, healthy, left=0.0) + rng.normal(0, 0.05, len(steps_s))
            pieces.append(
                piece(t0_us, np.round(volts / 0.15), dt_s=5e-5, scale_v=0.15, t0_half_width_us=47_000)
            )
        told, _ = examine_pieces(pieces, 0, 50_000, reference=(healthy, dt_s, 0.0), lsb_v=0.15)
        said |= {told.verdict, *told.also}
    assert said <= {"not observed", "same", "size uncertain"}
