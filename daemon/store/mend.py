"""Saves what can be saved of a damaged session into a new file, and says what was saved and what is lost.

The original is only read: everything is done on a copy, and the new file gets its name when it is whole.
"""

import contextlib
import shutil
import sqlite3
import tempfile
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from daemon.store.buffers import chunk_row
from daemon.store.connection import MAGIC, check_version, create_file, read_head, translated
from daemon.store.inspection import inspected, log_words
from daemon.store.lock import is_being_written
from daemon.store.log import log_path, log_state
from daemon.store.losses import sentence, series_names
from daemon.store.regained import Run, captures, readings
from daemon.store.salvage import Row, Salvaged, salvaged
from daemon.store.schema import APPLICATION_ID, MIGRATIONS
from daemon.store.writer import SessionWriter
from drivers.clock import Clock, iso_utc
from drivers.errors import NotASession, SessionBusy, SessionError

_COUNTED = {
    "placement": "placements",
    "event": "events",
    "context": "intervals of mode, condition and hypothesis",
    "change": "corrections",
    "setting": "settings of meters",
    "clock": "ties to the clock",
}


@dataclass(frozen=True, slots=True)
class Mended:
    """The new file, and what there is to say, sentence by sentence; ``lost`` is empty where nothing is."""

    file: Path
    saved: list[str] = field(default_factory=list)
    lost: list[str] = field(default_factory=list)


def mend(source: Path, target: Path, clock: Clock) -> Mended:
    """Save what can be saved of ``source`` into the new file ``target``.

    Raises ``NotASession`` where nothing in it is of a session, ``NewerSession``, ``SessionBusy`` where a daemon is
    writing it, and ``SessionError`` where ``target`` exists or cannot be written.
    """
    version = _version(source)
    if is_being_written(source):
        raise SessionBusy(f"{source}: a daemon is writing this session. Stop that one first")
    if target.exists():
        raise SessionError(f"{target} exists already, and no file is ever overwritten: choose another name with --to")
    with _folder_beside(target) as folder:
        log = log_state(source)
        found = salvaged(_copied(source, folder), version)
        if not any(found.rows.get(table) for table in ("meta", "series", "chunk", "tail", "event")):
            raise NotASession(f"{source}: nothing that belongs to a session was found in it: there is nothing to save")
        draft = folder / "mended.session"
        mended = _written(found, draft, target)
        closed = bool(found.rows["meta"].get("closed_us", {}).get("value"))
        if words := log_words(log, closed):
            mended.lost.append(f"{words}.")
        _close(draft, source, mended, clock)
        if target.exists():
            raise SessionError(f"{target} exists already: choose another name with --to")
        draft.rename(target)
    return mended


def default_target(source: Path) -> Path:
    """Where the mended session goes when nobody says: beside the damaged one."""
    return source.with_name(f"{source.stem}-mended{source.suffix}")


def _version(source: Path) -> int:
    """The file's version; the newest where its head is torn. Raises for a file that is surely none of ours."""
    head = read_head(source)
    if not head:
        raise NotASession(f"{source} is empty: there is nothing to save")
    if head[:16] != MAGIC or len(head) < 100:
        return len(MIGRATIONS)
    if int.from_bytes(head[68:72], "big") != APPLICATION_ID:
        raise NotASession(f"{source} is a database of another program: choose a session file")
    version = int.from_bytes(head[60:64], "big")
    check_version(version, source)
    return version or len(MIGRATIONS)


@contextlib.contextmanager
def _folder_beside(target: Path) -> Iterator[Path]:
    try:
        with tempfile.TemporaryDirectory(prefix=".mend-", dir=target.parent) as folder:
            yield Path(folder)
    except OSError as error:
        raise SessionError(f"{target} cannot be written ({error}): choose another place with --to") from error


def _copied(source: Path, folder: Path) -> Path:
    copy = folder / "copy.session"
    shutil.copyfile(source, copy)
    if log_path(source).exists():
        shutil.copyfile(log_path(source), log_path(copy))
    return copy


