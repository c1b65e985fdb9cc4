"""The reading door: a session's record as pandas frames, also while a daemon writes it.

::

    with open_session(Path("mixer.session")) as session:
        frame = session.readings()

Times are UTC; ``*_us`` columns and arguments are microseconds since 1970.
"""

from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import numpy as np
import pandas as pd

from daemon.store.codec import Floats, Stretch, joined
from daemon.store.frames import READING_COLUMNS, readings_frame, series_name, table_frame
from daemon.store.listing import SUFFIX, SessionSummary, list_sessions
from daemon.store.losses import sentence
from daemon.store.overview import Blocks, Overview, overview
from daemon.store.reader import EARLIEST_US, LATEST_US, Part, SessionReader
from daemon.store.schema import BLOCK
from daemon.store.settings import Settings
from daemon.store.tags import Tagger
from drivers.errors import SessionError
from drivers.readings import Trace

__all__ = [
    "READING_COLUMNS",
    "SHORT_STAY_US",
    "SUFFIX",
    "Overview",
    "SessionRecords",
    "SessionSummary",
    "Stretch",
    "list_sessions",
    "open_session",
    "says_nothing",
]

SLICE_READINGS = 500_000
SHORT_STAY_US = 2_000_000

_PLACEMENT = (
    *("id", "t0", "t1", "instrument", "channel", "probe", "quantity", "point", "leg", "mode", "condition"),
    *("hypothesis", "struck", "value", "uncertainty", "limits", "count", "flags", "judgement"),
)
_SETTING = ("id", "series", "t", "range", "resolution", "integration_s", "percent_reading", "percent_range")
_CAPTURE = (
    *("id", "t", "half_width_us", "instrument", "channel", "n", "dt", "scale", "offset", "lowest", "highest"),
    *("clipped", "coupling", "rolling", "role", "point", "leg", "mode", "condition", "event", "note"),
)
_SWITCH_ON = ("t", "event", "capture", "reference", "point", "mode", "verdict", "also", "ratio", "why", "data")
_OBJECTION = ("t", "event", "placement", "kind", "text", "data")


def open_session(path: Path | str) -> "SessionRecords":
    """The record of a session file; a context manager.

    Raises ``NotASession``, ``NewerSession`` or ``DamagedSession``.
    """
    return SessionRecords(Path(path))


