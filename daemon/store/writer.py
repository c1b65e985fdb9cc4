"""Writes a session file: the one connection that does, owned by one thread.

Everything asked for waits in memory and goes into the file with the next ``commit``, in one
short transaction. Where a commit fails nothing is forgotten: the next one brings it all.
"""

import contextlib
import sqlite3
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from types import TracebackType
from typing import Any, Literal, Self

from daemon.store import codec
from daemon.store.buffers import NEVER_US, Buffer, chunk_row, tail_row, wave_row
from daemon.store.checksums import check
from daemon.store.connection import MEND, check_file, create_file, open_file, translated
from daemon.store.inspection import log_words
from daemon.store.lock import WriterLock
from daemon.store.log import log_state
from daemon.store.opinions import ContextKind, Opinions
from daemon.store.outbox import Outbox, to_json
from daemon.store.rows import read_rows
from daemon.store.schema import CHUNK_READINGS, PART_SAMPLES
from daemon.store.settings import Setting
from drivers.clock import Clock
from drivers.errors import DamagedSession
from drivers.readings import Quantity, Trace

__all__ = ["ContextKind", "Role", "SessionWriter"]

Role = Literal["switch-on", "reference", "kept"]

_CLOCK_S = 10.0
_STEP_US = 50_000
_LEAP_US = 2_000_000
_PATIENCE_MS = 300


