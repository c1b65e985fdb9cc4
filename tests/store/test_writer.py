"""What the one writer promises."""

import math
import os
import random
import sqlite3

import pytest

from daemon.records import open_session
from daemon.store import schema
from daemon.store.lock import lock_path
from daemon.store.writer import SessionWriter
from drivers.errors import SessionBusy, SessionError, StoreFull
from drivers.readings import Quantity
from tests.store.conftest import full_disk, stay, write


def rows(path, query):
    sql = sqlite3.connect(f"file:{path}?mode=ro", uri=True)
    try:
        return sql.execute(query).fetchall()
    finally:
        sql.close()


def test_a_tie_and_a_step_back_are_moved_one_microsecond_on(writer, series):
    """Order never goes back within a series; the time kept is told."""
    kept = [writer.append(series, t_us, 1.0, 0) for t_us in (1000, 1000, 400, 1001, 2000)]
    assert kept == [1000, 1001, 1002, 1003, 2000]


def test_the_order_of_times_outlives_a_restart(path, clock):
    with SessionWriter.create(path, clock, {}) as writer:
        writer.append(writer.series("meter", "", Quantity.DC_V), 5000, 1.0, 0)
    with SessionWriter.resume(path, clock) as writer:
        assert writer.append(writer.series("meter", "", Quantity.DC_V), 4000, 1.0, 0) == 5001


def test_nothing_is_seen_before_a_commit_and_everything_after(writer, series, clock, path):
    """Readings, events, placements and contexts ride in the same commit."""
    write(writer, clock, series, [1.0, math.nan])
    writer.add_event(clock.now_us(), "note", "hm")
    stay(writer, clock.now_us())
    writer.set_context("mode", "PLAY", clock.now_us())
    with open_session(path) as records:
        assert [len(records.readings()), len(records.events()), len(records.placements())] == [0, 0, 0]
        writer.commit()
        assert [len(records.readings()), len(records.events()), len(records.placements())] == [2, 1, 1]
        assert records.readings()["value"].isna().tolist() == [False, True]


def test_a_full_series_is_sealed_in_the_commit_that_fills_it(writer, series, clock, path):
    """8,192 readings make a chunk; what is over stays in the tail."""
    write(writer, clock, series, [1.0] * (2 * schema.CHUNK_READINGS + 3))
    writer.commit()
    assert rows(path, "SELECT n FROM chunk") == [(schema.CHUNK_READINGS,)] * 2
    assert rows(path, "SELECT sum(n) FROM tail") == [(3,)]


def test_a_slow_series_is_sealed_when_an_hour_old(writer, series, clock, path):
    write(writer, clock, series, [1.0] * 5)
    writer.commit()
    assert rows(path, "SELECT count(*) FROM chunk") == [(0,)]
    clock.turn(3600)
    writer.commit()
    assert rows(path, "SELECT n FROM chunk") == [(5,)] and rows(path, "SELECT * FROM tail") == []


def test_a_full_disk_loses_nothing_and_storing_goes_on_when_there_is_room(writer, series, clock, path):
    """SQLITE_FULL at SQLite's own ceiling; events and placements wait too."""
    write(writer, clock, series, [1.0] * 10)
    writer.commit()
    with full_disk(writer):
        times = write(writer, clock, series, [2.0] * 5000)
        writer.add_event(clock.now_us(), "storing stopped", "no room")
        placement = stay(writer, times[0], times[-1])
        for _ in range(3):
            with pytest.raises(StoreFull, match="disk is full"):
                writer.commit()
        with open_session(path) as records:
            assert len(records.readings()) == 10 and len(records.events()) == 0
    write(writer, clock, series, [3.0])
    writer.commit()
    with open_session(path) as records:
        frame = records.readings()
        assert frame["value"].tolist() == [1.0] * 10 + [2.0] * 5000 + [3.0]
        assert records.events()["kind"].tolist() == ["storing stopped"]
        assert len(records.readings(placement=placement)) == 5000


