"""Kept traces in as few points as a drawing has room for; no extreme is lost."""

import json

import numpy as np
from numpy.typing import NDArray

from daemon.records import SessionRecords
from drivers.errors import SessionError

LONG_TRACE = 400_000  # samples; beyond that the stored envelope is drawn

Rows = list[list[float | None]]
Floats = NDArray[np.float64]


class Traces:
    """The traces of a session; what is known of all of them is read once."""

    def __init__(self, records: SessionRecords) -> None:
        self._records = records
        self._captures = records.captures()
        verdicts = records.switch_ons()
        verdicts = verdicts[verdicts["capture"].notna()]
        self._on_us = dict(zip(verdicts["capture"].astype(int), verdicts["t_us"].astype(int), strict=True))
        for reference in json.loads(records.meta.get("references") or "[]"):
            self._on_us[int(reference["capture"])] = int(reference["on_us"])

    def rows(self, number: int, most: int) -> Rows:
        """A trace in at most ``most`` stretches of [second since its switch-on, lowest, highest volts].

        Raises ``SessionError`` where there is none of that number, or it is torn.
        """
        kept = self._captures[self._captures["id"] == number]
        if kept.empty:
            raise SessionError(f"{self._records.path} has no capture {number}: it may belong to another session.")
        row = kept.iloc[0]
        begin_s = (int(row["t_us"]) - self._on_us.get(number, int(row["t_us"]))) / 1e6
        if int(row["n"]) > LONG_TRACE:
            seconds, low, high = self._records.trace_envelope(number)
        else:
            low = high = self._records.trace(number).volts
            seconds = (np.arange(len(low)) * float(row["dt"])).astype(np.float64)
        return thinned(seconds + begin_s, low, high, most)


def thinned(seconds: Floats, low: Floats, high: Floats, most: int) -> Rows:
    """[second, lowest, highest] of at most ``most`` equal stretches; no extreme is lost."""
    if not len(seconds):
        return []
    firsts = np.unique(np.linspace(0, len(seconds), most, endpoint=False).astype(np.int64))
    lows, highs = np.minimum.reduceat(low, firsts), np.maximum.reduceat(high, firsts)
    return [list(row) for row in zip(seconds[firsts].tolist(), lows.tolist(), highs.tolist(), strict=True)]
