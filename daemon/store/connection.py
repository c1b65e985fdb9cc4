"""Opening session files, and the one seam where SQLite's errors become ours."""

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from daemon.store.schema import APPLICATION_ID, MIGRATIONS, PAGE_SIZE, STAND_INS
from drivers.errors import DamagedSession, NewerSession, NotASession, SessionBusy, SessionError, StoreFull

MEND = "Keep it untouched; `probetrail mend FILE` copies what is sound into a new file"
MAGIC = b"SQLite format 3\0"
_WAIT_S = 2.0
_FULL = {sqlite3.SQLITE_FULL, sqlite3.SQLITE_IOERR_SHMSIZE}
_TORN = {sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB}


@contextmanager
def translated(path: Path) -> Iterator[None]:
    """Let SQLite's errors out as ours, each naming the file and the cure."""
    try:
        yield
    except sqlite3.DatabaseError as error:
        raise _ours(path, error) from error


def _ours(path: Path, error: sqlite3.DatabaseError) -> SessionError:
    code = getattr(error, "sqlite_errorcode", sqlite3.SQLITE_ERROR)
    if code in _FULL:
        return StoreFull(f"{path}: the disk is full. Make room there; storing then goes on by itself")
    if code & 0xFF in _TORN:
        return DamagedSession(f"{path}: the file is torn ({error}). {MEND}")
    if code & 0xFF in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
        return SessionBusy(f"{path}: another program holds the file. Close it there, then try again")
    if code & 0xFF in (sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_READONLY):
        return SessionError(
            f"{path}: {error}. A session that was not closed can only be opened where its folder may be written: "
            "copy it, with the files beside it, into a folder of yours"
        )
    return SessionError(f"{path}: {error}. Look whether the disk is there and may be written")


def create_file(path: Path) -> sqlite3.Connection:
    """A new session file with its tables, open for writing. An existing file is left alone."""
    if path.exists():
        raise SessionError(f"{path} exists already: resume it, or choose another name")
    if not path.parent.is_dir():
        raise SessionError(f"{path.parent} is no folder: make it, or choose another place")
    with translated(path):
        connection = _writing(path)
        try:
            connection.execute(f"PRAGMA page_size = {PAGE_SIZE}")
            # The tables are laid before the log is switched on: a file never exists half made.
            migrate(connection, 0)
            _harden(connection)
        except BaseException:
            connection.close()
            path.unlink(missing_ok=True)
            raise
    return connection


def open_file(path: Path) -> sqlite3.Connection:
    """An existing session file, open for writing, brought up to this version, checked whole."""
    check_file(path)
    with translated(path):
        connection = _writing(path)
        try:
            version = _identified(connection, path)
            _check_whole(connection, path)
            migrate(connection, version)
            _harden(connection)
        except BaseException:
            connection.close()
            raise
    return connection


def open_reading(path: Path) -> sqlite3.Connection:
    """A session file for reading only, also while another process writes it; one of an older version too."""
    check_file(path)
    with translated(path):
        uri = path.absolute().as_uri() + "?mode=ro"
        connection = sqlite3.connect(uri, _WAIT_S, isolation_level=None, check_same_thread=False, uri=True)
        try:
            connection.execute("PRAGMA temp_store = MEMORY")
            for stand_in in STAND_INS[_identified(connection, path) :]:
                connection.executescript(stand_in)
        except BaseException:
            connection.close()
            raise
    return connection


def check_file(path: Path) -> None:
    """Tell foreign and cut-off files by their first 100 bytes, before SQLite touches them."""
    head = read_head(path)
    if head[:16] != MAGIC:
        raise NotASession(f"{path} is no session file: choose another, or start a new session")
    if path.with_name(path.name + "-wal").exists():
        return  # pages may still lie in the log, so the length says nothing
    page = int.from_bytes(head[16:18], "big")
    claimed, there = int.from_bytes(head[28:32], "big") * (65536 if page == 1 else page), path.stat().st_size
    if there < claimed:
        raise DamagedSession(
            f"{path} is cut off: {there:,} of {claimed:,} bytes are there. Copy it again from where it came "
            f"from. {MEND}"
        )


def read_head(path: Path) -> bytes:
    """The first 100 bytes of a file. Raises ``NotASession`` where there is none to read."""
    try:
        with path.open("rb") as file:
            return file.read(100)
    except OSError as error:
        raise NotASession(f"{path} cannot be read ({error.strerror}): check the name") from None


def migrate(connection: sqlite3.Connection, version: int) -> None:
    """Bring a file from ``version`` to the newest, all steps in one transaction."""
    if version == len(MIGRATIONS):
        return
    steps = "\n".join(MIGRATIONS[version:])
    marks = f"PRAGMA application_id = {APPLICATION_ID}; PRAGMA user_version = {len(MIGRATIONS)};"
    connection.executescript(f"BEGIN IMMEDIATE; {steps} {marks} COMMIT;")


def _writing(path: Path) -> sqlite3.Connection:
    return sqlite3.connect(path, _WAIT_S, isolation_level=None, check_same_thread=False)


def _harden(connection: sqlite3.Connection) -> None:
    """Write-ahead log, and every commit on the disk before it counts (power cuts measured)."""
    mode = connection.execute("PRAGMA journal_mode = WAL").fetchone()[0]
    if mode != "wal":
        raise SessionError("the session's folder cannot hold a write-ahead log: choose a local disk")
    connection.execute("PRAGMA synchronous = FULL")
    connection.execute("PRAGMA fullfsync = 1")
    connection.execute("PRAGMA checkpoint_fullfsync = 1")


def _identified(connection: sqlite3.Connection, path: Path) -> int:
    """The file's version, when it is a session file that this program can read."""
    if connection.execute("PRAGMA application_id").fetchone()[0] != APPLICATION_ID:
        raise NotASession(f"{path} is a database of another program: choose a session file")
    version = int(connection.execute("PRAGMA user_version").fetchone()[0])
    check_version(version, path)
    return version


def check_version(version: int, path: Path) -> None:
    """Raise ``NewerSession`` for a format that this program does not know yet."""
    if version > len(MIGRATIONS):
        raise NewerSession(
            f"{path} was written by a newer version (format {version}, this one knows "
            f"{len(MIGRATIONS)}): update this program"
        )


def _check_whole(connection: sqlite3.Connection, path: Path) -> None:
    finding = connection.execute("PRAGMA quick_check(1)").fetchone()[0]
    if finding != "ok":
        raise DamagedSession(f"{path}: the file is torn ({finding}). {MEND}")
