"""Pandas frames of readings and of the small tables."""

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from daemon.store.codec import Ints, Stretch, joined
from daemon.store.settings import Settings
from daemon.store.tags import TAGS, Tagger
from drivers.readings import Flag

READING_COLUMNS = (
    *("time", "instrument", "series", "value", "unit", "flags"),
    *(*TAGS, "placement", "struck", "accuracy"),
)
_FLAG_WORDS = list(dict.fromkeys(Flag(bits).words for bits in range(256)))
_FLAG_CODES = np.array([_FLAG_WORDS.index(Flag(bits).words) for bits in range(256)], np.int32)


def series_name(series: Mapping[str, Any]) -> str:
    """The name of a series within its instrument: ``dc_v``, or ``1 ripple_vpp`` on a channel."""
    return f"{series['channel']} {series['quantity']}".strip()


def readings_frame(
    pieces: Sequence[tuple[Mapping[str, Any], Stretch]], tagger: Tagger, settings: Mapping[int, Settings]
) -> pd.DataFrame:
    """One row a reading with ``READING_COLUMNS``, in order of time, of (series row, readings) pairs.

    ``settings`` are by the number of the series.
    """
    whole = joined([stretch for _, stretch in pieces])
    tags = [tagger.tags(series, stretch.t) for series, stretch in pieces]
    lengths = np.array([len(stretch) for _, stretch in pieces], np.int64)
    of_series = np.repeat(np.arange(len(pieces)), lengths)
    order = np.argsort(whole.t, kind="stable")
    rows = [series for series, _ in pieces]
    numbers = _after_each_other([each.placement for each in tags], np.int64)[order]
    columns: dict[str, Any] = {
        "time": utc(whole.t[order]),
        "instrument": _named([row["instrument"] for row in rows], of_series[order]),
        "series": _named([series_name(row) for row in rows], of_series[order]),
        "value": whole.v[order],
        "unit": _named([row["unit"] for row in rows], of_series[order]),
        "flags": _words(_FLAG_CODES[whole.flags[order]], _FLAG_WORDS),
    }
    for tag in TAGS:
        codes = _after_each_other([each.codes[tag] for each in tags], np.int32)[order]
        columns[tag] = _words(codes, list(tagger.words[tag]))
    columns["placement"] = pd.arrays.IntegerArray(numbers, numbers == 0)
    columns["struck"] = _after_each_other([each.struck for each in tags], np.bool_)[order]
    limits = [settings.get(row["id"], _NO_SETTINGS).accuracy(own.t, own.v) for row, own in pieces]
    columns["accuracy"] = _after_each_other(limits, np.float64)[order]
    return pd.DataFrame(columns)


def table_frame(
    rows: Iterable[Mapping[str, Any]], columns: Sequence[str], texts: Sequence[str] = ()
) -> pd.DataFrame:
    """A frame of rows; ``t``, ``t0`` and ``t1`` come as ``t_us``, ``t0_us``, ``t1_us`` and as times.

    The times are the columns ``time`` (of ``t`` or ``t0``) and ``until`` (of ``t1``, NaT while open).
    A column of ``texts`` is one though its name is that of a number elsewhere.
    """
    rows = list(rows)
    frame: dict[str, Any] = {}
    for name in columns:
        values = [row[name] for row in rows]
        if name in _TIMES:
            whole = pd.array(values, dtype="Int64")
            frame[f"{name}_us"] = whole
            frame[_TIMES[name]] = utc(np.array([_NAT if each is None else each for each in values], np.int64))
        else:
            kind = "object" if name in texts else _KINDS.get(name, "object")
            frame[name] = pd.Series([_fitting(each, kind) for each in values], dtype=kind)
    return pd.DataFrame(frame)


def utc(t_us: Ints) -> "pd.Series[pd.Timestamp]":
    """UTC microseconds as pandas times."""
    return pd.Series(t_us.astype("datetime64[us]")).dt.tz_localize("UTC")


_NAT = -(2**63)
_NO_SETTINGS = Settings([])
_TIMES = {"t": "time", "t0": "time", "t1": "until"}
_KINDS = {
    **dict.fromkeys(("id", "row", "count", "flags", "n", "series", "number", "act"), "int64"),
    **dict.fromkeys(("value", "uncertainty", "limits", "dt", "scale", "offset", "ratio"), "float64"),
    **dict.fromkeys(("range", "resolution", "integration_s", "percent_reading", "percent_range"), "float64"),
    **dict.fromkeys(("struck", "clipped", "rolling"), "bool"),
    **dict.fromkeys(("event", "placement", "capture", "reference", "undoes", "undone_by"), "Int64"),
}


def _fitting(value: Any, kind: str) -> Any:
    """A value from JSON may be of any kind; what does not fit its column is not known."""
    if kind == "float64":
        return value if isinstance(value, int | float) else None
    if kind == "Int64":
        return value if isinstance(value, int) else None
    return value


def _words(codes: NDArray[np.integer[Any]], words: Sequence[str]) -> "pd.Categorical[str]":
    return pd.Categorical.from_codes(codes, categories=pd.Index(list(words), dtype=object))


def _named(names: Sequence[str], which: Ints) -> "pd.Categorical[str]":
    words = list(dict.fromkeys(names))
    codes = np.array([words.index(name) for name in names], np.int64)
    return _words(codes[which], words)


def _after_each_other(pieces: Sequence[NDArray[Any]], kind: Any) -> NDArray[Any]:
    return np.concatenate([np.empty(0, kind), *pieces])
