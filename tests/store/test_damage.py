"""Every named corruption is a named error with its cure, or a session in part that says what is missing."""

import os
import re
import sqlite3
import tempfile
import traceback
from pathlib import Path

import numpy as np
import pytest

from daemon.export import export
from daemon.records import list_sessions, open_session
from daemon.store import schema
from daemon.store.writer import SessionWriter
from daemon.timeline import timeline_text
from drivers.errors import DamagedSession, NewerSession, NotASession, SessionBusy, SessionError
from tests.store import damage
from tests.store.damage import CAPTURES, PARTIAL, PARTIAL_OPEN, REFUSED, say

FORMAT = (Path(schema.__file__).parent / "FORMAT.md").read_text()
KINDS = {"a newer version": NewerSession}
KINDS |= dict.fromkeys(("no file", "a folder", "an empty file", "no database"), NotASession)
KINDS["another program's database"] = NotASession
ELSEWHERE = {"a torn envelope", "torn JSON", "a missing log", "a torn log", "written by another daemon"}
ELSEWHERE |= {"held by another program", "a folder that cannot be written"}


@pytest.fixture
def sound(path, clock):
    return damage.closed_session(path, clock)


@pytest.fixture
def left_open(path, clock):
    return damage.open_session_files(path, clock)


def test_the_table_names_exactly_the_corruptions_that_are_tried_here():
    table = FORMAT.split("## Damage")[1]
    named = re.findall(r"^\| ([^|`]+?) \|", table, re.MULTILINE)
    assert set(named) - {"corruption", "---"} == {*REFUSED, *PARTIAL, *PARTIAL_OPEN, *CAPTURES, *ELSEWHERE}


@pytest.mark.parametrize("name", REFUSED)
def test_a_file_that_cannot_be_read_is_refused_by_name(name, sound, path, clock, tmp_path):
    """By readers, by the writer and by an export alike, and the file is left as it was."""
    REFUSED[name](path)
    expected = KINDS.get(name, DamagedSession)
    before = path.read_bytes() if path.is_file() else None
    uses = (
        lambda path: open_session(path).readings(),
        lambda path: SessionWriter.resume(path, clock),
        lambda path: export(path, tmp_path / "a.csv"),
    )
    for use in uses:
        with pytest.raises(expected, match=path.name) as caught:
            use(path)
        assert type(caught.value) is expected
        assert expected is not DamagedSession or "probetrail mend" in str(caught.value)
    assert (path.read_bytes() if path.is_file() else None) == before
    assert {each.name for each in tmp_path.iterdir()} <= {path.name}


def said(records):
    return "\n".join(records.losses()["text"])


@pytest.mark.parametrize("name", PARTIAL)
def test_readings_lost_from_a_closed_session_are_told_and_all_others_are_there(name, sound, path, caplog, tmp_path):
    statement, left = PARTIAL[name]
    say(path, statement)
    with open_session(path) as records:
        frame = records.readings()
        assert len(frame) == left and set(frame["value"]) <= {i / 1000 for i in range(10_000)}
        assert re.search(r"[\d,]+ readings lost from 2023-\S+ to 2023-\S+: ", said(records))
        assert f"{10_000 - left:,} readings" in said(records)
        assert f"lost: {said(records).splitlines()[0]}" in timeline_text(records)
        if frame.attrs:
            assert frame.attrs["losses"][0] in caplog.text
    assert export(path, tmp_path / "a.csv") == left


@pytest.mark.parametrize("name", PARTIAL_OPEN)
def test_readings_lost_from_a_session_left_open_are_told_too(name, left_open, path, clock):
    """Every ten seconds a row of the clock counts them, so that even the newest are missed."""
    statement, left = PARTIAL_OPEN[name]
    damage.settled_into_one_file(path)
    say(path, statement)
    with open_session(path) as records:
        assert len(records.readings()) == left
        assert re.search(r"[\d,]+ readings lost from 2023-\S+ to 2023-\S+: ", said(records))
    if "row of" in name:
        with pytest.raises(DamagedSession, match=r"not sealed yet are torn.*probetrail mend"):
            SessionWriter.resume(path, clock)


def test_a_sound_session_has_lost_nothing(sound, path):
    with open_session(path) as records:
        assert len(records.losses()) == 0 and records.readings().attrs == {}


def test_a_session_that_runs_or_was_left_open_has_lost_nothing(left_open, path, clock):
    with open_session(path) as records:
        assert len(records.readings()) == 150 and len(records.losses()) == 0
    with SessionWriter.resume(path, clock) as writer, open_session(path) as records:
        writer.commit()
        assert len(records.readings()) == 150 and len(records.losses()) == 0


def test_a_torn_chunk_costs_a_long_view_its_own_times_only(sound, path):
    """Its envelope has a checksum of its own, so the view may still be drawn from it."""
    say(path, PARTIAL["torn values of a chunk"][0])
    with open_session(path) as records:
        view = records.overview(1, buckets=20, exact_readings=100)
    assert (view.low.min(), view.high.max()) == (0.0, 9.999)


@pytest.mark.parametrize("statement", ["substr(env, 2)", "zeroblob(length(env))"])
def test_a_torn_envelope_is_made_anew_from_the_readings(statement, sound, path):
    with open_session(path) as records:
        whole = records.overview(1, buckets=40, exact_readings=100), records.trace_envelope(1)
    say(path, f"UPDATE chunk SET env = {statement}")
    say(path, f"UPDATE wave SET env = {statement}")
    with open_session(path) as records:
        view, trace = records.overview(1, buckets=40, exact_readings=100), records.trace_envelope(1)
        assert len(records.losses()) == 0
    assert np.array_equal(view.high, whole[0].high) and np.array_equal(view.t, whole[0].t)
    assert all(np.array_equal(mine, before) for mine, before in zip(trace, whole[1], strict=True))


