"""Files that earlier versions wrote are read as they are, and brought up when they are gone on with.

``old_files/version_1.session.gz`` was written by the program when its format was version 1, and so on; that of
version 2 was left open, with readings not sealed yet; in that of version 3 a mode was relabelled without an end, and a
placement struck, struck no more and struck again by an undo of an undo.
"""

import gzip
import math
import sqlite3
from pathlib import Path

import pytest

from daemon.records import list_sessions, open_session
from daemon.store import schema
from daemon.store.writer import SessionWriter
from drivers.errors import SessionError
from drivers.readings import Quantity
from tests.store.conftest import stay, write

OLD = Path(__file__).parent / "old_files"


@pytest.fixture
def old(path):
    path.write_bytes(gzip.decompress((OLD / "version_1.session.gz").read_bytes()))
    return path


@pytest.fixture
def second(path):
    path.write_bytes(gzip.decompress((OLD / "version_2.session.gz").read_bytes()))
    return path


@pytest.fixture
def third(path):
    path.write_bytes(gzip.decompress((OLD / "version_3.session.gz").read_bytes()))
    return path


def version(path):
    return int.from_bytes(path.read_bytes()[60:64], "big")


def columns(path, table):
    sql = sqlite3.connect(path)
    found = [row[1:3] for row in sql.execute(f"PRAGMA table_info({table})")]
    sql.close()
    return found


def check_what_it_holds(path):
    with open_session(path) as records:
        readings, (placement,) = records.readings(), records.placements().to_dict("records")
        assert len(readings) == 201 and readings["value"][3] == 6.543 and readings["accuracy"].isna().all()
        assert (placement["point"], placement["leg"], placement["value"]) == ("Q302", "B", 6.543)
        assert math.isnan(placement["limits"]) and placement["judgement"] == {"verdict": "inside"}
        assert len(records.readings(placement=1)) == 161
        assert records.changes()["why"].tolist() == ["wrong leg"]
        assert records.events()["text"].tolist() == ["a note"]
        assert records.trace(1).codes[:3].tolist() == [0, 1, 2]
        assert len(records.settings()) == 0


def test_a_file_of_version_1_is_read_without_changing_a_byte(old):
    before = old.read_bytes()
    assert version(old) == 1
    check_what_it_holds(old)
    (summary,) = list_sessions(old.parent)
    assert (summary.state, summary.unit, summary.placements) == ("closed", "cassette deck", 1)
    assert old.read_bytes() == before


def test_a_file_of_version_1_that_is_gone_on_with_keeps_all_and_takes_what_is_new(old, clock):
    with SessionWriter.resume(old, clock) as writer:
        assert writer.placement(1)["limits"] is None
        series = writer.series("meter", "", Quantity.DC_V)
        times = write(writer, clock, series, [1.0, 2.0])
        writer.set_placement(stay(writer, times[0], times[1]), limits=0.002)
    assert version(old) == len(schema.MIGRATIONS)
    with open_session(old) as records:
        assert len(records.readings()) == 203
        assert records.placements()["limits"].tolist()[1:] == [0.002]
        assert records.placements()["leg"].tolist()[:1] == ["B"]


def test_a_file_brought_up_is_laid_out_as_a_new_one(old, tmp_path, clock):
    SessionWriter.resume(old, clock).close()
    new = tmp_path / "new.session"
    SessionWriter.create(new, clock, {}).close()
    for table in (*schema.TABLES_WITH_IDS, "meta", "wave", "act"):
        assert columns(old, table) == columns(new, table) != []


def test_readers_that_have_an_old_file_open_read_on_while_it_is_brought_up(old, clock):
    with open_session(old) as records:
        before = records.placements()
        with SessionWriter.resume(old, clock) as writer:
            write(writer, clock, writer.series("meter", "", Quantity.DC_V), [1.0])
            writer.commit()
            assert len(records.readings()) == 202
            assert records.placements()["id"].tolist() == before["id"].tolist()


def test_a_migration_that_fails_leaves_the_file_as_it_was(old, clock, monkeypatch):
    """All steps are one transaction: no file is ever half of one version."""
    before = old.read_bytes()
    broken = (*schema.MIGRATIONS, "CREATE TABLE colour(id); CREATE TABLE colour(id);")
    monkeypatch.setattr("daemon.store.connection.MIGRATIONS", broken)
    with pytest.raises(SessionError, match="colour"):
        SessionWriter.resume(old, clock)
    assert old.read_bytes() == before


def values_of(path):
    with open_session(path) as records:
        assert len(records.losses()) == 0
        return records.readings()["value"].tolist()


def test_a_file_of_version_2_is_read_without_changing_a_byte(second):
    before = second.read_bytes()
    assert version(second) == 2 and len(values_of(second)) == 305
    with open_session(second) as records:
        assert records.placements()["limits"].tolist() == [0.016]
        assert records.readings()["accuracy"].notna().all()
        assert records.trace(1).codes[:3].tolist() == [0, 1, 2]
    assert second.read_bytes() == before


def test_a_file_of_version_2_gets_its_readings_counted_and_new_rows_their_checksums(second, clock):
    """Old rows keep an empty checksum: one made now would vouch for bytes that may be torn already."""
    before = values_of(second)
    clock.turn(60)
    writer = SessionWriter.resume(second, clock)
    write(writer, clock, writer.series("meter", "", Quantity.DC_V), [1.0, 2.0])
    writer.commit()
    sql = sqlite3.connect(f"file:{second}?mode=ro", uri=True)
    assert sql.execute("SELECT first, n, crc IS NULL FROM chunk").fetchall() == [(0, 300, 1)]
    rows = sql.execute("SELECT first, n, crc IS NULL FROM tail ORDER BY id").fetchall()
    assert rows == [(300, 3, 1), (303, 2, 1), (305, 2, 0)]
    assert sql.execute("SELECT id, act, undoes FROM change").fetchall() == [(1, 1, None)]
    sql.close()
    writer.close()
    assert version(second) == len(schema.MIGRATIONS) and values_of(second) == [*before, 1.0, 2.0]


def test_torn_planes_of_an_old_file_are_found_by_their_own_sums(second):
    sql = sqlite3.connect(second, isolation_level=None)
    sql.execute("UPDATE chunk SET vb = zeroblob(length(vb))")
    sql.close()
    with open_session(second) as records:
        assert len(records.readings()) == 5 and "300 readings lost" in records.losses()["text"][0]


def test_a_file_of_version_3_does_not_say_who_corrected_and_is_read_without_changing_a_byte(third):
    before = third.read_bytes()
    assert version(third) == 3
    with open_session(third) as records:
        assert records.history()["who"].tolist() == ["not recorded"] * 4
        assert records.history()["undone_by"].fillna(0).tolist() == [0, 0, 4, 0]
        assert records.placements()["struck"].tolist() == [True, False]
    assert third.read_bytes() == before


def test_what_was_corrected_before_can_be_taken_back_and_only_new_acts_say_who(third, clock):
    with SessionWriter.resume(third, clock) as writer:
        writer.speaker = "the bench page"
        writer.undo(1, clock.now_us(), "")
        assert writer.context["mode"] == "PLAY"
        assert [writer.placement(number)["mode"] for number in (1, 2)] == ["STOP", "STOP"]
    with open_session(third) as records:
        assert records.history()["who"].tolist() == [*["not recorded"] * 4, "by the bench page"]
