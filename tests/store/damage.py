"""Named corruptions, each made exactly as the table in FORMAT.md names it."""

import shutil
import sqlite3

import numpy as np

from daemon.store.writer import SessionWriter
from drivers.readings import Quantity, Trace
from tests.store.conftest import TAGS, stay, write

PAGE = 4096


def closed_session(path, clock):
    """Two chunks of one series, a placement and a capture of two parts; returns the times of the readings."""
    with SessionWriter.create(path, clock, {"unit": "mixer"}) as writer:
        series = writer.series("meter", "", Quantity.DC_V)
        values = np.random.default_rng(1).permutation(10_000) / 1000
        times = write(writer, clock, series, values.tolist())
        tags = {name: "" for name in TAGS if name != "hypothesis"}
        codes = (np.arange(300_000) % 1000).astype(np.int16)
        writer.add_capture(Trace(clock.now_us(), 1e-5, codes, 0.01, 0.0, "1"), role="kept", **tags)
        stay(writer, times[10], times[20], point="Q302")
    return times


def open_session_files(path, clock, commits=30):
    """As kill -9 leaves them: the file and its log, with ``commits`` commits of five readings each."""
    running = path.with_name("running.session")
    writer = SessionWriter.create(running, clock, {"unit": "mixer"})
    series = writer.series("meter", "", Quantity.DC_V)
    times = []
    for number in range(commits):
        times += write(writer, clock, series, [5.0 * number + i for i in range(5)], step_s=0.1)
        writer.commit()
    for suffix in ("", "-wal"):
        shutil.copy(running.with_name(running.name + suffix), path.with_name(path.name + suffix))
    writer.close()
    running.unlink()
    return times


def settled_into_one_file(path):
    """Bring the log into the file, as SQLite's own shell would: the session is still not closed."""
    say(path, "PRAGMA journal_mode = DELETE")


def say(path, statement):
    sql = sqlite3.connect(path, isolation_level=None)
    sql.execute(statement)
    sql.close()


def cut(path, share):
    whole = path.read_bytes()
    path.write_bytes(whole[: int(len(whole) * share)])


def smear(path, page, size=PAGE):
    whole = bytearray(path.read_bytes())
    whole[page * PAGE : page * PAGE + size] = b"\x5a" * size
    path.write_bytes(bytes(whole))


def root_page(path, name):
    """The number, from 0, of a table's first page."""
    sql = sqlite3.connect(path)
    (page,) = sql.execute("SELECT rootpage FROM sqlite_master WHERE name = ?", (name,)).fetchone()
    sql.close()
    return page - 1


def flip_in_log(path, commit_share):
    """One byte of the log at that share of its length."""
    log = path.with_name(path.name + "-wal")
    whole = bytearray(log.read_bytes())
    whole[int(len(whole) * commit_share)] ^= 0xFF
    log.write_bytes(bytes(whole))


REFUSED = {  # name: how it is made from a closed session
    "no file": lambda path: path.unlink(),
    "a folder": lambda path: (path.unlink(), path.mkdir()),
    "an empty file": lambda path: path.write_bytes(b""),
    "no database": lambda path: path.write_text("point,value\n" * 50),
    "another program's database": lambda path: say(path, "PRAGMA application_id = 7"),
    "a newer version": lambda path: say(path, "PRAGMA user_version = 99"),
    "cut off": lambda path: cut(path, 0.5),
    "cut off by one byte": lambda path: path.write_bytes(path.read_bytes()[:-1]),
    "cut off in its head": lambda path: path.write_bytes(path.read_bytes()[:60]),
    "a torn page of a table": lambda path: smear(path, root_page(path, "series")),
}
PARTIAL = {  # name: (how it is made from a closed session, what is said, the readings left)
    "torn times of a chunk": ("UPDATE chunk SET tb = substr(tb, 1, length(tb) - 5) WHERE id = 2", 8192),
    "torn values of a chunk": ("UPDATE chunk SET vb = zeroblob(length(vb)) WHERE id = 2", 8192),
    "torn flags of a chunk": ("UPDATE chunk SET fb = x'00' WHERE id = 2", 8192),
    "a chunk at another place": ("UPDATE chunk SET t0 = t0 + 1 WHERE id = 2", 8192),
    "a missing chunk": ("DELETE FROM chunk WHERE id = 1", 1808),
    "the newest chunk missing": ("DELETE FROM chunk WHERE id = 2", 8192),
}
PARTIAL_OPEN = {  # the same, made from a session that was not closed: 30 rows of five readings
    "a torn row of the tail": ("UPDATE tail SET body = zeroblob(length(body)) WHERE id = 7", 145),
    "a short row of the tail": ("UPDATE tail SET body = substr(body, 3) WHERE id = 7", 145),
    "missing rows of the tail": ("DELETE FROM tail WHERE id BETWEEN 5 AND 9", 125),
    "the newest rows missing": ("DELETE FROM tail WHERE id > 10", 50),
}
CAPTURES = {
    "a torn part of a capture": "UPDATE wave SET body = zeroblob(length(body)) WHERE part = 1",
    "a missing part of a capture": "DELETE FROM wave WHERE part = 1",
}
