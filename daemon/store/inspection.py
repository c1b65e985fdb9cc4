"""Everything that a session file has lost: torn rows by their checksums, missing ones by counting. Reads all of it."""

import sqlite3
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from daemon.store import codec
from daemon.store.checksums import check
from daemon.store.lock import is_being_written
from daemon.store.log import LogState, log_state
from daemon.store.losses import Loss
from drivers.errors import DamagedSession

_WAVES = "SELECT capture, part, wave.n, crc, capture.t FROM wave JOIN capture ON capture.id = wave.capture"


def inspected(sql: sqlite3.Connection, path: Path) -> list[Loss]:
    """All losses of an open file, in order of time. Raises what SQLite does where its structure is torn."""
    torn = [
        *_torn(sql, "tail", "body", codec.decode_tail),
        *_torn(sql, "chunk", "tb, vb, fb", codec.decode_planes),
        *_torn_waves(sql),
    ]
    found = [*torn, *_missing(sql), *_short_of_the_last_count(sql), *_missing_samples(sql), *_of_the_log(sql, path)]
    return sorted(found, key=lambda loss: (loss.t0_us, loss.kind, loss.number))


def _torn(sql: sqlite3.Connection, table: str, columns: str, decode: Callable[..., Any]) -> Iterator[Loss]:
    rows = sql.execute(f"SELECT id, series, t0, t1, first, n, crc FROM {table}").fetchall()
    for number, series, t0, t1, first, n, crc in rows:
        query = f"SELECT {columns} FROM {table} WHERE id = {number}"
        if why := _why_torn(sql, query, crc, (series, t0, t1, first, n), decode):
            yield Loss("readings", series, t0, t1, n, why)


def _torn_waves(sql: sqlite3.Connection) -> Iterator[Loss]:
    for capture, part, n, crc, t_us in sql.execute(_WAVES).fetchall():
        query = f"SELECT body FROM wave WHERE capture = {capture} AND part = {part}"
        if why := _why_torn(sql, query, crc, (capture, part, n), codec.decode_wave):
            yield Loss("capture", capture, t_us, t_us, n, f"part {part}: {why}")


def _why_torn(
    sql: sqlite3.Connection, query: str, crc: int | None, place: tuple[Any, ...], decode: Callable[..., Any]
) -> str:
    """What is wrong with a row; "" where it is whole. A checksum that fits speaks for the rest."""
    try:
        bodies = sql.execute(query).fetchone()
        check(crc, place, *bodies)
        if crc is None:
            decode(*bodies, place[-1])
    except (DamagedSession, sqlite3.DatabaseError) as error:
        return str(error)
    return ""


def _missing(sql: sqlite3.Connection) -> Iterator[Loss]:
    """Rows that are not there: the numbers of the readings that are leave a gap."""
    rows = sql.execute(
        "SELECT series, first, n, t0, t1 FROM chunk UNION ALL SELECT series, first, n, t0, t1 FROM tail ORDER BY 1, 2"
    )
    started = sql.execute("SELECT CAST(value AS INTEGER) FROM meta WHERE key = 'started_us'").fetchone()
    series, expected, last_us = 0, 0, 0
    for number, first, n, t0, t1 in rows:
        if first is None:
            continue  # of an earlier version, which did not count
        if number != series:
            series, expected, last_us = number, 0, min(started[0], t0) if started else t0
        if first > expected:
            yield Loss("readings", series, last_us, t0, first - expected, "rows are missing")
        expected, last_us = max(expected, first + n), t1


def _short_of_the_last_count(sql: sqlite3.Connection) -> Iterator[Loss]:
    """The newest rows leave no gap when they go; but every ten seconds the clock's rows say how many there were."""
    claimed, wall_ns = sql.execute("SELECT readings, wall_ns FROM clock ORDER BY id DESC LIMIT 1").fetchone() or (0, 0)
    ends = sql.execute(
        """SELECT max(first + n), max(t1) FROM
        (SELECT series, first, n, t1 FROM chunk UNION ALL SELECT series, first, n, t1 FROM tail) GROUP BY series"""
    ).fetchall()
    if claimed is None or any(count is None for count, _ in ends):
        return
    there = sum(count for count, _ in ends)
    if claimed > there:
        t1_us = wall_ns // 1000
        t0_us = min([t1_us, *(last for _, last in ends)])
        yield Loss("readings", 0, t0_us, t1_us, claimed - there, "the newest rows are missing")


def _missing_samples(sql: sqlite3.Connection) -> Iterator[Loss]:
    rows = sql.execute(
        """SELECT id, t, n, (SELECT coalesce(sum(wave.n), 0) FROM wave WHERE wave.capture = capture.id) FROM capture"""
    )
    for capture, t_us, n, there in rows:
        if there < n:
            yield Loss("capture", capture, t_us, t_us, n - there, "parts are missing")


def _of_the_log(sql: sqlite3.Connection, path: Path) -> Iterator[Loss]:
    if is_being_written(path):
        return  # it may be half through its next commit
    (last_us,) = sql.execute("SELECT max(t1) FROM (SELECT t1 FROM chunk UNION ALL SELECT t1 FROM tail)").fetchone()
    closed = sql.execute("SELECT value FROM meta WHERE key = 'closed_us'").fetchone()
    state = log_state(path)
    if why := log_words(state, bool(closed and closed[0])):
        yield Loss("log", 0, last_us or 0, last_us or 0, 0, why)


def log_words(state: LogState, closed: bool) -> str:
    """What the state of a session's log says of its readings; "" where nothing is lost by it."""
    if state.lost_commits:
        return f"The session's log (-wal) is torn: the {state.lost_commits} commits behind the tear are lost"
    if state.missing and not closed:
        return (
            "The session was never closed and its log (-wal) is not beside it: where it was copied without that, "
            "what came after its last readings is lost"
        )
    return ""
