"""Traces with gaps between them on one axis of time."""

from dataclasses import replace

import numpy as np
import pytest

from daemon.judge.pieces import joined
from daemon.judge.switch_on import judge_switch_on
from drivers.readings import Trace

DT_S = 1e-3


def piece(t0_us, values, **more):
    codes = np.asarray(values, dtype=np.int16)
    return replace(Trace(t0_us, DT_S, codes, 0.1, 0.0, "1"), **more)


def test_gaps_are_not_a_number_and_what_was_seen_stands_where_it_was():
    record = joined([piece(1_000_000, [1, 2]), piece(1_004_000, [5, 6], t0_half_width_us=300)])
    np.testing.assert_allclose(record.volts, [0.1, 0.2, np.nan, np.nan, 0.5, 0.6])
    assert (record.t0_us, record.half_width_us) == (1_000_000, 300)


def test_where_two_overlap_the_later_one_counts():
    np.testing.assert_allclose(joined([piece(0, [1, 2]), piece(1_000, [7, 8])]).volts, [0.1, 0.7, 0.8])


def test_what_was_taken_before_a_knob_was_turned_does_not_count():
    record = joined([piece(0, [1, 2], scale_v=1.0), piece(1_004_000, [5, 6])])
    np.testing.assert_allclose(record.volts, [0.5, 0.6])


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
    record = joined(pieces)
    told = judge_switch_on(
        record.volts, DT_S, on_s=1.0, on_uncertainty_s=0.1, reference=(healthy, dt_s, 0.0), lsb_v=0.1
    )
    assert told.verdict == verdict
    assert told.cause == ("dead time" if verdict == "not observed" else "")
