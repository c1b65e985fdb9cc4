"""Who may write: an advisory lock beside the session file, held by one process at a time."""

import contextlib
import os
import sys
from pathlib import Path
from typing import BinaryIO

import psutil

from drivers.errors import SessionBusy, SessionError

if sys.platform == "win32":
    import msvcrt
else:
    import fcntl


class WriterLock:
    """Held from the moment it is made until ``release``. Raises ``SessionBusy``.

    A file of its own, because closing any other handle of the session file would drop
    SQLite's own POSIX locks on it.
    """

    def __init__(self, session: Path) -> None:
        self._path = lock_path(session)
        self._file = self._taken(session)

    @property
    def held(self) -> bool:
        """True until it is released."""
        return not self._file.closed

    def release(self) -> None:
        """Let the next one write; safe to call twice."""
        if not self._file.closed:
            if sys.platform != "win32":
                self._path.unlink(missing_ok=True)  # while still held: nobody can lock a dead file unseen
            self._file.close()
            if sys.platform == "win32":
                self._path.unlink(missing_ok=True)

    def _taken(self, session: Path) -> BinaryIO:
        while True:
            file = self._opened()
            try:
                _lock(file)
            except OSError:
                file.close()
                raise SessionBusy(
                    f"{session}: another daemon{_who(self._path)} is writing this session. "
                    "Stop that one, or open another session"
                ) from None
            if self._is_still_there(file):
                _sign(file)
                return file
            file.close()  # its former holder took the file away between opening and locking

    def _opened(self) -> BinaryIO:
        try:
            return self._path.open("a+b")
        except OSError as error:
            raise SessionError(f"{self._path.parent} cannot be written ({error.strerror})") from None

    def _is_still_there(self, file: BinaryIO) -> bool:
        try:
            return os.path.samestat(self._path.stat(), os.fstat(file.fileno()))
        except FileNotFoundError:
            return False


def lock_path(session: Path) -> Path:
    """Where the lock of a session lies while it is written."""
    return session.with_name(session.name + "-writer")


def is_being_written(session: Path) -> bool:
    """True while a living process holds the session; asks without getting in its way."""
    pid = _pid(lock_path(session))
    return pid is not None and psutil.pid_exists(pid)


def _lock(file: BinaryIO) -> None:
    if sys.platform == "win32":
        file.seek(1 << 30)  # far behind the text, which others must be able to read
        msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)
    else:
        fcntl.flock(file.fileno(), fcntl.LOCK_EX | fcntl.LOCK_NB)


def _sign(file: BinaryIO) -> None:
    # The number only helps to name the holder: a full disk must not keep anybody out.
    with contextlib.suppress(OSError):
        file.truncate(0)
        file.write(str(os.getpid()).encode())
        file.flush()


def _pid(path: Path) -> int | None:
    try:
        return int(path.read_bytes())
    except (OSError, ValueError):
        return None


def _who(path: Path) -> str:
    pid = _pid(path)
    return "" if pid is None else f" (process {pid})"
