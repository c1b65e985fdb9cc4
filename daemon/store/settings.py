"""What a series was measured with: range, resolution, integration time and stated accuracy, as they change. Pure.

A row of ``setting`` holds for the readings of its series from its time on, until the next row.
"""

from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from daemon.store.codec import Floats, Ints
from drivers.readings import Accuracy, Reading


class Setting(NamedTuple):
    """None where it is not known. ``range`` and ``resolution`` are in the unit of the series."""

    range: float | None = None
    resolution: float | None = None
    integration_s: float | None = None
    percent_reading: float | None = None
    percent_range: float | None = None

    @classmethod
    def of(cls, reading: Reading, accuracy: Accuracy | None) -> "Setting":
        """That of a reading whose limits of error follow from ``accuracy`` (None: none are stated)."""
        per_cents = (None, None) if accuracy is None else (accuracy.percent_reading, accuracy.percent_range)
        return cls(reading.range, reading.resolution, reading.integration_s, *per_cents)


class Settings:
    """The settings of one series."""

    def __init__(self, rows: Sequence[Mapping[str, Any]]) -> None:
        """``rows`` of the table ``setting``, of this series alone."""
        ordered = sorted(rows, key=lambda row: (row["t"], row["id"]))
        self._t = np.array([row["t"] for row in ordered], np.int64)
        names = ("range", "percent_reading", "percent_range")
        self._columns = {name: _or_nan([*(row[name] for row in ordered), None]) for name in names}

    def accuracy(self, t: Ints, values: Floats) -> Floats:
        """Half width of the limits of error of each value, as ``Accuracy.half_width``; NaN where none are stated."""
        at = np.searchsorted(self._t, t, "right") - 1  # -1, before the first, is the row of nothing
        range_, of_reading, of_range = (column[at] for column in self._columns.values())
        size = np.abs(np.where(np.isfinite(values), values, np.nan))
        full = np.where(np.isnan(range_) | (range_ == 0), size, range_)
        return size * of_reading / 100 + full * of_range / 100


def _or_nan(column: Sequence[float | None]) -> NDArray[np.float64]:
    return np.array([np.nan if value is None else value for value in column], np.float64)