class SessionWriter(Opinions):
    """One session being written; make it with ``create`` or ``resume``, end it with ``close``.

    Raises ``StoreFull`` from ``commit`` and ``close`` only, and loses nothing by it.
    """

    def __init__(self, path: Path, clock: Clock, connection: sqlite3.Connection, lock: WriterLock) -> None:
        self.path = path
        self._clock = clock
        self._sql = connection
        self._lock = lock
        with translated(path):
            self._load()
        self._segment += 1
        self._add_clock("start")

    @classmethod
    def create(cls, path: Path, clock: Clock, meta: Mapping[str, str]) -> Self:
        """Start a new session file. Raises ``SessionError`` where one of that name exists."""
        writer = cls._opened(path, clock, create_file)
        with writer._undone_on_error(path.unlink):
            for key, value in {"started_us": str(clock.now_us()), **meta}.items():
                writer.set_meta(key, value)
            writer.commit()
        return writer

    @classmethod
    def resume(cls, path: Path, clock: Clock) -> Self:
        """Go on with a session, closed in good order or not.

        Raises ``SessionBusy``, ``NotASession``, ``NewerSession`` or ``DamagedSession``.
        """
        check_file(path)
        log = log_state(path)  # opening the file uses it up
        writer = cls._opened(path, clock, open_file)
        with writer._undone_on_error(lambda: None):
            if words := log_words(log, closed=bool(writer.meta("closed_us"))):
                writer.add_event(clock.now_us(), "lost", f"{words}.")
            writer.set_meta("closed_us", "")
            writer._end_open_placements()
            writer.commit()
        return writer

    @classmethod
    def _opened(cls, path: Path, clock: Clock, opened: Callable[[Path], sqlite3.Connection]) -> Self:
        with contextlib.ExitStack() as undo:
            lock = WriterLock(path)
            undo.callback(lock.release)
            connection = opened(path)
            undo.callback(connection.close)
            writer = cls(path, clock, connection, lock)
            undo.pop_all()
        return writer

    @contextlib.contextmanager
    def _undone_on_error(self, undo: Callable[[], None]) -> Iterator[None]:
        try:
            yield
        except BaseException:
            self.abandon()
            undo()
            raise

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        try:
            self.close()
        finally:
            self.abandon()

    # Readings

    def series(self, instrument: str, channel: str, quantity: Quantity, unit: str | None = None) -> int:
        """The number of a series, made when it is new."""
        key = (instrument, channel, str(quantity))
        if key not in self._series:
            columns = dict(zip(("instrument", "channel", "quantity"), key, strict=True))
            columns["unit"] = quantity.unit if unit is None else unit
            self._series[key] = self._outbox.insert("series", columns)
            self._buffers[self._series[key]] = Buffer()
        return self._series[key]

    def append(self, series_id: int, t_us: int, value: float, flags: int) -> int:
        """Take one reading (NaN where a flag says that there is no value).

        Returns the time kept: 1 us after the series' last where ``t_us`` is not later than that.
        """
        return self._buffers[series_id].append(t_us, float(value), int(flags) & 0xFF)

    def note_setting(self, series_id: int, t_us: int, setting: Setting) -> bool:
        """From the reading at ``t_us`` on this holds for the series. Stored, and True, only where it is new."""
        if self._settings.get(series_id) == setting:
            return False
        self._settings[series_id] = setting
        self._outbox.insert("setting", {"series": series_id, "t": t_us, **setting._asdict()})
        return True

    def commit(self) -> None:
        """Bring everything onto the disk. Raises ``StoreFull``; then the next commit brings it all."""
        self._note_clock()
        if self._outbox or any(buffer.waiting for buffer in self._buffers.values()) or self._ripe():
            self._commit(seal_everything=False)

    # Events

    def add_event(self, t_us: int, kind: str, text: str, data: Mapping[str, Any] | None = None) -> int:
        """Keep something that happened; returns its number."""
        return self._outbox.insert(
            "event", {"t": t_us, "kind": kind, "text": text, "data": to_json(data or {})}
        )

    # Captures

    def add_capture(
        self,
        trace: Trace,
        *,
        role: Role,
        point: str,
        leg: str,
        mode: str,
        condition: str,
        event: int | None = None,
        note: str = "",
        instrument: str = "",
    ) -> int:
        """Keep a trace, code by code; returns its number."""
        tags = {"role": role, "point": point, "leg": leg, "mode": mode, "condition": condition}
        about = {"instrument": instrument, "event": event, "note": note}
        number = self._outbox.insert("capture", {**_capture_facts(trace), **tags, **about})
        for part, start in enumerate(range(0, len(trace.codes), PART_SAMPLES)):
            codes = trace.codes[start : start + PART_SAMPLES]
            self._outbox.say("INSERT INTO wave VALUES(?, ?, ?, ?, ?, ?, ?)", *wave_row(number, part, codes))
        return number

    def set_capture_role(self, capture: int, role: Role) -> None:
        """Make a kept capture the reference, or take that back."""
        self._outbox.update("capture", capture, {"role": role})

    # Meta

    def set_meta(self, key: str, value: str) -> None:
        """Keep one fact about the whole session."""
        self._meta[key] = value
        self._outbox.say("INSERT OR REPLACE INTO meta VALUES(?, ?)", key, value)

    def meta(self, key: str) -> str | None:
        """One fact about the whole session, None where it was never said."""
        return self._meta.get(key)

    # The end

    def close(self) -> None:
        """Seal everything and leave one portable file behind; safe to call twice.

        Raises ``StoreFull``; then nothing is let go of, and it can be tried again.
        """
        if not self._lock.held:
            return
        self._end_open_placements()
        self.set_meta("closed_us", str(self._clock.now_us()))
        self._add_clock("close")
        self._commit(seal_everything=True)
        with translated(self.path):
            self._sql.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
            # A reader that still has the file open keeps the log's mode; the file is whole all the same.
            with contextlib.suppress(sqlite3.OperationalError):
                self._sql.execute(f"PRAGMA busy_timeout = {_PATIENCE_MS}")
                self._sql.execute("PRAGMA journal_mode = DELETE").fetchall()
        self.abandon()

    def abandon(self) -> None:
        """Let go of the file as it is; what was committed stays. Safe to call twice."""
        self._sql.close()
        self._lock.release()

    # Inside

    def _load(self) -> None:
        rows = self._sql.execute
        self._outbox = Outbox(self._sql)
        self._meta: dict[str, str] = dict(rows("SELECT key, value FROM meta"))
        self._series: dict[tuple[str, str, str], int] = {
            (instrument, channel, quantity): number
            for number, instrument, channel, quantity in rows(
                "SELECT id, instrument, channel, quantity FROM series"
            )
        }
        self._buffers = {number: self._buffer(number) for number in self._series.values()}
        # Not those of an earlier start: what was turned while nobody looked is said anew.
        self._settings: dict[int, Setting] = {}
        self._contexts = {int(row.pop("id")): row for row in read_rows(self._sql, "context")}
        self._placements = {int(row.pop("id")): row for row in read_rows(self._sql, "placement")}
        self._changes = read_rows(self._sql, "change")
        self._said_by = {int(row["id"]): row["said_by"] for row in read_rows(self._sql, "act")}
        self._was_relabelled = any(change["target"] == "context" for change in self._changes)
        (self._segment,) = rows("SELECT coalesce(max(segment), -1) FROM clock").fetchone()

    def _buffer(self, series: int) -> Buffer:
        last = self._sql.execute(
            "SELECT t1, first + n FROM chunk WHERE series = ? ORDER BY t0 DESC LIMIT 1", (series,)
        ).fetchone()
        buffer = Buffer(*(last or ()))
        for *place, crc, body in self._sql.execute(
            "SELECT series, t0, t1, first, n, crc, body FROM tail WHERE series = ? ORDER BY t0", (series,)
        ):
            try:
                check(crc, tuple(place), body)
                buffer.refill(codec.decode_tail(body, place[-1]), place[-2])
            except DamagedSession as error:
                raise DamagedSession(f"{self.path}: readings not sealed yet are torn, {error}. {MEND}") from error
        return buffer

    def _ripe(self) -> bool:
        now = self._clock.now_us()
        return any(buffer.ripe(now) for buffer in self._buffers.values())

    def _commit(self, seal_everything: bool) -> None:
        now = self._clock.now_us()
        sealed = {number: buffer.ripe(now, seal_everything) for number, buffer in self._buffers.items()}

        def store_readings() -> None:
            for number, count in sealed.items():
                self._store(number, self._buffers[number], count)

        with translated(self.path):
            self._outbox.flush(store_readings)
        for number, count in sealed.items():
            self._buffers[number].settle(count)

    def _store(self, series: int, buffer: Buffer, sealed: int) -> None:
        if sealed:
            self._sql.execute("DELETE FROM tail WHERE series = ?", (series,))
        for first in range(0, sealed, CHUNK_READINGS):
            stretch = buffer.stretch(first, min(first + CHUNK_READINGS, sealed))
            row = chunk_row(series, buffer.first + first, stretch)
            self._sql.execute(f"INSERT INTO chunk VALUES(NULL, {', '.join('?' * len(row))})", row)
        begin = sealed or buffer.stored
        if begin < len(buffer.t):
            self._sql.execute("INSERT INTO tail VALUES(NULL, ?, ?, ?, ?, ?, ?, ?)", tail_row(series, buffer, begin))

    def _end_open_placements(self) -> None:
        """A placement that nobody ended ends with the last reading of its instrument's input."""
        for number, row in self._placements.items():
            if row["t1"] is None:
                self.set_placement(number, t1=max(row["t0"], self._last_us(row["instrument"], row["channel"])))

    def _last_us(self, instrument: str, channel: str) -> int:
        own = [number for key, number in self._series.items() if key[:2] == (instrument, channel)]
        return max((self._buffers[number].last_us for number in own), default=NEVER_US)

    def _note_clock(self) -> None:
        moved = abs(self._clock.drift_us() - self._drift_us)
        if moved > _LEAP_US:
            self._segment += 1  # asleep, or set by hand: the two clocks are tied together anew
            self._add_clock("segment")
        elif moved > _STEP_US:
            self._add_clock("step")
        elif self._clock.monotonic_s() - self._clock_row_s >= _CLOCK_S:
            self._add_clock("tick")

    def _add_clock(self, kind: str) -> None:
        self._clock_row_s, self._drift_us = self._clock.monotonic_s(), self._clock.drift_us()
        wall_us = self._clock.now_us() + self._drift_us
        ties = {"mono_ns": round(self._clock_row_s * 1e9), "wall_ns": wall_us * 1000}
        count = sum(buffer.first + len(buffer.t) for buffer in self._buffers.values())
        self._outbox.insert("clock", {"segment": self._segment, **ties, "kind": kind, "readings": count})


def _capture_facts(trace: Trace) -> dict[str, Any]:
    """The columns of a capture that its trace says itself."""
    return {
        **{"t": trace.t0_us, "half_width_us": trace.t0_half_width_us, "channel": trace.channel},
        **{"n": len(trace.codes), "dt": trace.dt_s, "scale": trace.scale_v, "offset": trace.offset_v},
        **{"lowest": trace.lowest_code, "highest": trace.highest_code, "clipped": int(trace.clipped)},
        **{"coupling": trace.coupling, "rolling": int(trace.rolling)},
    }

