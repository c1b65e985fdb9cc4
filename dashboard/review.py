"""What the pages show of a session's record, read through ``daemon.records``.

A page names a session by its file name. Only files of the sessions folder, and the one that is
running, can be named: a page cannot make this process read any other file.
"""

import json
from collections import OrderedDict
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from daemon.records import SessionRecords, SessionSummary, list_sessions, open_session
from dashboard.live import Relay
from drivers.clock import Clock, SystemClock
from drivers.errors import SessionError

TREND_POINTS = 1500
TRACE_POINTS = 700
MOST_THUMBNAILS = 64
LONG_TRACE = 400_000  # samples; beyond that the stored envelope is drawn
SHORT_STAY_US = 2_000_000

Rows = list[list[float | None]]
Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Story:
    """One session at one moment; the frames are those of ``daemon.records``."""

    meta: dict[str, str]
    placements: pd.DataFrame
    events: pd.DataFrame
    switch_ons: pd.DataFrame
    objections: pd.DataFrame
    now_us: int | None = None  # of a running session: an open placement lasts until now

    @property
    def mark(self) -> str:
        """Changes when anything of the story does, so that a page is redrawn only then."""
        placements = self.placements
        standing = (
            self.events["id"].max() if len(self.events) else 0,
            len(placements),
            placements["count"].sum() if len(placements) else 0,
            placements["struck"].sum() if len(placements) else 0,
            self.now_us if self.now_us is not None and placements["t1_us"].isna().any() else 0,
        )
        return "-".join(str(int(number)) for number in standing)


class Review:
    """Answers what the pages ask of records."""

    def __init__(self, sessions: Path, relay: Relay, clock: Clock | None = None) -> None:
        self._sessions = sessions
        self._relay = relay
        self._clock = clock or SystemClock()
        self._thumbnails: OrderedDict[tuple[Path, int], Rows] = OrderedDict()

    def listing(self) -> list[SessionSummary]:
        """The sessions that can be looked at: the folder's, and the running one wherever it lies."""
        found = list_sessions(self._sessions)
        running = self._running()
        if running is not None and running not in [summary.file.resolve() for summary in found]:
            found = [each for each in list_sessions(running.parent) if each.file.resolve() == running] + found
        return found

    def file_of(self, name: str) -> Path:
        """The file that a page means by ``name``; "" is the running session. Raises ``SessionError``."""
        running = self._running()
        if running is not None and name in ("", running.name, str(running)):
            return running
        named = (self._sessions / Path(name).name).resolve()
        if not name or name != Path(name).name or not named.is_file():
            raise SessionError(f"There is no session {name!r} here: choose one from the list of sessions.")
        return named

    def _running(self) -> Path | None:
        path = self._relay.session_path
        return Path(path).resolve() if path else None

    def story(self, name: str) -> Story:
        """Placements, events, switch-ons and objections of a session."""
        path = self.file_of(name)
        running = path == self._running()
        with open_session(path) as records:
            return Story(
                meta=records.meta,
                placements=records.placements(),
                events=records.events(),
                switch_ons=records.switch_ons(),
                objections=records.objections(),
                now_us=self._clock.now_us() if running else None,
            )

    def stay(self, name: str, placement: int) -> tuple[pd.DataFrame, pd.DataFrame]:
        """The readings of one placement, and the corrections made to it."""
        with open_session(self.file_of(name)) as records:
            changes = records.changes()
            own = changes[(changes["target"] == "placement") & (changes["row"] == placement)]
            return records.readings_by_placement(placement), own

    def recent(self, minutes: float, series: bool = True) -> dict[str, Any]:
        """What was read in the last ``minutes`` of the running session, and where the probes were."""
        if self._running() is None:
            return {"series": {}, "placements": []}
        since_us = self._clock.now_us() - round(minutes * 60e6)
        with open_session(self.file_of("")) as records:
            numbers = records.series()["id"].tolist() if series else []
            return {
                "series": {str(number): _drawn(records, int(number), since_us) for number in numbers},
                "placements": _bands(records.placements(), since_us),
            }

    def capture(self, name: str, number: int) -> dict[str, Any]:
        """One kept trace: ``rows`` of [seconds since switch-on, lowest volts, highest volts]."""
        with open_session(self.file_of(name)) as records:
            return {"rows": trace_rows(records, number)}

    def thumbnails(self, name: str, numbers: list[int]) -> dict[int, Rows]:
        """The rows of several kept traces by number, as ``capture`` gives them; those that can be read."""
        path = self.file_of(name)
        unknown = [number for number in numbers if (path, number) not in self._thumbnails]
        if unknown:
            with open_session(path) as records:
                for number in unknown:
                    # A torn trace must not hide the rest of the session.
                    with suppress(SessionError):
                        self._thumbnails[path, number] = trace_rows(records, number)
        known = {number: self._thumbnails[path, number] for number in numbers if (path, number) in self._thumbnails}
        while len(self._thumbnails) > MOST_THUMBNAILS:
            self._thumbnails.popitem(last=False)
        return known


