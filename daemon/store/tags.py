"""What a reading means: intervals (placements, contexts) joined to readings by time. Pure.

The rule: a reading belongs to the placement of its own instrument, channel and quantity that
began last, where that has not ended before the reading (both ends belong to it); a placement
without a quantity takes all of its channel. It then carries the placement's tags. Any other
reading carries the context that began last and an empty point and leg.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from daemon.store.codec import Ints

TAGS = ("point", "leg", "mode", "condition", "hypothesis")
_OPEN_END_US = 2**63 - 1
Row = Mapping[str, Any]
Codes = NDArray[np.int32]


@dataclass(frozen=True, slots=True, eq=False)
class Tags:
    """Tags of n readings: for each of ``TAGS`` codes into ``words``; placement 0 means none."""

    codes: dict[str, Codes]
    placement: Ints
    struck: NDArray[np.bool_]


class _Intervals:
    """Rows with ``t0`` and ``t1``, found by time; the last row, ``nothing``, stands for none."""

    def __init__(self, rows: Sequence[Row], nothing: Row) -> None:
        # One that ends before it begins was taken back.
        lasting = (row for row in rows if row["t1"] is None or row["t1"] >= row["t0"])
        ordered = sorted(lasting, key=lambda row: (row["t0"], row["id"]))
        self.rows = [*ordered, nothing]
        self._t0 = np.array([row["t0"] for row in ordered], np.int64)
        ends = [_OPEN_END_US if row["t1"] is None else row["t1"] for row in ordered]
        self._t1 = np.array([*ends, _OPEN_END_US], np.int64)

    def at(self, t: Ints) -> Ints:
        """For each time the place in ``rows``; -1, which is ``nothing``, where none covers it."""
        latest = np.searchsorted(self._t0, t, "right") - 1
        return np.where(t <= self._t1[latest], latest, -1)


class Tagger:
    """The tags of one session at one moment: placements and contexts as read from its tables."""

    def __init__(self, placements: Sequence[Row], contexts: Sequence[Row]) -> None:
        self.words: dict[str, dict[str, int]] = {tag: {"": 0} for tag in TAGS}
        self._placements = placements
        self._contexts = {
            kind: _Intervals([row for row in contexts if row["kind"] == kind], {"value": ""})
            for kind in ("mode", "condition", "hypothesis")
        }
        self._of_series: dict[tuple[str, str, str], _Intervals] = {}

    def tags(self, series: Row, t: Ints) -> Tags:
        """The tags of readings of ``series`` at the times ``t``, shape (n,)."""
        intervals = self._intervals(series)
        at = intervals.at(t)
        inside = at >= 0
        codes = {}
        for tag in TAGS:
            own = self._codes(tag, [row.get(tag, "") for row in intervals.rows])[at]
            codes[tag] = np.where(inside, own, self._context_codes(tag, t))
        number = np.array([row.get("id", 0) for row in intervals.rows], np.int64)[at]
        struck = np.array([bool(row.get("struck")) for row in intervals.rows], np.bool_)[at]
        return Tags(codes, number, struck)

    def _context_codes(self, tag: str, t: Ints) -> Codes:
        if tag not in self._contexts:
            return np.zeros(len(t), np.int32)
        intervals = self._contexts[tag]
        return self._codes(tag, [row["value"] for row in intervals.rows])[intervals.at(t)]

    def _codes(self, tag: str, words: Sequence[str]) -> Codes:
        known = self.words[tag]
        return np.array([known.setdefault(word, len(known)) for word in words], np.int32)

    def _intervals(self, series: Row) -> _Intervals:
        key = (series["instrument"], series["channel"], series["quantity"])
        if key not in self._of_series:
            rows = [row for row in self._placements if belongs(row, series)]
            self._of_series[key] = _Intervals(rows, {})
        return self._of_series[key]


def belongs(placement: Row, series: Row) -> bool:
    """True where readings of ``series`` may belong to ``placement``."""
    return (
        placement["instrument"] == series["instrument"]
        and placement["channel"] == series["channel"]
        and placement["quantity"] in ("", series["quantity"])
    )
