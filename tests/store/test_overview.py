"""Long views lose no extreme."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.records import open_session
from daemon.store.codec import Stretch
from daemon.store.overview import Blocks, overview
from tests.store.conftest import write


@pytest.fixture(params=["exact", "envelopes"])
def way(request, monkeypatch):
    """Both ways to the same picture: from the readings, and from the stored envelopes."""
    monkeypatch.setattr("daemon.records.EXACT_READINGS", 10**9 if request.param == "exact" else 1000)


@pytest.mark.usefixtures("way")
def test_a_single_spike_and_a_single_dip_are_kept(writer, series, clock, path):
    """One reading in 30,000 either way, in chunks and in the tail."""
    volts = [12.0] * 30_000
    for place, value in ((1234, 15.0), (20_000, 9.0), (29_998, 16.0)):
        volts[place] = value
    write(writer, clock, series, volts)
    writer.commit()
    with open_session(path) as records:
        view = records.overview(series, buckets=50)
    assert len(view.t) <= 50 and not view.exact
    assert np.sort(view.high)[-3:].tolist() == [12.0, 15.0, 16.0] and np.sort(view.low)[:2].tolist() == [9.0, 12.0]
    assert np.all(np.diff(view.t) > 0)


@pytest.mark.usefixtures("way")
def test_the_ends_of_a_zoom_are_cut_where_asked(writer, series, clock, path):
    """What lies outside does not colour the first and the last bucket."""
    times = write(writer, clock, series, [50.0] * 4000 + [1.0] * 20_000 + [-50.0] * 6000)
    writer.commit()
    with open_session(path) as records:
        view = records.overview(series, times[4000], times[23_999], buckets=20)
    assert (view.low.min(), view.high.max()) == (1.0, 1.0) and view.mean.tolist() == pytest.approx([1.0] * 20)


def test_few_readings_come_as_they_are(writer, series, clock, path):
    times = write(writer, clock, series, [1.0, float("nan"), 3.0])
    writer.commit()
    with open_session(path) as records:
        view = records.overview(series, buckets=3)
        assert view.exact and view.t.tolist() == times
        assert view.low.tolist()[::2] == view.high.tolist()[::2] == view.mean.tolist()[::2] == [1.0, 3.0]
        assert np.isnan(view.mean[1])
        assert len(records.overview(series, times[-1] + 1, None).t) == 0


@given(
    st.lists(st.one_of(st.floats(-1e6, 1e6), st.just(float("nan"))), min_size=1, max_size=200),
    st.integers(1, 30),
    st.integers(1, 1000),
)
def test_the_buckets_are_those_of_a_plain_loop(values, buckets, step_us):
    t = np.cumsum(np.full(len(values), step_us, np.int64))
    v = np.array(values)
    stretch = Stretch(t, v, np.zeros(len(v), np.uint8))
    view = overview(Blocks.of_readings(stretch), int(t[0]), int(t[-1]), buckets)
    assert len(view.t) <= max(buckets, 0) or len(values) <= buckets
    bounds = [*np.searchsorted(t, view.t).tolist(), len(t)]
    for k in range(len(view.t)):
        inside = [x for x in values[bounds[k] : bounds[k + 1]] if x == x]
        if not inside:
            assert np.isnan([view.low[k], view.high[k], view.mean[k]]).all()
        else:
            assert (view.low[k], view.high[k]) == (min(inside), max(inside))
            assert view.mean[k] == pytest.approx(sum(inside) / len(inside), abs=1e-6)


def test_the_tail_follows_a_running_session_without_doubles_or_gaps(writer, series, clock, path):
    """Also over the moment when the tail is sealed into a chunk."""
    seen, after_us, sent = [], -1, []
    with open_session(path) as records:
        for turn in range(12):
            sent += write(writer, clock, series, [float(turn)] * 1500)
            writer.commit()
            fresh = records.tail(series, after_us)
            seen += fresh.t.tolist()
            after_us = seen[-1]
    assert seen == sent
