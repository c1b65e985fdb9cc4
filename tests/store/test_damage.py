"""Every named corruption is a named error that says which file and what to do."""

import sqlite3

import numpy as np
import pytest

from daemon.export import export
from daemon.records import open_session
from daemon.store.writer import SessionWriter
from drivers.errors import DamagedSession, NewerSession, NotASession, SessionError
from drivers.readings import Quantity, Trace
from tests.store.conftest import TAGS, write


@pytest.fixture
def sound(path, clock):
    """A closed session of two chunks and a capture; returns the times of its readings."""
    with SessionWriter.create(path, clock, {}) as writer:
        series = writer.series("meter", "", Quantity.DC_V)
        times = write(writer, clock, series, [i / 1000 for i in range(10_000)])
        tags = {name: "" for name in TAGS if name != "hypothesis"}
        trace = Trace(clock.now_us(), 1e-5, np.arange(1000, dtype=np.int16), 0.01, 0.0, "1")
        writer.add_capture(trace, role="kept", **tags)
    return times


def say(path, statement):
    sql = sqlite3.connect(path, isolation_level=None)
    sql.execute(statement)
    sql.close()


def cut(path, share):
    whole = path.read_bytes()
    path.write_bytes(whole[: int(len(whole) * share)])


def smear(path, page):
    whole = bytearray(path.read_bytes())
    whole[page * 4096 : (page + 1) * 4096] = b"\x5a" * 4096
    path.write_bytes(bytes(whole))


CORRUPTIONS = {
    "no file": (lambda path: path.unlink(), NotASession),
    "a folder": (lambda path: (path.unlink(), path.mkdir()), NotASession),
    "nothing in it": (lambda path: path.write_bytes(b""), NotASession),
    "a text": (lambda path: path.write_text("point,value\n" * 50), NotASession),
    "cut in its head": (lambda path: path.write_bytes(path.read_bytes()[:60]), DamagedSession),
    "another program's database": (lambda path: say(path, "PRAGMA application_id = 7"), NotASession),
    "a newer version": (lambda path: say(path, "PRAGMA user_version = 99"), NewerSession),
    "cut in half": (lambda path: cut(path, 0.5), DamagedSession),
    "last byte missing": (lambda path: path.write_bytes(path.read_bytes()[:-1]), DamagedSession),
}


@pytest.mark.parametrize("name", CORRUPTIONS)
def test_a_corrupt_file_is_refused_by_name(name, sound, path, clock, tmp_path):
    """By readers, by the writer and by an export alike, and the file is left as it was."""
    corrupt, expected = CORRUPTIONS[name]
    corrupt(path)
    before = path.read_bytes() if path.is_file() else None
    uses = (
        open_session,
        lambda path: SessionWriter.resume(path, clock),
        lambda path: export(path, tmp_path / "a.csv"),
    )
    for use in uses:
        with pytest.raises(expected, match=path.name) as caught:
            use(path)
        assert type(caught.value) is expected
    assert (path.read_bytes() if path.is_file() else None) == before
    assert {each.name for each in tmp_path.iterdir()} <= {path.name}


TEARS = {
    "times": ("UPDATE chunk SET tb = substr(tb, 1, length(tb) - 5) WHERE id = 2", "chunk 2"),
    "values": ("UPDATE chunk SET vb = zeroblob(100) WHERE id = 2", "chunk 2"),
    "flags": ("UPDATE chunk SET fb = x'00' WHERE id = 2", "chunk 2"),
    "of another length": ("UPDATE chunk SET n = n + 1 WHERE id = 2", "chunk 2"),
}


@pytest.mark.parametrize("plane", TEARS)
def test_a_torn_chunk_is_named_and_all_else_can_be_read(plane, sound, path):
    statement, named = TEARS[plane]
    say(path, statement)
    with open_session(path) as records:
        with pytest.raises(DamagedSession, match=f"{named}.*All outside these times"):
            records.readings()
        assert len(records.readings(end_us=sound[8191])) == 8192


def test_a_torn_tail_is_named_by_readers_and_by_resume(path, clock):
    writer = SessionWriter.create(path, clock, {})
    write(writer, clock, writer.series("meter", "", Quantity.DC_V), [1.0] * 5)
    writer.commit()
    writer.abandon()
    say(path, "UPDATE tail SET body = substr(body, 3)")
    with open_session(path) as records, pytest.raises(DamagedSession, match="85 belong"):
        records.readings()
    with pytest.raises(DamagedSession, match="85 belong"):
        SessionWriter.resume(path, clock)


def test_a_torn_capture_is_named(sound, path):
    say(path, "UPDATE wave SET body = substr(body, 1, length(body) - 3)")
    with open_session(path) as records, pytest.raises(DamagedSession, match="capture 1 is torn"):
        records.trace(1)


def test_a_torn_envelope_is_named_and_the_readings_are_still_there(sound, path, monkeypatch):
    monkeypatch.setattr("daemon.records.EXACT_READINGS", 100)
    say(path, "UPDATE chunk SET env = substr(env, 2)")
    with open_session(path) as records:
        with pytest.raises(DamagedSession, match="envelope is torn"):
            records.overview(1)
        assert len(records.readings()) == 10_000


def test_torn_json_is_named(sound, path):
    say(path, "INSERT INTO event VALUES(1, 1, 'note', '', '{\"half')")
    with open_session(path) as records, pytest.raises(DamagedSession, match="event holds torn JSON"):
        records.events()


def test_any_smeared_page_is_sound_or_damage_and_nothing_else(sound, path, clock):
    """Every page of the file in turn: a reader gets whole frames or one of our errors."""
    whole = path.read_bytes()
    caught = 0
    for page in range(1, len(whole) // 4096):
        path.write_bytes(whole)
        smear(path, page)
        try:
            with open_session(path) as records:
                frame = records.readings()
                records.trace(1)
            assert len(frame) == 10_000
        except SessionError as error:
            assert isinstance(error, DamagedSession), error
            caught += 1
    assert caught > 5


def test_a_missing_capture_placement_or_series_is_said(sound, path):
    with open_session(path) as records:
        asks = (
            lambda: records.trace(9),
            lambda: records.readings_by_placement(9),
            lambda: records.readings("ac_v"),
        )
        for ask in asks:
            with pytest.raises(SessionError, match=r"look at \w+\(\)"):
                ask()
