"""Reads a session file, closed or being written, in transactions of a few milliseconds."""

import contextlib
import sqlite3
from collections import OrderedDict
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from daemon.store import codec
from daemon.store.checksums import check
from daemon.store.choice import EARLIEST_US, LATEST_US
from daemon.store.codec import ENVELOPE, WAVE_ENVELOPE, Stretch
from daemon.store.connection import MEND, open_reading, translated
from daemon.store.inspection import inspected
from daemon.store.losses import Loss, Met, series_names
from daemon.store.rows import read_rows
from daemon.store.schema import PART_SAMPLES
from drivers.errors import DamagedSession

_KEPT_CHUNKS = 128  # 18 MB: a screen of four series, moved or zoomed, is unpacked once

# Chunks of a series never overlap, so the last one that begins by ``start`` is the first that matters.
_IN_REACH = """series = :series AND t1 >= :start AND t0 <= :end AND t0 >=
  coalesce((SELECT max(t0) FROM chunk WHERE series = :series AND t0 <= :start), :start)"""


class Part(NamedTuple):
    """A run of readings of one series: a chunk not yet read, or readings at hand."""

    series: int
    t0: int
    t1: int
    n: int
    chunk: int | None = None
    at_hand: Stretch | None = None


class SessionReader:
    """A session file opened for reading.

    Readings whose bytes are torn are left out, noted in ``met`` and logged; all else that is torn raises
    ``DamagedSession``.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.met = Met(path)
        self._loaded: OrderedDict[int, Stretch] = OrderedDict()  # by chunk, the last used at the end
        self._sql = open_reading(path)

    def close(self) -> None:
        """Let go of the file; safe to call twice."""
        self._sql.close()

    def meta(self) -> dict[str, str]:
        """Facts about the whole session."""
        with translated(self.path):
            return dict(self._sql.execute("SELECT key, value FROM meta").fetchall())

    def rows(
        self, table: str, where: str = "", *values: object, columns: Sequence[str] = ("*",)
    ) -> list[dict[str, Any]]:
        """Rows of a small table in the order of their numbers, JSON columns opened."""
        with translated(self.path), self._torn_json(table):
            return read_rows(self._sql, table, where, values, columns)

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
        unsealed = [self._tail_part(*row) for row in tail]
        return sealed + [part for part in unsealed if part is not None]

    def load(self, part: Part) -> Stretch:
        """The readings of one part, not to be written to; none where it is torn."""
        if part.chunk is None:
            return part.at_hand or codec.joined([])
        try:
            return self._chunk(part.chunk)
        except DamagedSession as error:
            self._note_lost(part.series, part.t0, part.t1, part.n, f"chunk {part.chunk} is torn, {_short(error)}")
            return codec.joined([])

    def _chunk(self, number: int) -> Stretch:
        """A sealed chunk never changes, so that the last ones are kept unpacked."""
        if number not in self._loaded:
            self._loaded[number] = self._unpacked(number)
        self._loaded.move_to_end(number)
        stretch = self._loaded[number]
        if len(self._loaded) > _KEPT_CHUNKS:
            self._loaded.popitem(last=False)
        return stretch

    def _unpacked(self, number: int) -> Stretch:
        with translated(self.path):
            *place, crc, tb, vb, fb = self._sql.execute(
                "SELECT series, t0, t1, first, n, crc, tb, vb, fb FROM chunk WHERE id = ?", (number,)
            ).fetchone()
        check(crc, tuple(place), tb, vb, fb)
        stretch = codec.decode_planes(tb, vb, fb, place[-1])
        for plane in (stretch.t, stretch.v, stretch.flags):
            plane.flags.writeable = False
        return stretch

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
                "SELECT series, t0, t1, first, n, env_crc, env FROM chunk "
                "WHERE series = ? AND t0 BETWEEN ? AND ? ORDER BY t0",
                (parts[0].series, parts[0].t0, parts[-1].t0),
            ).fetchall()
        by_time = {part.t0: part for part in parts}
        bodies = [self._envelope(by_time.get(row[1]), row) for row in found]
        return np.frombuffer(b"".join(bodies), ENVELOPE)

    def _envelope(self, part: Part | None, row: tuple[Any, ...]) -> bytes:
        *place, crc, env = row
        try:
            check(crc, tuple(place), env)
            return codec.whole_envelope(env, place[-1], ENVELOPE)
        except DamagedSession:
            # It only repeats what the readings say.
            return codec.envelope(self.load(part)).tobytes() if part is not None else b""

    def wave(self, capture: int) -> NDArray[np.int16]:
        """All codes of a capture. Raises ``DamagedSession`` where a part of them is torn."""
        return self._complete(capture, self.samples(capture, 0, LATEST_US))

    def samples(self, capture: int, first: int, stop: int) -> NDArray[np.int16]:
        """Codes ``first`` to before ``stop`` of a capture, from the parts that hold them alone."""
        parts = first // PART_SAMPLES, (stop - 1) // PART_SAMPLES
        codes = [np.empty(0, np.int16)]
        for number, part, n, crc, body in self._wave_rows(capture, "crc, body", *parts):
            try:
                check(crc, (number, part, n), body)
                codes.append(codec.decode_wave(body, n))
            except DamagedSession as error:
                raise DamagedSession(
                    f"{self.path}: capture {capture} is torn in its part {part}, {_short(error)}. {MEND}"
                ) from error
        begin = parts[0] * PART_SAMPLES
        return np.concatenate(codes)[first - begin : stop - begin]

    def _complete(self, capture: int, codes: NDArray[np.int16]) -> NDArray[np.int16]:
        with translated(self.path):
            (n,) = self._sql.execute("SELECT n FROM capture WHERE id = ?", (capture,)).fetchone() or (0,)
        if len(codes) != n:
            raise DamagedSession(f"{self.path}: capture {capture} has {len(codes):,} of {n:,} samples. {MEND}")
        return codes

    def wave_envelope(self, capture: int) -> NDArray[np.void]:
        """``WAVE_ENVELOPE`` rows of a capture, one every ``BLOCK`` samples."""
        bodies = []
        for number, part, n, crc, env in self._wave_rows(capture, "env_crc, env"):
            try:
                check(crc, (number, part, n), env)
                bodies.append(codec.whole_envelope(env, n, WAVE_ENVELOPE))
            except DamagedSession:
                return np.frombuffer(codec.wave_envelope(self.wave(capture)), WAVE_ENVELOPE)
        return np.frombuffer(b"".join(bodies), WAVE_ENVELOPE)

    def losses(self) -> list[Loss]:
        """Everything that is lost, by reading every checksum of the file and counting what should be there."""
        with translated(self.path), self._one_picture():
            return inspected(self._sql, self.path)

    def names(self) -> dict[int, str]:
        """What each series is called, by number."""
        return series_names(self.rows("series"))

    def _note_lost(self, series: int, t0: int, t1: int, n: int, why: str) -> None:
        self.met.note(Loss("readings", series, t0, t1, n, why), self.names())

    def _wave_rows(
        self, capture: int, columns: str, first: int = 0, last: int = LATEST_US
    ) -> list[tuple[Any, ...]]:
        with translated(self.path):
            return self._sql.execute(
                f"SELECT capture, part, n, {columns} FROM wave "
                "WHERE capture = ? AND part BETWEEN ? AND ? ORDER BY part",
                (capture, first, last),
            ).fetchall()

    def _tail_rows(self, sought: dict[str, int]) -> list[tuple[Any, ...]]:
        return self._sql.execute(
            "SELECT series, t0, t1, first, n, crc, body FROM tail "
            "WHERE series = :series AND t1 >= :start AND t0 <= :end ORDER BY t1",
            sought,
        ).fetchall()

    def _tail_part(
        self, series: int, t0: int, t1: int, first: int | None, n: int, crc: int | None, body: bytes
    ) -> Part | None:
        try:
            check(crc, (series, t0, t1, first, n), body)
            return Part(series, t0, t1, n, at_hand=codec.decode_tail(body, n))
        except DamagedSession as error:
            self._note_lost(series, t0, t1, n, f"a row that was not sealed yet is torn, {_short(error)}")
            return None

    @contextlib.contextmanager
    def _torn_json(self, table: str) -> Iterator[None]:
        try:
            yield
        except ValueError as error:
            raise DamagedSession(f"{self.path}: a row of {table} holds torn JSON ({error}). {MEND}") from error

    @contextlib.contextmanager
    def _one_picture(self) -> Iterator[None]:
        self._sql.execute("BEGIN")
        try:
            yield
        finally:
            # Nothing to keep; and a COMMIT says once more what was wrong with a torn row that has been dealt with.
            with contextlib.suppress(sqlite3.DatabaseError):
                self._sql.execute("ROLLBACK")


def _short(error: Exception) -> str:
    """What is wrong, without the file and the cure that it may name too."""
    return str(error).split(". ")[0].rpartition(".session: ")[2]
