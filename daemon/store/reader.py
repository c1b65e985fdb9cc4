"""Reads a session file, closed or being written, in transactions of a few milliseconds."""

import contextlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from daemon.store import codec
from daemon.store.codec import ENVELOPE, WAVE_ENVELOPE, Stretch
from daemon.store.connection import open_reading, translated
from daemon.store.rows import read_rows
from drivers.clock import iso_utc
from drivers.errors import DamagedSession

EARLIEST_US, LATEST_US = -(2**63), 2**63 - 1

# Chunks of a series never overlap, so the last one that begins by ``start`` is the first that matters.
_IN_REACH = """series = :series AND t1 >= :start AND t0 <= :end AND t0 >=
  coalesce((SELECT max(t0) FROM chunk WHERE series = :series AND t0 <= :start), :start)"""


@dataclass(frozen=True, slots=True, eq=False)
class Part:
    """A run of readings of one series: a chunk not yet read, or readings at hand."""

    series: int
    t0: int
    t1: int
    n: int
    chunk: int | None = None
    at_hand: Stretch | None = None


class SessionReader:
    """A session file opened for reading. Every method raises ``DamagedSession`` on torn contents."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._sql = open_reading(path)

    def close(self) -> None:
        """Let go of the file; safe to call twice."""
        self._sql.close()

    def meta(self) -> dict[str, str]:
        """Facts about the whole session."""
        with translated(self.path):
            return dict(self._sql.execute("SELECT key, value FROM meta").fetchall())

    def rows(self, table: str, where: str = "", *values: object) -> list[dict[str, Any]]:
        """Rows of a small table in the order of their numbers, JSON columns opened."""
        with translated(self.path), self._torn_json(table):
            return read_rows(self._sql, table, where, values)

    def count(self, table: str) -> int:
        """How many rows a table has."""
        with translated(self.path):
            return int(self._sql.execute(f"SELECT count(*) FROM {table}").fetchone()[0])

    def last_us(self) -> int | None:
        """Time of the last reading of any series, None where there is none."""
        with translated(self.path):
            ends = self._sql.execute("SELECT max(t1) FROM chunk UNION ALL SELECT max(t1) FROM tail").fetchall()
        return max((end for (end,) in ends if end is not None), default=None)

    def parts(self, series: int, start_us: int = EARLIEST_US, end_us: int = LATEST_US) -> list[Part]:
        """What there is of a series between two times, in order, as one consistent picture."""
        sought = {"series": series, "start": start_us, "end": end_us}
        with translated(self.path), self._one_picture():
            chunks = self._sql.execute(
                f"SELECT id, t0, t1, n FROM chunk WHERE {_IN_REACH} ORDER BY t0", sought
            ).fetchall()
            tail = self._tail_rows(sought)
        sealed = [Part(series, t0, t1, n, chunk=number) for number, t0, t1, n in chunks]
        return sealed + [
            Part(series, t0, t1, n, at_hand=self._tail_stretch(n, body)) for t0, t1, n, body in tail
        ]

    def load(self, part: Part) -> Stretch:
        """The readings of one part."""
        if part.at_hand is not None:
            return part.at_hand
        with translated(self.path):
            n, tb, vb, fb = self._sql.execute(
                "SELECT n, tb, vb, fb FROM chunk WHERE id = ?", (part.chunk,)
            ).fetchone()
        try:
            return Stretch(
                codec.decode_times(tb, n), codec.decode_values(vb, n), codec.decode_flags(fb, n)
            )
        except DamagedSession as error:
            raise DamagedSession(
                f"{self.path}: chunk {part.chunk}, series {part.series}, from {iso_utc(part.t0)} to "
                f"{iso_utc(part.t1)} is torn: {error}. All outside these times can still be read"
            ) from error

    def stretch(self, series: int, start_us: int = EARLIEST_US, end_us: int = LATEST_US) -> Stretch:
        """All readings of a series with ``start_us <= t <= end_us``."""
        parts = self.parts(series, start_us, end_us)
        return codec.joined([self.load(part).between(start_us, end_us) for part in parts])

    def since(self, series: int, after_us: int) -> Stretch:
        """Readings later than ``after_us``: times of a series only grow, so that is a sure mark."""
        return self.stretch(series, after_us + 1)

    def envelopes(self, parts: list[Part]) -> NDArray[np.void]:
        """``ENVELOPE`` rows of sealed parts that follow each other in one series."""
        if not parts:
            return np.empty(0, ENVELOPE)
        with translated(self.path):
            found = self._sql.execute(
                "SELECT env FROM chunk WHERE series = ? AND t0 BETWEEN ? AND ? ORDER BY t0",
                (parts[0].series, parts[0].t0, parts[-1].t0),
            ).fetchall()
        return self._table(b"".join(body for (body,) in found), ENVELOPE)

    def wave(self, capture: int) -> NDArray[np.int16]:
        """All codes of a capture."""
        with translated(self.path):
            found = self._sql.execute(
                "SELECT n, body FROM wave WHERE capture = ? ORDER BY part", (capture,)
            ).fetchall()
        try:
            return np.concatenate([np.empty(0, np.int16), *(codec.decode_wave(body, n) for n, body in found)])
        except DamagedSession as error:
            raise DamagedSession(f"{self.path}: capture {capture} is torn: {error}") from error

    def wave_envelope(self, capture: int) -> NDArray[np.void]:
        """``WAVE_ENVELOPE`` rows of a capture, one every ``BLOCK`` samples."""
        with translated(self.path):
            found = self._sql.execute(
                "SELECT env FROM wave WHERE capture = ? ORDER BY part", (capture,)
            ).fetchall()
        return self._table(b"".join(body for (body,) in found), WAVE_ENVELOPE)

    def _tail_rows(self, sought: dict[str, int]) -> list[tuple[int, int, int, bytes]]:
        return self._sql.execute(
            "SELECT t0, t1, n, body FROM tail WHERE series = :series AND t1 >= :start AND t0 <= :end "
            "ORDER BY t1",
            sought,
        ).fetchall()

    def _tail_stretch(self, n: int, body: bytes) -> Stretch:
        try:
            return codec.decode_tail(body, n)
        except DamagedSession as error:
            raise DamagedSession(f"{self.path}: {error}. What is sealed can still be read") from error

    def _table(self, body: bytes, kind: np.dtype[np.void]) -> NDArray[np.void]:
        if len(body) % kind.itemsize:
            raise DamagedSession(f"{self.path}: an envelope is torn. The readings themselves may still be whole")
        return np.frombuffer(body, kind)

    @contextlib.contextmanager
    def _torn_json(self, table: str) -> Iterator[None]:
        try:
            yield
        except ValueError as error:
            raise DamagedSession(f"{self.path}: a row of {table} holds torn JSON ({error})") from error

    @contextlib.contextmanager
    def _one_picture(self) -> Iterator[None]:
        self._sql.execute("BEGIN")
        try:
            yield
        finally:
            if self._sql.in_transaction:
                self._sql.execute("COMMIT")