@pytest.mark.parametrize("name", CAPTURES)
def test_a_torn_capture_is_named_and_all_else_can_be_read(name, sound, path):
    say(path, CAPTURES[name])
    with open_session(path) as records:
        assert "Capture 1 of 2023-11-14T22:16:40.000Z has lost 37,856 samples" in said(records)
        with pytest.raises(DamagedSession, match=r"capture 1 .*probetrail mend"):
            records.trace(1)
        assert len(records.readings()) == 10_000


def test_torn_json_is_named(sound, path):
    say(path, "INSERT INTO event VALUES(1, 1, 'note', '', '{\"half')")
    with open_session(path) as records:
        with pytest.raises(DamagedSession, match=r"event holds torn JSON.*probetrail mend"):
            records.events()
        assert len(records.readings()) == 10_000


def test_a_missing_log_is_said_for_nobody_knows_what_was_in_it(left_open, path, clock):
    path.with_name(path.name + "-wal").unlink()
    with open_session(path) as records:
        assert "never closed and its log (-wal) is not beside it" in said(records)
        assert "log (-wal) is not beside it" in timeline_text(records)
    assert "log (-wal) is not beside it" in list_sessions(path.parent)[0].why
    SessionWriter.resume(path, clock).close()
    with open_session(path) as records:
        assert "log (-wal) is not beside it" in records.events("lost")["text"][0] and len(records.losses()) == 0


def test_behind_a_torn_place_of_the_log_all_is_lost_and_counted(left_open, path, clock):
    """Frames of commits behind it are there and SQLite does not take them: that is how many are lost."""
    damage.flip_in_log(path, 0.6)
    with open_session(path) as records:
        left = len(records.readings())
        assert 0 < left < 150
        lost = (150 - left) // 5
        assert f"the {lost} commits behind the tear are lost (last stored: 2023-" in said(records)
    SessionWriter.resume(path, clock).close()
    with open_session(path) as records:
        assert f"the {lost} commits behind the tear are lost" in records.events("lost")["text"][0]


def test_a_session_written_by_another_daemon_can_be_read_and_not_written(writer, path, clock):
    with pytest.raises(SessionBusy, match="Stop that one, or open another session"):
        SessionWriter.resume(path, clock)
    with open_session(path) as records:
        assert len(records.readings()) == 0


def test_a_session_held_by_another_program_is_busy(sound, path, clock, monkeypatch):
    monkeypatch.setattr("daemon.store.connection._WAIT_S", 0.01)
    other = sqlite3.connect(path, isolation_level=None)
    other.execute("BEGIN EXCLUSIVE")
    for use in (lambda: open_session(path).readings(), lambda: SessionWriter.resume(path, clock)):
        with pytest.raises(SessionBusy, match=r"another program holds the file\. Close it there"):
            use()
    other.close()


@pytest.fixture
def public_folder():
    """A folder that every user can enter, which pytest's own is not."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        yield folder
        folder.chmod(0o755)


def as_a_user_without_rights(work):
    """Root may write everywhere, so another user tries."""
    child = os.fork()
    if child == 0:
        try:
            if os.geteuid() == 0:
                os.setuid(65534)
            work()
            os._exit(0)
        except BaseException:
            traceback.print_exc()
            os._exit(1)
    assert os.waitpid(child, 0)[1] == 0


@pytest.mark.skipif(not hasattr(os, "fork"), reason="rights of folders are tried as another user, in a forked process")
def test_in_a_folder_that_cannot_be_written_a_closed_session_is_read_and_others_name_the_cure(public_folder, clock):
    closed, left = public_folder / "closed.session", public_folder / "left.session"
    damage.closed_session(closed, clock)
    damage.open_session_files(left, clock)
    left.with_name(left.name + "-wal").unlink()
    for file in public_folder.iterdir():
        file.chmod(0o644)
    public_folder.chmod(0o555)

    def work():
        with open_session(closed) as records:
            assert len(records.readings()) == 10_000 and len(records.losses()) == 0
        with pytest.raises(SessionError, match="copy it, with the files beside it, into a folder of yours"):
            open_session(left).readings()
        with pytest.raises(SessionError, match="cannot be written"):
            SessionWriter.resume(closed, clock)
        assert [each.state for each in list_sessions(public_folder)] == ["closed", "unreadable"]

    as_a_user_without_rights(work)


def test_any_smeared_page_is_sound_or_told_and_nothing_else(sound, path):
    """Every page of the file in turn: a reader gets whole frames, part of them with a word, or one of our errors."""
    whole = path.read_bytes()
    told = refused = 0
    for page in range(1, len(whole) // damage.PAGE):
        path.write_bytes(whole)
        damage.smear(path, page)
        try:
            with open_session(path) as records:
                frame = records.readings()
                assert set(frame["value"]) <= {i / 1000 for i in range(10_000)}
                lost = said(records)
                assert len(frame) == 10_000 or f"{10_000 - len(frame):,} readings lost" in lost
                told += bool(lost)
        except SessionError as error:
            assert isinstance(error, DamagedSession), error
            refused += 1
    assert told > 3 and refused > 5


def test_a_missing_capture_placement_or_series_is_said(sound, path):
    with open_session(path) as records:
        asks = (
            lambda: records.trace(9),
            lambda: records.readings(placement=9),
            lambda: records.readings("ac_v"),
        )
        for ask in asks:
            with pytest.raises(SessionError, match=r"It has "):
                ask()
