"""What the pages show of a session's record, read through ``daemon.records``.

A page names a session by its file name. Only files of the sessions folder, and the one that is
running, can be named: a page cannot make this process read any other file.
"""

from contextlib import suppress
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from daemon.captured import opened
from daemon.records import Overview, SessionRecords, SessionSummary, list_sessions, open_session, says_nothing
from dashboard.live import Relay
from dashboard.placement_panel import history_words, stay_words
from dashboard.session_story import Mark, rows_of, story, whole_number
from dashboard.traces import Rows, Traces
from dashboard.window_bytes import window_bytes
from drivers.clock import Clock, SystemClock
from drivers.errors import SessionError

TREND_POINTS = 1500
TRACE_POINTS = 700
THUMBNAIL_POINTS = 90
MOST_THUMBNAILS = 24
MOST_COLUMNS = 2000
# A stored envelope sums up so many readings: with more to a column it draws the same line, and much sooner.
BLOCK_READINGS = 128


class Review:
    """Answers what the pages ask of records."""

    def __init__(self, sessions: Path, relay: Relay, clock: Clock | None = None) -> None:
        self._sessions = sessions
        self._relay = relay
        self._clock = clock or SystemClock()

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

    def _now_us(self, path: Path) -> int | None:
        """The present for the running session, None for any other."""
        return self._clock.now_us() if path == self._running() else None

    def story(self, name: str, since: str = "") -> dict[str, Any]:
        """Everything of a session but its readings; with ``since``, an earlier answer's mark, only what is new."""
        path = self.file_of(name)
        now_us = self._now_us(path)
        with open_session(path) as records:
            t0_us, t1_us = _ends(records, now_us)
            told = story(records, Mark.read(since), now_us)
        running = str(path) if now_us is not None else None
        return {"session": name or path.name, "running": running, "t0_us": t0_us, "t1_us": t1_us, **told}

    def window(self, name: str, start_us: int | None, end_us: int | None, columns: int) -> bytes:
        """Every series between two times, in at most ``columns`` points each (see ``dashboard.window_bytes``).

        The whole session where a time is None.
        """
        path = self.file_of(name)
        with open_session(path) as records:
            if start_us is None or end_us is None:
                start_us, end_us = _ends(records, self._now_us(path))
            columns = min(max(columns, 2), MOST_COLUMNS)
            torn: dict[int, str] = {}
            views: dict[int, Overview] = {}
            for number in records.series()["id"].tolist():
                try:
                    views[number] = records.overview(number, start_us, end_us, columns, columns * BLOCK_READINGS)
                except SessionError as error:
                    torn[number] = str(error)
        return window_bytes(views, start_us, end_us, {"torn": torn})

    def stay(self, name: str, placement: int) -> dict[str, Any]:
        """One placement: its words, its readings thinned and listed, and what was changed of it."""
        with open_session(self.file_of(name)) as records:
            return stay_words(records, placement)

    def history(self, name: str) -> dict[str, Any]:
        """Every change that was made to what was kept, the newest first."""
        with open_session(self.file_of(name)) as records:
            return {"rows": history_words(records)}

    def losses(self, name: str) -> dict[str, Any]:
        """What the file should hold and does not, as sentences; of a sound one none. Reads the whole file."""
        with open_session(self.file_of(name)) as records:
            return {"sentences": [str(words) for words in records.losses()["text"]]}

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

    def circuit(self, name: str, columns: int) -> dict[str, Any]:
        """A session's drawing as nets and parts with their places; no nets where it has none."""
        with open_session(self.file_of(name)) as records:
            return records.circuit(columns) if records.meta.get("drawing") else {"nets": [], "parts": []}

    def capture(self, name: str, number: int) -> dict[str, Any]:
        """One kept trace: ``rows`` of [seconds since switch-on, lowest volts, highest volts]."""
        with open_session(self.file_of(name)) as records:
            return {"rows": Traces(records).rows(number, TRACE_POINTS)}

    def opened(self, name: str, number: int) -> dict[str, Any]:
        """How the verdict on a capture came about: trace, model, what it leaves, reference, window, coverage."""
        with open_session(self.file_of(name)) as records:
            return opened(records, number)

    def thumbnails(self, name: str, numbers: list[int]) -> dict[str, Rows]:
        """Several kept traces by number, small; those that cannot be read are left out."""
        small: dict[str, Rows] = {}
        with open_session(self.file_of(name)) as records:
            traces = Traces(records)
            for number in numbers[:MOST_THUMBNAILS]:
                # A torn trace must not hide the others.
                with suppress(SessionError):
                    small[str(number)] = traces.rows(number, THUMBNAIL_POINTS)
        return small


def _ends(records: SessionRecords, now_us: int | None) -> tuple[int, int]:
    """First and last moment of a session, the present of a running one."""
    started = records.meta.get("started_us", "")
    begin_us = int(started) if started.isdigit() else None
    last_event_us = records.events()["t_us"].max() if now_us is None else None
    known = [each for each in (records.last_us, last_event_us, now_us) if each is not None and not pd.isna(each)]
    end_us = max((int(each) for each in known), default=begin_us or 0)
    return min(end_us - 1, end_us if begin_us is None else begin_us), end_us


def _drawn(records: SessionRecords, series: int, since_us: int) -> Rows:
    view = records.overview(series, start_us=since_us, buckets=TREND_POINTS)
    return [
        [int(t), _number(low), _number(high)]
        for t, low, high in zip(view.t.tolist(), view.low.tolist(), view.high.tolist(), strict=True)
    ]


def _number(value: float) -> float | None:
    return value if np.isfinite(value) else None


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
            "silent": says_nothing(int(row.t0_us), whole_number(row.t1_us), row.count, row.struck),
            "t0_us": int(row.t0_us),
            "t1_us": whole_number(row.t1_us),
        }
        for row in rows_of(near)
    ]