def _drawn(records: SessionRecords, series: int, since_us: int) -> Rows:
    view = records.overview(series, start_us=since_us, buckets=TREND_POINTS)
    return [
        [int(t), _number(low), _number(high)]
        for t, low, high in zip(view.t.tolist(), view.low.tolist(), view.high.tolist(), strict=True)
    ]


def _number(value: float) -> float | None:
    return value if np.isfinite(value) else None


def rows_of(frame: pd.DataFrame) -> list[Any]:
    """The rows of a frame of records, columns as attributes."""
    return list(frame.itertuples())


def says_nothing(row: Any) -> bool:
    """True for a stay that was over before anything settled, as after each change of mode; never for a struck one."""
    if row.struck or row.count or pd.isna(row.t1_us):
        return False
    return bool(int(row.t1_us) - int(row.t0_us) < SHORT_STAY_US)


def telling(placements: pd.DataFrame) -> pd.DataFrame:
    """The placements that have something to tell."""
    return placements[[not says_nothing(row) for row in rows_of(placements)]]


def _bands(placements: pd.DataFrame, since_us: int) -> list[dict[str, Any]]:
    ends = placements["t1_us"].astype("Int64")
    near = placements[(ends.isna() | (ends >= since_us).fillna(False)).astype(bool)]
    return [
        {
            "placement": int(row.id),
            "probe": row.probe,
            "quantity": row.quantity,
            "point": row.point,
            "leg": row.leg,
            "struck": bool(row.struck),
            "silent": says_nothing(row),
            "t0_us": int(row.t0_us),
            "t1_us": None if pd.isna(row.t1_us) else int(row.t1_us),
        }
        for row in rows_of(near)
    ]


def trace_rows(records: SessionRecords, number: int) -> Rows:
    """A kept trace in at most ``TRACE_POINTS`` stretches, seconds counted from its switch-on."""
    captures = records.captures()
    kept = captures[captures["id"] == number]
    if kept.empty:
        raise SessionError(f"{records.path} has no capture {number}: it may belong to another session.")
    row = kept.iloc[0]
    begin_s = (int(row["t_us"]) - _switch_on_us(records, number, int(row["t_us"]))) / 1e6
    if int(row["n"]) > LONG_TRACE:
        seconds, low, high = records.trace_envelope(number)
    else:
        volts = records.trace(number).volts
        seconds = (np.arange(len(volts)) * float(row["dt"])).astype(np.float64)
        low = high = volts
    return thinned(seconds + begin_s, low, high, TRACE_POINTS)


def _switch_on_us(records: SessionRecords, number: int, otherwise: int) -> int:
    for reference in json.loads(records.meta.get("references") or "[]"):
        if reference["capture"] == number:
            return int(reference["on_us"])
    verdicts = records.switch_ons()
    own = verdicts[verdicts["capture"] == number]
    return int(own.iloc[-1]["t_us"]) if len(own) else otherwise


def thinned(seconds: Floats, low: Floats, high: Floats, most: int) -> Rows:
    """[second, lowest, highest] of at most ``most`` equal stretches; no extreme is lost."""
    if not len(seconds):
        return []
    firsts = np.unique(np.linspace(0, len(seconds), most, endpoint=False).astype(np.int64))
    lows, highs = np.minimum.reduceat(low, firsts), np.maximum.reduceat(high, firsts)
    return [list(row) for row in zip(seconds[firsts].tolist(), lows.tolist(), highs.tolist(), strict=True)]
