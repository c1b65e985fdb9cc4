"""Long views lose no extreme."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.records import open_session
from daemon.store.codec import Stretch
from daemon.store.overview import Blocks, overview
from tests.benchmarks.long_session import spike, write_long_session
from tests.benchmarks.made_readings import HOUR_US, START_US
from tests.store.conftest import write

# Both ways to the same picture: from the readings, and from the stored envelopes.
both_ways = pytest.mark.parametrize("exact_readings", [10**9, 1000], ids=["readings", "envelopes"])


@both_ways
def test_a_single_spike_and_a_single_dip_are_kept(exact_readings, writer, series, clock, path):
    """One reading in 30,000 either way, in chunks and in the tail."""
    volts = [12.0] * 30_000
    for place, value in ((1234, 15.0), (20_000, 9.0), (29_998, 16.0)):
        volts[place] = value
    write(writer, clock, series, volts)
    writer.commit()
    with open_session(path) as records:
        view = records.overview(series, buckets=50, exact_readings=exact_readings)
    assert len(view.t) <= 50 and not view.exact
    assert np.sort(view.high)[-3:].tolist() == [12.0, 15.0, 16.0] and np.sort(view.low)[:2].tolist() == [9.0, 12.0]
    assert np.all(np.diff(view.t) > 0)


@both_ways
def test_the_ends_of_a_zoom_are_cut_where_asked(exact_readings, writer, series, clock, path):
    """What lies outside does not colour the first and the last bucket."""
    times = write(writer, clock, series, [50.0] * 4000 + [1.0] * 20_000 + [-50.0] * 6000)
    writer.commit()
    with open_session(path) as records:
        view = records.overview(series, times[4000], times[23_999], 20, exact_readings)
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


@pytest.fixture(scope="module")
def hour(tmp_path_factory):
    """An hour of a long session, with one reading unlike all others; its path and all readings of that series."""
    path = tmp_path_factory.mktemp("long") / "hour.session"
    write_long_session(path, hours=1.0, placements=30, captures=2)
    with open_session(path) as records:
        return path, records.tail(spike(1.0).series)


@settings(deadline=None, max_examples=60)
@given(st.floats(0.0, 1.0), st.floats(0.0, 1.0), st.integers(1, 3000), st.sampled_from([None, 0, 10**9]))
def test_every_point_of_every_zoom_tells_its_own_readings_exactly(hour, one, other, buckets, exact_readings):
    """From the whole to single readings, either way: lowest and highest from each point's time to the next one's."""
    path, whole = hour
    start_us, end_us = sorted(START_US + round(share * HOUR_US) for share in (one, other))
    with open_session(path) as records:
        view = records.overview(spike(1.0).series, start_us, end_us, buckets, exact_readings)
    inside = whole.between(start_us, end_us)
    assert len(view.t) <= buckets
    if not len(inside):
        assert len(view.t) == 0
        return
    firsts = np.searchsorted(inside.t, view.t)
    assert firsts[0] == 0 and np.all(np.diff(firsts) > 0)
    assert np.array_equal(view.low, np.minimum.reduceat(inside.v, firsts))
    assert np.array_equal(view.high, np.maximum.reduceat(inside.v, firsts))


@pytest.mark.parametrize("buckets", [1, 7, 2000, 100_000])
def test_one_reading_of_an_hour_is_seen_at_every_zoom_that_holds_it(hour, buckets):
    """Halved again and again around it, down to the reading itself."""
    path, _ = hour
    odd, reach_us = spike(1.0), HOUR_US
    with open_session(path) as records:
        while reach_us:
            view = records.overview(odd.series, odd.t_us - reach_us, odd.t_us + reach_us, buckets)
            assert view.high.max() == odd.value
            reach_us //= 2
    assert view.t.tolist() == [odd.t_us] and view.exact
