"""The list of sessions on the start page."""

import sqlite3

from daemon.records import list_sessions
from daemon.store.writer import SessionWriter
from drivers.readings import Quantity
from tests.store.conftest import stay, write


def test_every_kind_of_file_is_told_in_a_line_and_none_raises(tmp_path, clock):
    """The last used comes first; a session under another suffix is found, other files are left out."""
    for name in ("closed", "left open", "newer", "damaged", "running"):
        writer = SessionWriter.create(tmp_path / f"{name}.session", clock, {"unit": name, "serial": "7"})
        write(writer, clock, writer.series("meter", "", Quantity.DC_V), [1.0] * 3000)
        stay(writer, clock.now_us())
        if name in ("left open", "running"):
            writer.commit()
        else:
            writer.close()
        if name != "running":
            writer.abandon()
        clock.turn(1)
    (tmp_path / "closed.session").rename(tmp_path / "closed.repair")
    (tmp_path / "foreign.session").write_text("hello")
    (tmp_path / "notes.txt").write_text("hello")
    (tmp_path / "folder.session").mkdir()
    sql = sqlite3.connect(tmp_path / "newer.session")
    sql.execute("PRAGMA user_version = 99")
    sql.close()
    damaged = tmp_path / "damaged.session"
    damaged.write_bytes(damaged.read_bytes()[:5000])

    found = {each.file.name: each for each in list_sessions(tmp_path)}
    assert {name: each.state for name, each in found.items()} == {
        "closed.repair": "closed",
        "left open.session": "left open",
        "running.session": "running",
        "newer.session": "newer",
        "damaged.session": "damaged",
        "foreign.session": "not a session",
    }
    assert all(each.why for each in found.values() if each.state not in ("closed", "running"))
    writer.abandon()
    closed = found["closed.repair"]
    assert (closed.unit, closed.serial, closed.placements) == ("closed", "7", 1)
    assert closed.last_us - closed.started_us == 60_000_000
    assert list(found)[:3] == ["running.session", "left open.session", "closed.repair"]


def test_a_folder_that_is_not_there_has_no_sessions(tmp_path):
    assert list_sessions(tmp_path / "nowhere") == []
