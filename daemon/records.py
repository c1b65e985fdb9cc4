"""The reading door: a session's record as pandas frames, also while a daemon writes it.

::

    with open_session("mixer.session") as session:
        frame = session.readings(hypothesis="regulator dead")

Times are UTC; ``*_us`` columns and arguments are microseconds since 1970.
"""

import math
from collections.abc import Iterator
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import numpy as np
import pandas as pd

from daemon.circuit import circuit
from daemon.drawing import parse_drawing
from daemon.store.choice import EARLIEST_US, LATEST_US, Row, overlap, span, spans_of, those_there_are
from daemon.store.codec import Floats, Stretch, joined
from daemon.store.frames import READING_COLUMNS, readings_frame, series_name, table_frame
from daemon.store.history import HISTORY_COLUMNS, history
from daemon.store.listing import SUFFIX, SessionSummary, list_sessions
from daemon.store.losses import sentence, told
from daemon.store.overview import Blocks, Overview, overview
from daemon.store.reader import SessionReader
from daemon.store.schema import BLOCK
from daemon.store.settings import Settings
from daemon.store.stretches import blocks, cut, slices, within
from daemon.store.tags import TAGS, Tagger, belongs
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
_TAGGING = ("id", "instrument", "channel", "quantity", *TAGS, "t0", "t1", "struck")
_SETTING = ("id", "series", "t", "range", "resolution", "integration_s", "percent_reading", "percent_range")
_CAPTURE = (
    *("id", "t", "half_width_us", "instrument", "channel", "n", "dt", "scale", "offset", "lowest", "highest"),
    *("clipped", "coupling", "rolling", "role", "point", "leg", "mode", "condition", "event", "note"),
)
_ROLES = ("switch-on", "reference", "kept")
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
        self,
        series: int | str | None = None,
        start_us: int | None = None,
        end_us: int | None = None,
        *,
        placement: int | None = None,
        point: str | None = None,
        leg: str | None = None,
        mode: str | None = None,
        condition: str | None = None,
        hypothesis: str | None = None,
    ) -> pd.DataFrame:
        """One row a reading with its tags (``READING_COLUMNS``), in order of time, both ends included.

        Of one ``series`` (its number in ``series()``, its name there, or that with its instrument's before it), of one
        placement, of one hypothesis and so on: of all that is asked for, only what is needed is read. Raises
        ``SessionError`` that lists what there is for what there is not.
        """
        words = zip(TAGS, (point, leg, mode, condition, hypothesis), strict=True)
        wanted: dict[str, str] = {tag: word for tag, word in words if word is not None}
        chosen, spans = self._chosen(series), [_ends(start_us, end_us)]
        near: tuple[Any, ...] = ("",)
        if placement is not None:
            row = self._one("placement", placement)
            chosen, spans = [each for each in chosen if belongs(row, each)], overlap(spans, [span(row)])
            # What began before it does not count inside of it.
            near = ("WHERE instrument = ? AND channel = ? AND t0 BETWEEN ? AND ?", *_place(row), *span(row))
        placements, contexts = self._reader.rows("placement", *near, columns=_TAGGING), self._reader.rows("context")
        for tag, word in wanted.items():
            self._check_word(tag, word)
            spans = overlap(spans, spans_of(tag, word, placements, contexts))
        found = [(each, within(self._reader, each["id"], spans)) for each in chosen]
        frame = readings_frame(found, Tagger(placements, contexts), self._settings())
        return self._told(_only(frame, wanted if placement is None else {**wanted, "placement": placement}))

    def reading_slices(self, rows: int = SLICE_READINGS) -> Iterator[pd.DataFrame]:
        """All readings as ``readings()`` gives them, in frames of about ``rows``, so that any length fits."""
        placements, contexts = self._reader.rows("placement", columns=_TAGGING), self._reader.rows("context")
        tagger, settings = Tagger(placements, contexts), self._settings()
        series = {row["id"]: row for row in self._reader.rows("series")}
        parts = {number: self._reader.parts(number) for number in series}
        for start_us, end_us in slices([part for each in parts.values() for part in each], rows):
            found = [(series[number], cut(self._reader, own, start_us, end_us)) for number, own in parts.items()]
            yield readings_frame(found, tagger, settings)

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
        exact_readings = buckets * BLOCK if exact_readings is None else exact_readings
        return overview(blocks(self._reader, parts, start_us, end_us, exact_readings), start_us, end_us, buckets)

    def settings(self) -> pd.DataFrame:
        """One row a change of what a series was measured with; it holds until the next row of that ``series`` (id).

        ``range`` and ``resolution`` in its unit, ``integration_s`` in s, ``percent_reading`` and
        ``percent_range`` as the bench file states them; NaN where not known.
        """
        return table_frame(self._reader.rows("setting"), _SETTING)

    # What is lost

    def losses(self) -> pd.DataFrame:
        """What the file should hold and does not, one row a loss, in words in ``text``; of a sound file none.

        ``kind`` is readings, capture or log, ``number`` that of the series or capture. Reads the whole file: call it
        once, not at every look. What ``readings()`` leaves out is in ``frame.attrs["losses"]`` too, and logged.
        """
        columns = ("t0", "t1", "kind", "number", "n", "why", "text")
        return table_frame(told(self._reader.losses(), self._reader.names()), columns)

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
        lasting = self._reader.rows("context", "WHERE t1 IS NULL OR t1 >= t0")
        return table_frame(lasting, ("id", "kind", "value", "t0", "t1"), texts=["value"])

    def changes(self) -> pd.DataFrame:
        """Every change of a row by a correction: what, before, after (dicts), why, and the act that made it."""
        columns = ("id", "t", "target", "row", "before", "after", "why", "act", "undoes")
        return table_frame(self._reader.rows("change"), columns)

    def history(self) -> pd.DataFrame:
        """One row a correction (``act``): what it changed in words, by whom, why, its ``placements``, undos."""
        rows = (self._reader.rows(table) for table in ("change", "act", "context"))
        return table_frame(history(*rows), HISTORY_COLUMNS)

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

    def circuit(self, columns: int = 99) -> dict[str, Any]:
        """The drawing as nets and parts to look at (see ``daemon.circuit``). Raises ``SessionError`` without one."""
        if not (text := self.meta.get("drawing")):
            raise SessionError(f"{self.path} has no drawing.")
        return circuit(parse_drawing(text, self.path.name), columns)

    # Captures

    def captures(self, role: str | None = None) -> pd.DataFrame:
        """One row a kept trace; ``dt`` in s, volts = code x ``scale`` + ``offset``; of one role where it is given."""
        if role not in (None, *_ROLES):
            raise SessionError(f"a capture has no role {role!r}: it is one of {', '.join(_ROLES)}")
        where, values = ("", ()) if role is None else ("WHERE role = ?", (role,))
        rows = self._reader.rows("capture", where, *values)
        return table_frame(
            [{**row, "clipped": bool(row["clipped"]), "rolling": bool(row["rolling"])} for row in rows],
            _CAPTURE,
        )

    def trace(self, capture: int) -> Trace:
        """A kept trace, code by code; its ``seconds`` and ``volts`` are arrays.

        Raises ``SessionError`` where there is none of that number.
        """
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

    def trace_view(
        self, capture: int, start_s: float | None = None, end_s: float | None = None, buckets: int = 2000
    ) -> tuple[Floats, Floats, Floats]:
        """A kept trace between two times, seconds since its start, in at most ``buckets`` points like those above.

        From the samples themselves, of the parts that hold them alone; where a bucket holds more than 128 of them
        from the stored envelope, whose blocks may reach so far beyond either end. No extreme is lost.
        """
        row = self._one("capture", capture)
        # A time that was worked out from a sample's number finds that sample, whatever the last bit says.
        first = 0 if start_s is None else max(0, math.ceil(start_s / row["dt"] - 1e-6))
        stop = row["n"] if end_s is None else min(row["n"], math.floor(end_s / row["dt"] + 1e-6) + 1)
        step = BLOCK if stop - first > buckets * BLOCK else 1
        if step == BLOCK:
            first //= BLOCK
            rows = self._reader.wave_envelope(capture)[first : -(-stop // BLOCK)]
            low, high = rows["low"], rows["high"]
        else:
            low = high = self._reader.samples(capture, first, stop) if first < stop else np.empty(0, np.int16)
        if not len(low):
            return np.empty(0), np.empty(0), np.empty(0)
        count = min(buckets, len(low))
        firsts = np.arange(count) * len(low) // count
        ends = np.stack([np.minimum.reduceat(low, firsts), np.maximum.reduceat(high, firsts)])
        volts = ends.astype(np.float64) * row["scale"] + row["offset"]
        return (first + firsts) * step * row["dt"], volts.min(axis=0), volts.max(axis=0)

    # Inside

    def _events(self, kind: str | None, since_id: int = 0) -> list[dict[str, Any]]:
        where, values = ("", ()) if kind is None else (" AND kind = ?", (kind,))
        return self._reader.rows("event", f"WHERE id > ?{where}", since_id, *values)

    def _one(self, table: str, number: int) -> Row:
        rows = self._reader.rows(table, "WHERE id = ?", int(number))
        if not rows:
            known = [row["id"] for row in self._reader.rows(table, columns=("id",))]
            raise SessionError(f"{self.path} has no {table} {number}. {those_there_are(known)}")
        return rows[0]

    def _chosen(self, series: int | str | None) -> list[dict[str, Any]]:
        rows = self._reader.rows("series")
        if series is None:
            return rows
        chosen = [row for row in rows if series in (row["id"], series_name(row), _full_name(row))]
        if not chosen:
            known = [f"{row['id']} ({_full_name(row)})" for row in rows]
            raise SessionError(f"{self.path} has no series {series!r}. {those_there_are(known)}")
        return chosen

    def _check_word(self, tag: str, word: str) -> None:
        known = {row[tag] for row in self._reader.rows("placement", columns=("id", tag))}
        known |= {row["value"] for row in self._reader.rows("context", "WHERE kind = ?", tag)}
        if word and word not in known:
            raise SessionError(f"{self.path} has no {tag} {word!r}. {those_there_are(sorted(known - {''}))}")

    def _settings(self) -> dict[int, Settings]:
        rows: dict[int, list[dict[str, Any]]] = {}
        for row in self._reader.rows("setting"):
            rows.setdefault(row["series"], []).append(row)
        return {series: Settings(own) for series, own in rows.items()}

    def _told(self, frame: pd.DataFrame) -> pd.DataFrame:
        """The frame with what reading has found lost until now, where it has."""
        if met := self._reader.met.losses:
            names = self._reader.names()
            frame.attrs["losses"] = [sentence(loss, names) for loss in met]
        return frame


def says_nothing(t0_us: int, t1_us: int | None, count: int, struck: bool) -> bool:
    """True for a stay that was over before anything settled, as after each change of mode.

    Its readings are kept and tagged; there is no value to tell. One that lasts still, or was struck by hand, counts.
    """
    if struck or count or t1_us is None:
        return False
    return t1_us - t0_us < SHORT_STAY_US


def _full_name(series: Row) -> str:
    return f"{series['instrument']} {series_name(series)}"


def _place(row: Row) -> tuple[str, str]:
    return row["instrument"], row["channel"]


def _only(frame: pd.DataFrame, wanted: dict[str, Any]) -> pd.DataFrame:
    """The rows that have what is wanted."""
    if not wanted:
        return frame
    kept = [(frame[name] == value).to_numpy(np.bool_, na_value=False) for name, value in wanted.items()]
    return frame[np.logical_and.reduce(kept)].reset_index(drop=True)


def _ends(start_us: int | None, end_us: int | None) -> tuple[int, int]:
    return EARLIEST_US if start_us is None else start_us, LATEST_US if end_us is None else end_us