class SessionRecords:
    """One session, for reading only. Every call sees what was committed until then."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._reader = SessionReader(path)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the file. Do so soon: a file held open keeps its write-ahead log beside it."""
        self._reader.close()

    @property
    def meta(self) -> dict[str, str]:
        """Facts about the whole session: ``started_us``, ``closed_us``, ``unit`` and so on."""
        return self._reader.meta()

    @property
    def last_us(self) -> int | None:
        """Time of the last reading of any series, None where there is none."""
        return self._reader.last_us()

    # Readings

    def series(self) -> pd.DataFrame:
        """One row a series: id, instrument, channel, quantity, unit, and ``series``, its name in exports."""
        rows = [{**row, "series": series_name(row)} for row in self._reader.rows("series")]
        return table_frame(rows, ("id", "instrument", "channel", "quantity", "unit", "series"), texts=["series"])

    def readings(
        self, series: int | str | None = None, start_us: int | None = None, end_us: int | None = None
    ) -> pd.DataFrame:
        """One row a reading with its tags (``READING_COLUMNS``), in order of time, both ends included.

        ``series`` is a number of ``series()`` or a name there (of every instrument that has it).
        """
        start_us, end_us = _ends(start_us, end_us)
        chosen = self._chosen(series)
        return self._told(
            readings_frame(
                [(row, self._reader.stretch(row["id"], start_us, end_us)) for row in chosen],
                *self._tagger_and_settings(),
            )
        )

    def readings_by_placement(self, placement: int) -> pd.DataFrame:
        """The readings that belong to one placement. Raises ``SessionError`` where there is none."""
        row = self._one("placement", placement)
        end_us = LATEST_US if row["t1"] is None else row["t1"]
        place = {name: row[name] for name in ("instrument", "channel")}
        own = [
            series
            for series in self._reader.rows("series")
            if place.items() <= series.items() and row["quantity"] in ("", series["quantity"])
        ]
        frame = readings_frame(
            [(series, self._reader.stretch(series["id"], row["t0"], end_us)) for series in own],
            *self._tagger_and_settings(),
        )
        return self._told(frame[frame["placement"] == placement].reset_index(drop=True))

    def reading_slices(self, rows: int = SLICE_READINGS) -> Iterator[pd.DataFrame]:
        """All readings as ``readings()`` gives them, in frames of about ``rows``, so that any length fits."""
        tagger, settings = self._tagger_and_settings()
        series = {row["id"]: row for row in self._reader.rows("series")}
        parts = {number: self._reader.parts(number) for number in series}
        for start_us, end_us in _slices([part for each in parts.values() for part in each], rows):
            yield readings_frame(
                [(series[number], self._cut(parts[number], start_us, end_us)) for number in parts], tagger, settings
            )

    def tail(self, series: int, after_us: int = EARLIEST_US) -> Stretch:
        """Readings of a series later than ``after_us``, for following a running session step by step."""
        return self._reader.since(series, after_us)

    def overview(
        self,
        series: int,
        start_us: int | None = None,
        end_us: int | None = None,
        buckets: int = 2000,
        exact_readings: int | None = None,
    ) -> Overview:
        """A series between two times in at most ``buckets`` points; the extremes are never lost.

        Each point sums up all readings from its time to that of the next one. From the readings themselves up to
        ``exact_readings`` of them, beyond that from stored envelopes of 128 readings: unless told otherwise where a
        bucket holds more than one of those.
        """
        parts = self._reader.parts(series, *_ends(start_us, end_us))
        if not parts:
            return overview(Blocks.of_readings(joined([])), 0, 0, buckets)
        start_us = parts[0].t0 if start_us is None else start_us
        end_us = parts[-1].t1 if end_us is None else end_us
        if sum(part.n for part in parts) <= (buckets * BLOCK if exact_readings is None else exact_readings):
            blocks = Blocks.of_readings(self._cut(parts, start_us, end_us))
        else:
            blocks = self._long(parts, start_us, end_us)
        return overview(blocks, start_us, end_us, buckets)

    def settings(self) -> pd.DataFrame:
        """One row a change of what a series was measured with; it holds until the next row of that ``series`` (id).

        ``range`` and ``resolution`` in its unit, ``integration_s`` in s, ``percent_reading`` and
        ``percent_range`` as the bench file states them; NaN where not known.
        """
        return table_frame(self._reader.rows("setting"), _SETTING)

    # What is lost

    def losses(self) -> pd.DataFrame:
        """What the file should hold and does not, one row a loss; of a sound file none.

        ``text`` says it in a sentence; ``kind`` is readings, capture or log, ``number`` that of the series or
        capture, ``n`` how many readings or samples. Reads the whole file: call it once, not at every look. What
        ``readings()`` leaves out for that reason is in ``frame.attrs["losses"]`` too, as sentences, and logged.
        """
        names = self._reader.names()
        rows = [
            {**asdict(loss), "t0": loss.t0_us, "t1": loss.t1_us, "text": sentence(loss, names)}
            for loss in self._reader.losses()
        ]
        return table_frame(rows, ("t0", "t1", "kind", "number", "n", "why", "text"))

    # What was made of them

    def placements(self, since_id: int = 0) -> pd.DataFrame:
        """One row a placement, in order of their numbers; ``until`` is empty while it lasts.

        Only those whose number is above ``since_id``.
        """
        found = self._reader.rows("placement", "WHERE id > ?", since_id)
        rows = [{**row, "struck": bool(row["struck"])} for row in found]
        return table_frame(rows, _PLACEMENT)

    def contexts(self) -> pd.DataFrame:
        """Intervals of mode, condition and hypothesis."""
        return table_frame(self._reader.rows("context"), ("id", "kind", "value", "t0", "t1"), texts=["value"])

    def changes(self) -> pd.DataFrame:
        """Every correction: what, before, after (dicts) and why."""
        columns = ("id", "t", "target", "row", "before", "after", "why")
        return table_frame(self._reader.rows("change"), columns)

    def events(self, kind: str | None = None, since_id: int = 0) -> pd.DataFrame:
        """Events with a number above ``since_id``, of one kind where ``kind`` is given."""
        return table_frame(self._events(kind, since_id), ("id", "t", "kind", "text", "data"))

    def switch_ons(self) -> pd.DataFrame:
        """One row a switch-on verdict; ``time`` is that of the switch-on where the verdict says it."""
        return table_frame(
            [
                {**dict.fromkeys(_SWITCH_ON), **data, "t": data.get("t_us", row["t"]), "event": row["id"]}
                | {"data": data}
                for row in self._events("switch-on verdict")
                for data in [row["data"]]
            ],
            _SWITCH_ON,
        )

    def objections(self) -> pd.DataFrame:
        """One row an objection; ``kind`` is the objection's own."""
        return table_frame(
            [
                {"t": row["t"], "event": row["id"], "text": row["text"], "data": data}
                | {"placement": data.get("placement"), "kind": data.get("kind", "")}
                for row in self._events("objection")
                for data in [row["data"]]
            ],
            _OBJECTION,
        )

    # Captures

    def captures(self, role: str | None = None) -> pd.DataFrame:
        """One row a kept trace; ``dt`` in s, volts = code x ``scale`` + ``offset``."""
        where, values = ("", ()) if role is None else ("WHERE role = ?", (role,))
        rows = self._reader.rows("capture", where, *values)
        return table_frame(
            [{**row, "clipped": bool(row["clipped"]), "rolling": bool(row["rolling"])} for row in rows],
            _CAPTURE,
        )

    def trace(self, capture: int) -> Trace:
        """A kept trace, code by code. Raises ``SessionError`` where there is none of that number."""
        row = self._one("capture", capture)
        return Trace(
            t0_us=row["t"],
            dt_s=row["dt"],
            codes=self._reader.wave(capture),
            scale_v=row["scale"],
            offset_v=row["offset"],
            channel=row["channel"],
            t0_half_width_us=row["half_width_us"],
            lowest_code=row["lowest"],
            highest_code=row["highest"],
            coupling=row["coupling"],
            rolling=bool(row["rolling"]),
        )

    def trace_envelope(self, capture: int) -> tuple[Floats, Floats, Floats]:
        """Seconds since its start, lowest and highest volts of every 128 samples of a kept trace."""
        row, rows = self._one("capture", capture), self._reader.wave_envelope(capture)
        seconds = np.arange(len(rows)) * BLOCK * row["dt"]
        ends = np.stack([rows[name].astype(np.float64) * row["scale"] + row["offset"] for name in ("low", "high")])
        return seconds, ends.min(axis=0), ends.max(axis=0)

    # Inside

    def _events(self, kind: str | None, since_id: int = 0) -> list[dict[str, Any]]:
        where, values = ("", ()) if kind is None else (" AND kind = ?", (kind,))
        return self._reader.rows("event", f"WHERE id > ?{where}", since_id, *values)

    def _one(self, table: str, number: int) -> dict[str, Any]:
        rows = self._reader.rows(table, "WHERE id = ?", int(number))
        if not rows:
            raise SessionError(f"{self.path} has no {table} {number}: look at {table}s() for those there are")
        return rows[0]

    def _chosen(self, series: int | str | None) -> list[dict[str, Any]]:
        rows = self._reader.rows("series")
        if series is None:
            return rows
        chosen = [row for row in rows if series in (row["id"], series_name(row))]
        if not chosen:
            raise SessionError(f"{self.path} has no series {series!r}: look at series() for those there are")
        return chosen

    def _tagger_and_settings(self) -> tuple[Tagger, dict[int, Settings]]:
        tagger = Tagger(self._reader.rows("placement"), self._reader.rows("context"))
        rows: dict[int, list[dict[str, Any]]] = {}
        for row in self._reader.rows("setting"):
            rows.setdefault(row["series"], []).append(row)
        return tagger, {series: Settings(own) for series, own in rows.items()}

    def _told(self, frame: pd.DataFrame) -> pd.DataFrame:
        """The frame with what reading has found lost until now, where it has."""
        if met := self._reader.met.losses:
            names = self._reader.names()
            frame.attrs["losses"] = [sentence(loss, names) for loss in met]
        return frame

    def _cut(self, parts: list[Part], start_us: int, end_us: int) -> Stretch:
        touched = [part for part in parts if part.t1 >= start_us and part.t0 <= end_us]
        return joined([self._reader.load(part).between(start_us, end_us) for part in touched])

    def _long(self, parts: list[Part], start_us: int, end_us: int) -> Blocks:
        """Envelopes of the chunks that lie wholly inside, the readings themselves at both ends."""
        inside = [part.chunk is not None and start_us <= part.t0 and part.t1 <= end_us for part in parts]
        first = inside.index(True) if any(inside) else len(parts)
        stop = len(parts) - inside[::-1].index(True) if any(inside) else len(parts)
        pieces = [
            Blocks.of_readings(self._cut(parts[:first], start_us, end_us)),
            Blocks.of_envelope(self._reader.envelopes(parts[first:stop])),
            Blocks.of_readings(self._cut(parts[stop:], start_us, end_us)),
        ]
        return Blocks.joined(pieces)


def says_nothing(t0_us: int, t1_us: int | None, count: int, struck: bool) -> bool:
    """True for a stay that was over before anything settled, as after each change of mode.

    Its readings are kept and tagged; there is no value to tell. One that lasts still, or was struck by hand, counts.
    """
    if struck or count or t1_us is None:
        return False
    return t1_us - t0_us < SHORT_STAY_US


def _ends(start_us: int | None, end_us: int | None) -> tuple[int, int]:
    return EARLIEST_US if start_us is None else start_us, LATEST_US if end_us is None else end_us


def _slices(parts: list[Part], rows: int) -> Iterator[tuple[int, int]]:
    """Stretches of time, both ends included, that hold about ``rows`` readings each and all together."""
    start_us, waiting = EARLIEST_US, 0
    for part in sorted(parts, key=lambda each: each.t1):
        waiting += part.n
        if waiting >= rows:
            yield start_us, part.t1
            start_us, waiting = part.t1 + 1, 0
    if waiting:
        yield start_us, max(part.t1 for part in parts)
