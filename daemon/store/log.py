"""What SQLite will make of a session's write-ahead log: how much of it is sound. Reads only.

The layout is that of "The Write-Ahead Log" in SQLite's documentation of its file format, section 4: a header of 32
bytes, then frames of 24 bytes and a page. A frame counts where its salts are the header's and the running checksum
fits; SQLite stops at the first that does not.
"""

from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

_HEADER = 32
_FRAME = 24
_BIG_ENDIAN = 0x377F0683
Words = NDArray[np.uint32]


@dataclass(frozen=True, slots=True)
class LogState:
    """``missing``: the file is in write-ahead mode and has no log beside it, or an empty one.

    ``sound_frames`` are whole to the last commit; ``lost_commits`` lie behind a tear.
    """

    missing: bool = False
    sound_frames: int = 0
    lost_commits: int = 0


def log_path(session: Path) -> Path:
    """Where the log of a session lies while it is written."""
    return session.with_name(session.name + "-wal")


def log_state(session: Path) -> LogState:
    """The state of the log of a session file; of a closed one there is none and nothing is missing."""
    if log_is_missing(session):
        return LogState(missing=True)
    body = _content(session)
    return _judged(body) if body else LogState()


def log_is_missing(session: Path) -> bool:
    """Whether a file in write-ahead mode has no log beside it: a reader leaves an empty one where there was none."""
    log = log_path(session)
    if log.exists() and log.stat().st_size >= _HEADER:
        return False
    with session.open("rb") as file:
        return file.read(20)[18:20] == b"\x02\x02"


def _content(session: Path) -> bytes:
    """The log; b"" where there is none, or less than its header."""
    try:
        body = log_path(session).read_bytes()
    except FileNotFoundError:
        return b""
    return body if len(body) >= _HEADER else b""


def sound_pages(session: Path) -> dict[int, bytes]:
    """The newest sound content of each page that the log holds, by page number from 1."""
    body = _content(session)
    if not body:
        return {}
    frames, page = _frames(body)
    sound = _judged(body).sound_frames
    return {
        int.from_bytes(frame[:4].tobytes(), "big"): frame[_FRAME : _FRAME + page].tobytes() for frame in frames[:sound]
    }


def _frames(body: bytes) -> tuple[NDArray[np.uint8], int]:
    """The frames as rows of bytes, and the size of a page."""
    page = int.from_bytes(body[8:12], "big")
    if not 512 <= page <= 65536 or page & (page - 1):
        return np.empty((0, 0), np.uint8), 0
    count = (len(body) - _HEADER) // (_FRAME + page)
    octets = np.frombuffer(body[_HEADER : _HEADER + count * (_FRAME + page)], np.uint8)
    return octets.reshape(count, _FRAME + page), page


def _judged(body: bytes) -> LogState:
    frames, _ = _frames(body)
    if not len(frames):
        return LogState()
    ours = (frames[:, 8:16] == np.frombuffer(body, np.uint8, 8, 16)).all(axis=1)
    ends = ours & frames[:, 4:8].any(axis=1)
    sound = _sound(body, frames) & ours
    whole = len(frames) if sound.all() else int(np.argmin(sound))
    last = int(np.flatnonzero(ends[:whole])[-1]) + 1 if ends[:whole].any() else 0
    return LogState(sound_frames=last, lost_commits=int(np.count_nonzero(ends[whole:])))


def _sound(body: bytes, frames: NDArray[np.uint8]) -> NDArray[np.bool_]:
    """For each frame whether its checksum goes on from the one stored before it."""
    order = ">u4" if int.from_bytes(body[:4], "big") == _BIG_ENDIAN else "<u4"
    stored = np.vstack([np.frombuffer(body, ">u4", 2, 24), _words(frames[:, 16:24], ">u4")]).astype(np.uint32)
    content = np.hstack([_words(frames[:, :8], order), _words(frames[:, _FRAME:], order)])
    computed = _run_on(stored[:-1], content)
    if _run_on(np.zeros((1, 2), np.uint32), np.frombuffer(body, order, 6)[None].astype(np.uint32))[0].tolist() != (
        stored[0].tolist()
    ):
        return np.zeros(len(frames), np.bool_)
    fits: NDArray[np.bool_] = (computed == stored[1:]).all(axis=1)
    return fits


def _words(octets: NDArray[np.uint8], order: str) -> Words:
    return np.ascontiguousarray(octets).view(order).astype(np.uint32)


def _run_on(start: Words, words: Words) -> Words:
    """The checksum of section 4.2 for many frames at once: ``start`` (k, 2) and ``words`` (k, 2 m), all modulo 2^32.

    A step is linear: s0 += x0 + s1, then s1 += x1 + s0; so every word has a weight of its own.
    """
    weights, powers = _weights(words.shape[1] // 2)
    with np.errstate(over="ignore"):
        grown = start.astype(np.uint64) @ powers.T
        added = words.astype(np.uint64) @ weights
        total: Words = ((grown + added) & np.uint64(0xFFFFFFFF)).astype(np.uint32)
    return total


@cache
def _weights(steps: int) -> tuple[NDArray[np.uint64], NDArray[np.uint64]]:
    """What each of the 2 x ``steps`` words adds to both sums, shape (2 steps, 2), and the start's own matrix."""
    step = np.array([[1, 1], [1, 2]], np.uint64)
    entry = np.array([[1, 0], [1, 1]], np.uint64)  # x0 reaches both sums, x1 the second alone
    power = np.eye(2, dtype=np.uint64)
    rows = np.empty((steps, 2, 2), np.uint64)
    for place in range(steps - 1, -1, -1):
        rows[place] = (power @ entry).T
        power = (power @ step) & np.uint64(0xFFFFFFFF)
    return (rows & np.uint64(0xFFFFFFFF)).reshape(2 * steps, 2), power
