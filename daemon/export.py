"""A session's readings as a CSV or Parquet file: one row a reading, each with its tags.

Written slice by slice beside the target and put in its place when whole, so that any length
fits and a half-written file never bears the name that was asked for.
"""

from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path
from typing import Any, BinaryIO, Protocol

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.csv
import pyarrow.parquet

from daemon.records import READING_COLUMNS, open_session
from drivers.errors import SessionError

_TYPES = {
    "value": pa.float64(),
    "placement": pa.int64(),
    "struck": pa.bool_(),
    "accuracy": pa.float64(),
}
_CSV = pa.schema([(name, _TYPES.get(name, pa.string())) for name in READING_COLUMNS])
_PARQUET = _CSV.set(0, pa.field("time", pa.timestamp("us", tz="UTC")))


_WORDS = [name for name in READING_COLUMNS[1:] if name not in _TYPES]


class _File(Protocol):
    def write(self, frame: pd.DataFrame) -> None: ...


def export(session: Path, target: Path) -> int:
    """Write all readings of ``session`` to ``target`` (.csv or .parquet); returns how many.

    CSV: times ISO 8601 UTC with microseconds, no value as an empty field, ``struck`` true or
    false. Raises ``SessionError`` for another suffix or where the target cannot be written.
    """
    kind = target.suffix.lower()
    if kind not in _KINDS:
        raise SessionError(f"{target.name} ends in {kind or 'nothing'}: let it end in .csv or .parquet")
    count = 0
    with open_session(session) as records, _put_in_place(target) as draft, _KINDS[kind](draft) as writer:
        for frame in records.reading_slices():
            writer.write(frame)
            count += len(frame)
    return count


class _CsvFile:
    """Fields stand in quotes only in slices where some word has a comma, a quote or a line's end."""

    def __init__(self, file: BinaryIO) -> None:
        self._file = file
        file.write((",".join(READING_COLUMNS) + "\n").encode())

    def write(self, frame: pd.DataFrame) -> None:
        """Add the rows of ``frame``."""
        moments = frame["time"].dt.tz_localize(None).to_numpy("datetime64[us]")
        times = np.char.add(np.datetime_as_string(moments, unit="us"), "Z")
        style = "needed" if _has_words_to_quote(frame) else "none"
        options = pyarrow.csv.WriteOptions(include_header=False, quoting_style=style)
        pyarrow.csv.write_csv(_table(frame, times, _CSV), self._file, options)


class _ParquetFile:
    """Compressed columns; whole numbers of microseconds as times."""

    def __init__(self, writer: Any) -> None:
        self._writer = writer

    def write(self, frame: pd.DataFrame) -> None:
        """Add the rows of ``frame``."""
        self._writer.write_table(_table(frame, frame["time"], _PARQUET))


@contextmanager
def _csv(path: Path) -> Iterator[_CsvFile]:
    with path.open("wb") as file:
        yield _CsvFile(file)


@contextmanager
def _parquet(path: Path) -> Iterator[_ParquetFile]:
    with pyarrow.parquet.ParquetWriter(str(path), _PARQUET, compression="zstd") as writer:
        yield _ParquetFile(writer)


_KINDS: dict[str, Callable[[Path], AbstractContextManager[_File]]] = {".csv": _csv, ".parquet": _parquet}


def _table(frame: pd.DataFrame, times: Any, schema: Any) -> Any:
    columns = [pa.array(times, schema.field("time").type)]
    for name in READING_COLUMNS[1:]:
        # NaN is no value: an empty field in CSV, null in Parquet.
        columns.append(pa.Array.from_pandas(frame[name]).cast(schema.field(name).type))
    return pa.Table.from_arrays(columns, schema=schema)


def _has_words_to_quote(frame: pd.DataFrame) -> bool:
    words = (word for name in _WORDS for word in frame[name].cat.categories)
    return any(mark in word for word in words for mark in ',"\r\n')


@contextmanager
def _put_in_place(target: Path) -> Iterator[Path]:
    draft = target.with_name(f".{target.name}.part")
    try:
        yield draft
        draft.replace(target)
    except OSError as error:
        raise SessionError(f"{target} cannot be written ({error}): choose another place") from error
    finally:
        draft.unlink(missing_ok=True)
