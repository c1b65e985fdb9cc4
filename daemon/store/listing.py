"""The session files of a folder, told in a line each; never raises for a bad file."""

from dataclasses import dataclass
from pathlib import Path

from daemon.store.connection import read_head
from daemon.store.inspection import log_words
from daemon.store.lock import is_being_written
from daemon.store.log import LogState, log_is_missing
from daemon.store.reader import SessionReader
from daemon.store.schema import APPLICATION_ID
from drivers.errors import DamagedSession, NewerSession, NotASession, SessionError

SUFFIX = ".session"
_STATES: tuple[tuple[type[SessionError], str], ...] = (
    (NewerSession, "newer"),
    (DamagedSession, "damaged"),
    (NotASession, "not a session"),
)


@dataclass(frozen=True, slots=True)
class SessionSummary:
    """One file. ``state`` is running, closed, left open (its daemon ended without closing it),
    newer, damaged, not a session or unreadable; ``why`` says more where it is none of the first two.
    """

    file: Path
    state: str
    why: str = ""
    unit: str = ""
    serial: str = ""
    started_us: int | None = None
    last_us: int | None = None
    placements: int = 0


def list_sessions(folder: Path) -> list[SessionSummary]:
    """Every session file of ``folder``, the last used first; of a folder that is not there, none."""
    try:
        files = [path for path in folder.iterdir() if _is_candidate(path)]
    except OSError:
        return []
    summaries = [_summary(path) for path in files]
    return sorted(summaries, key=lambda each: (-(each.last_us or each.started_us or 0), each.file.name))


def _is_candidate(path: Path) -> bool:
    if path.suffix == SUFFIX:
        return path.is_file()
    try:
        head = read_head(path) if path.is_file() else b""
    except NotASession:
        return False
    return head[68:72] == APPLICATION_ID.to_bytes(4, "big") and head[:6] == b"SQLite"


def _summary(path: Path) -> SessionSummary:
    try:
        reader = SessionReader(path)
        try:
            return _of_sound_file(path, reader)
        finally:
            reader.close()
    except SessionError as error:
        state = next((state for kind, state in _STATES if isinstance(error, kind)), "unreadable")
        return SessionSummary(path, state, str(error))


def _of_sound_file(path: Path, reader: SessionReader) -> SessionSummary:
    meta = reader.meta()
    state, why = _state(path, meta)
    return SessionSummary(
        path,
        state,
        why,
        unit=meta.get("unit", ""),
        serial=meta.get("serial", ""),
        started_us=_number(meta.get("started_us", "")),
        last_us=reader.last_us(),
        placements=reader.count("placement"),
    )


def _state(path: Path, meta: dict[str, str]) -> tuple[str, str]:
    if is_being_written(path):
        return "running", ""
    if meta.get("closed_us"):
        return "closed", ""
    if log_is_missing(path):
        return "left open", f"{log_words(LogState(missing=True), closed=False)}; else resume it"
    return "left open", "its daemon ended without closing it; nothing stored is lost: resume it"


def _number(text: str) -> int | None:
    return int(text) if text.isdigit() else None