def test_a_close_on_a_full_disk_can_be_tried_again(writer, series, clock, path):
    noise = random.Random(3)
    write(writer, clock, series, [noise.random() for _ in range(5000)])  # too much for half-empty pages
    with full_disk(writer), pytest.raises(StoreFull):
        writer.close()
    writer.close()
    with open_session(path) as records:
        assert len(records.readings()) == 5000 and records.meta["closed_us"]


def test_close_leaves_one_file_that_needs_no_other(writer, series, clock, path, tmp_path):
    write(writer, clock, series, [1.0] * 100)
    writer.close()
    writer.close()
    assert list(tmp_path.iterdir()) == [path]
    assert rows(path, "PRAGMA journal_mode") == [("delete",)]
    assert rows(path, "SELECT count(*) FROM tail") == [(0,)]


def test_close_while_a_reader_has_the_file_open_still_leaves_all_in_it(writer, series, clock, path, tmp_path):
    """A dashboard that looks at the session must not keep the daemon from ending."""
    write(writer, clock, series, [1.0] * 100)
    with open_session(path) as records:
        writer.close()
        assert len(records.readings()) == 100
    copy = tmp_path / "copy.session"
    copy.write_bytes(path.read_bytes())
    with open_session(copy) as records:
        assert len(records.readings()) == 100


def test_only_one_process_writes(writer, path, clock):
    with pytest.raises(SessionBusy, match=rf"process {os.getpid()}\) is writing"):
        SessionWriter.resume(path, clock)
    writer.close()
    SessionWriter.resume(path, clock).close()


def test_a_lock_file_that_a_dead_process_left_is_in_nobodys_way(path, clock):
    SessionWriter.create(path, clock, {}).close()
    lock_path(path).write_text("999999999")
    SessionWriter.resume(path, clock).close()


def test_a_new_session_never_takes_the_place_of_an_old_one(path, clock):
    SessionWriter.create(path, clock, {"unit": "first"}).close()
    with pytest.raises(SessionError, match="exists already"):
        SessionWriter.create(path, clock, {"unit": "second"})
    with open_session(path) as records:
        assert records.meta["unit"] == "first"


def test_a_new_session_in_no_folder_is_refused_in_words(tmp_path, clock):
    with pytest.raises(SessionError, match="nowhere"):
        SessionWriter.create(tmp_path / "nowhere" / "a.session", clock, {})


def test_resume_after_a_hard_end_rebuilds_the_tail_and_ends_open_placements(path, clock):
    """An open placement ends with the last reading of its own input, not with the restart."""
    writer = SessionWriter.create(path, clock, {})
    series = writer.series("meter", "", Quantity.DC_V)
    placement = stay(writer, clock.now_us(), point="A")
    times = write(writer, clock, series, [1.0] * 7)
    writer.append(writer.series("mains", "", Quantity.MAINS), clock.now_us() + 10**6, 230.0, 0)
    writer.commit()
    write(writer, clock, series, [9.0])  # never committed: lost with the process
    writer.abandon()
    clock.turn(3 * 86_400)
    with SessionWriter.resume(path, clock) as writer:
        assert writer.placement(placement)["t1"] == times[-1]
        write(writer, clock, writer.series("meter", "", Quantity.DC_V), [2.0])
    with open_session(path) as records:
        assert records.readings("dc_v")["value"].tolist() == [1.0] * 7 + [2.0]
        assert records.readings(placement=placement)["value"].tolist() == [1.0] * 7
    assert rows(path, "SELECT DISTINCT segment FROM clock") == [(0,), (1,)]