def _written(found: Salvaged, draft: Path, target: Path) -> Mended:
    """A new file with all that was found; what is not in it follows from its own counts."""
    told = Mended(target)
    sql = create_file(draft)
    try:
        with translated(draft):
            sql.execute("BEGIN")
            chunks, runs = readings(found)
            _name_series(found, chunks, runs, told)
            waves = captures(found, told.lost)
            for number, change in found.rows["change"].items():
                change["act"] = change.get("act") or number  # as the migration of an earlier version does
            for table in ("meta", "series", *_COUNTED, "act", "capture"):
                _insert(sql, table, found.rows.get(table, {}).values())
            _insert(sql, "chunk", chunks)
            for series, first, stretch in runs:
                row = chunk_row(series, first, stretch)
                sql.execute(f"INSERT INTO chunk VALUES(NULL, {', '.join('?' * len(row))})", row)
            sql.executemany("INSERT INTO wave VALUES(?, ?, ?, ?, ?, ?, ?)", waves)
            sql.execute("COMMIT")
            _tell(sql, draft, found, told)
    finally:
        sql.close()
    return told


def _insert(sql: sqlite3.Connection, table: str, rows: Iterable[Mapping[str, object]]) -> None:
    for row in rows:
        marks = ", ".join("?" * len(row))
        sql.execute(f"INSERT INTO {table}({', '.join(row)}) VALUES({marks})", tuple(row.values()))


def _name_series(found: Salvaged, chunks: list[Row], runs: list[Run], told: Mended) -> None:
    """A series whose row is gone keeps its readings under a name that says so."""
    used = {row["series"] for row in chunks} | {series for series, _, _ in runs}
    for number in sorted(used - set(found.rows["series"])):
        names = {"instrument": f"unknown {number}", "channel": "", "quantity": "unknown", "unit": ""}
        found.take("series", {"id": number, **names})
        told.lost.append(f"The name of series {number} is lost: its readings are kept as those of unknown {number}.")


def _tell(sql: sqlite3.Connection, draft: Path, found: Salvaged, told: Mended) -> None:
    names = series_names(found.rows["series"].values())
    for series, n, t0, t1 in sql.execute(
        "SELECT series, sum(n), min(t0), max(t1) FROM chunk GROUP BY series ORDER BY series"
    ):
        told.saved.append(f"{names[series]}: {n:,} readings from {iso_utc(t0)} to {iso_utc(t1)}.")
    for table, words in {**_COUNTED, "capture": "captures"}.items():
        if rows := found.rows.get(table):
            told.saved.append(f"{words.capitalize()}: {len(rows):,}.")
    told.lost.extend(sentence(loss, names) for loss in inspected(sql, draft) if loss.kind == "readings")
    told.lost.extend(_lost_rows(found))
    if "meta" in found.unsure:
        told.lost.append(f"Facts about the session may be lost; kept are: {', '.join(sorted(found.rows['meta']))}.")


def _lost_rows(found: Salvaged) -> Iterator[str]:
    """Rows are numbered without gaps, so that a number that is not there is a row that was."""
    unsure = []
    for table, words in {**_COUNTED, "series": "series", "capture": "captures"}.items():
        numbers = set(found.numbers.get(table, found.rows.get(table, {})))
        last = max(numbers, default=0)
        if missing := sorted(set(range(1, last + 1)) - numbers):
            shown = ", ".join(map(str, missing[:20])) + (" ..." if len(missing) > 20 else "")
            yield f"{words.capitalize()}: {len(missing):,} of {last:,} lost (number {shown})."
        if table in found.unsure:
            unsure.append(f"{words} after number {last}" if last else words)
    if unsure:
        yield f"Pages are torn: whether there were {', '.join(unsure)}, nobody can tell."


def _close(draft: Path, source: Path, mended: Mended, clock: Clock) -> None:
    """Leave a session closed in good order, which tells of itself what it is."""
    with SessionWriter.resume(draft, clock) as writer:
        text = " ".join([f"Mended from {source.name}.", *(mended.lost or ["Nothing was lost."])])
        writer.add_event(clock.now_us(), "mended", text, {"saved": mended.saved, "lost": mended.lost})
        writer.set_meta("mended_from", source.name)