def test_a_correction_keeps_what_was_there_before_and_can_be_taken_back(writer, clock, path):
    placement = stay(writer, clock.now_us(), clock.now_us() + 10, point="A", leg="c", mode="PLAY")
    writer.correct_placement(placement, 111, "wrong leg", leg="e", mode="PLAY")
    writer.correct_placement(placement, 222, "slip", struck=True)
    writer.correct_placement(placement, 333, "undo", struck=False)
    writer.correct_placement(placement, 444, "the same again", struck=False)
    writer.commit()
    with open_session(path) as records:
        changes = records.changes()
        assert changes["before"].tolist() == [{"leg": "c", "mode": "PLAY"}, {"struck": 0}, {"struck": 1}]
        assert changes["after"].tolist() == [{"leg": "e", "mode": "PLAY"}, {"struck": 1}, {"struck": 0}]
        assert changes["t_us"].tolist() == [111, 222, 333]
        assert records.placements()["struck"].tolist() == [False]


def test_facts_and_opinions_cannot_be_set_through_the_wrong_method(writer, clock):
    placement = stay(writer, clock.now_us())
    with pytest.raises(TypeError, match="point cannot be set"):
        writer.set_placement(placement, point="B")
    with pytest.raises(TypeError, match="value cannot be set"):
        writer.correct_placement(placement, 1, "", value=3.0)


def test_a_row_that_no_table_takes_is_named_and_does_not_hold_up_the_others(writer, series, clock, path):
    placement = stay(writer, clock.now_us())
    writer.set_placement(placement, count=None)
    writer.add_event(5, "note", "\ud800 half a letter")
    write(writer, clock, series, [1.0])
    for _ in range(2):
        with pytest.raises(SessionError, match="could not be kept"):
            writer.commit()
    writer.commit()
    with open_session(path) as records:
        assert len(records.readings()) == 1 and len(records.placements()) == 1


def test_numbers_that_json_does_not_know_become_null(writer, path):
    writer.add_event(1, "objection", "", {"placement": 1, "expected": [math.nan, math.inf, 1.5]})
    writer.commit()
    with open_session(path) as records:
        assert records.events()["data"][0] == {"placement": 1, "expected": [None, None, 1.5]}


def test_a_context_ends_where_the_next_begins_and_the_same_again_is_no_change(writer, clock, path):
    for t_us, value in ((100, "A"), (200, "A"), (300, "B"), (250, "C")):
        writer.set_context("mode", value, t_us)
    writer.set_context("hypothesis", "dry joint", 300)
    writer.commit()
    assert writer.context == {"mode": "C", "hypothesis": "dry joint"}
    with open_session(path) as records:
        frame = records.contexts()
    assert frame["value"].tolist() == ["A", "B", "C", "dry joint"]
    assert frame["t1_us"].fillna(-1).tolist() == [300, 300, -1, -1]


class DriftingClock:
    """A hand clock whose machine gets its wall clock set."""

    def __init__(self, clock):
        self._clock, self.drift = clock, 0

    def __getattr__(self, name):
        return getattr(self._clock, name)

    def drift_us(self):
        return self.drift


def test_the_clocks_are_tied_every_ten_seconds_and_steps_are_noted(path, clock):
    """More than 50 ms is a step, more than 2 s a new segment; nothing is re-stamped."""
    moved = DriftingClock(clock)
    with SessionWriter.create(path, moved, {}) as writer:
        for drift, pause_s in ((0, 9), (0, 1), (40_000, 5), (60_000, 0), (9_000_000, 0)):
            moved.drift = drift
            clock.turn(pause_s)
            writer.commit()
    assert [kind for (kind,) in rows(path, "SELECT kind FROM clock")] == ["start", "tick", "step", "segment", "close"]
    wall = rows(path, "SELECT wall_ns - mono_ns FROM clock WHERE kind = 'segment'")
    assert wall == [(9_000_000_000,)]


def test_meta_is_remembered(path, clock):
    with SessionWriter.create(path, clock, {"unit": "mixer"}) as writer:
        writer.set_meta("serial", "17")
        assert writer.meta("serial") == "17" and writer.meta("colour") is None
    with SessionWriter.resume(path, clock) as writer:
        assert (writer.meta("unit"), writer.meta("serial")) == ("mixer", "17")
