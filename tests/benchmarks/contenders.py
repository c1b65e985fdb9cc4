"""The same readings kept in four ways, each as someone who knows it well would; each can be asked the same.

CSV: whole numbers of microseconds and shortest decimals, read by pandas with its quickest engine; it has no index, so
that every question reads it all. Plain rows: SQLite, clustered by series and time (WITHOUT ROWID), WAL, synchronous
NORMAL. DuckDB: rows in order, small whole numbers where they do, its own bucket query, all its threads; a small commit
comes as one data frame, as its own guide for Python shows, or quicker, though in no guide, as lists that it unnests.
"""

import sqlite3
import sys
import time
from contextlib import suppress
from itertools import pairwise
from pathlib import Path
from typing import NamedTuple

import duckdb
import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.csv

from daemon.records import open_session
from daemon.store.codec import Stretch, joined
from daemon.store.writer import SessionWriter
from drivers.clock import HandClock
from drivers.errors import SessionError
from tests.benchmarks.made_readings import HOUR_US, SERIES, START_US, Stays, readings, stays

BUCKETS = 2000
SMALL_COMMIT_S = 0.5  # 50 readings of the four series together
COLUMNS = ("series", "t", "value", "flags")


class Made(NamedTuple):
    """Blocks of an hour in order: for each series (1 to 4) its readings; and the stays of the first series."""

    blocks: list[list[Stretch]]
    stood: Stays
    hours: float

    @property
    def end_us(self) -> int:
        """Time just after the last."""
        return START_US + round(self.hours * HOUR_US)

    def columns(self, block: list[Stretch]) -> dict[str, np.ndarray]:
        """One block as columns, series after series."""
        whole = joined(block)
        numbers = np.repeat(np.arange(1, len(block) + 1, dtype=np.int8), [len(each) for each in block])
        return dict(zip(COLUMNS, (numbers, whole.t, whole.v, whole.flags), strict=True))


def made(hours: float, placements: int, seed: int = 1) -> Made:
    """The readings of so many hours."""
    rng = np.random.default_rng(seed)
    stood = [stays(each, hours, max(1, placements // n), rng) for n, each in enumerate(SERIES, start=1)]
    end_us = START_US + round(hours * HOUR_US)
    starts = range(START_US, end_us, HOUR_US)
    blocks = [
        [readings(each, own, start, min(start + HOUR_US, end_us), rng) for each, own in zip(SERIES, stood, strict=True)]
        for start in starts
    ]
    return Made(blocks, stood[0], hours)


def small_commits(data: Made, count: int) -> list[dict[str, np.ndarray]]:
    """The first ``count`` half seconds, each as columns in order of time."""
    columns = data.columns(data.blocks[0])
    order = np.argsort(columns["t"], kind="stable")
    ordered = {name: column[order] for name, column in columns.items()}
    bounds = START_US + np.arange(count + 1) * round(SMALL_COMMIT_S * 1e6)
    places = np.searchsorted(ordered["t"], bounds)
    return [
        {name: column[first:stop] for name, column in ordered.items()}
        for first, stop in pairwise(places)
    ]


class Ours:
    """The session file."""

    def __init__(self, folder: Path, data: Made) -> None:
        self.path = folder / "ours.session"
        clock = HandClock(START_US)
        with _writer(self.path, clock) as writer:
            for t0, t1 in zip(data.stood.t0.tolist(), data.stood.t1.tolist(), strict=True):
                _stay(writer, t0, t1)
            for block in data.blocks:
                for number, stretch in enumerate(block, start=1):
                    for reading in zip(stretch.t.tolist(), stretch.v.tolist(), stretch.flags.tolist(), strict=True):
                        writer.append(number, *reading)
                clock.turn(3600.0)
                writer.commit()
        self.bytes = self.path.stat().st_size
        self._records = open_session(self.path)

    def view(self, start_us, end_us):
        return [self._records.overview(number, start_us, end_us, BUCKETS) for number in range(1, len(SERIES) + 1)]

    def since(self, after_us):
        return [self._records.tail(number, after_us) for number in range(1, len(SERIES) + 1)]

    def scan(self):
        return [(each.t, each.v) for each in self.since(START_US - 1)]

    def placement(self, number, t0_us, t1_us):
        return self._records.readings("bench meter dc_v", placement=number)

    def close(self):
        self._records.close()

    @staticmethod
    def ingest(path: Path, commits) -> None:
        clock = HandClock(START_US)
        with _writer(path, clock) as writer:
            for columns in commits:
                for reading in zip(*(columns[name].tolist() for name in COLUMNS), strict=True):
                    writer.append(*reading)
                clock.turn(SMALL_COMMIT_S)
                writer.commit()


class CsvPandas:
    """A CSV file and pandas."""

    def __init__(self, folder: Path, data: Made) -> None:
        self.path = folder / "readings.csv"
        with self.path.open("wb") as file:
            for place, block in enumerate(data.blocks):
                options = pyarrow.csv.WriteOptions(include_header=place == 0, quoting_style="none")
                pyarrow.csv.write_csv(pa.table(data.columns(block)), file, options)
        self.bytes = self.path.stat().st_size

    def _all(self):
        return pd.read_csv(self.path, engine="pyarrow")

    def view(self, start_us, end_us):
        frame = self._all()
        if start_us > frame["t"].iloc[0]:
            frame = frame[(frame["t"] >= start_us) & (frame["t"] <= end_us)]
        buckets = (frame["t"] - start_us) * BUCKETS // (end_us - start_us + 1)
        return frame["value"].groupby([frame["series"], buckets]).agg(["min", "max", "mean"])

    def since(self, after_us):
        frame = self._all()
        frame = frame[frame["t"] > after_us]
        return [frame[frame["series"] == number] for number in range(1, len(SERIES) + 1)]

    def scan(self):
        frame = self._all()
        series, t, v = (frame[name].to_numpy() for name in ("series", "t", "value"))
        return [(t[series == number], v[series == number]) for number in range(1, len(SERIES) + 1)]

    def placement(self, number, t0_us, t1_us):
        frame = self._all()
        return frame[(frame["series"] == 1) & (frame["t"] >= t0_us) & (frame["t"] <= t1_us)]

    def close(self):
        pass


class PlainRows:
    """A row a reading in SQLite."""

    def __init__(self, folder: Path, data: Made) -> None:
        self.path = folder / "rows.sqlite"
        self._sql = sqlite3.connect(self.path)
        self._sql.execute("PRAGMA journal_mode = WAL")
        self._sql.execute("PRAGMA synchronous = NORMAL")
        self._sql.execute("PRAGMA cache_size = -65536")
        columns = "series INTEGER, t INTEGER, value REAL, flags INTEGER, PRIMARY KEY(series, t)"
        self._sql.execute(f"CREATE TABLE reading({columns}) WITHOUT ROWID")
        for number in range(len(SERIES)):
            for block in data.blocks:
                own = block[number]
                columns = own.t.tolist(), own.v.tolist(), own.flags.tolist()
                self._sql.executemany(f"INSERT INTO reading VALUES({number + 1}, ?, ?, ?)", zip(*columns, strict=True))
                self._sql.commit()
        self._sql.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        self.bytes = self.path.stat().st_size

    def view(self, start_us, end_us):
        return [
            self._sql.execute(
                f"SELECT (t - :start) * {BUCKETS} / (:end - :start + 1), min(value), max(value), avg(value) "
                "FROM reading WHERE series = :series AND t BETWEEN :start AND :end GROUP BY 1",
                {"series": number, "start": start_us, "end": end_us},
            ).fetchall()
            for number in range(1, len(SERIES) + 1)
        ]

    def since(self, after_us):
        query = "SELECT t, value, flags FROM reading WHERE series = ? AND t > ?"
        return [self._sql.execute(query, (number, after_us)).fetchall() for number in range(1, len(SERIES) + 1)]

    def scan(self):
        found = []
        for number in range(1, len(SERIES) + 1):
            rows = self._sql.execute("SELECT t, value FROM reading WHERE series = ? ORDER BY t", (number,)).fetchall()
            t, v = zip(*rows, strict=True) if rows else ((), ())
            found.append((np.array(t, np.int64), np.array(v)))
        return found

    def placement(self, number, t0_us, t1_us):
        query = "SELECT t, value, flags FROM reading WHERE series = 1 AND t BETWEEN ? AND ?"
        return pd.read_sql_query(query, self._sql, params=(t0_us, t1_us))

    def close(self):
        self._sql.close()


class Duck:
    """A table in DuckDB."""

    def __init__(self, folder: Path, data: Made) -> None:
        self.path = folder / "readings.duckdb"
        self._sql = _duck(self.path)
        for block in data.blocks:
            self._take(self._sql, pd.DataFrame(data.columns(block)))
        self._sql.execute("CHECKPOINT")
        self.bytes = self.path.stat().st_size

    @staticmethod
    def _take(sql, batch) -> None:
        sql.register("batch", batch)
        sql.execute("INSERT INTO reading SELECT * FROM batch")

    def view(self, start_us, end_us):
        return self._sql.execute(
            f"SELECT series, (t - $1) * {BUCKETS} // ($2 - $1 + 1) AS bucket, min(value), max(value) AS high, "
            "avg(value) FROM reading WHERE t BETWEEN $1 AND $2 GROUP BY ALL ORDER BY ALL",
            [start_us, end_us],
        ).fetchnumpy()

    def since(self, after_us):
        return self._sql.execute("SELECT * FROM reading WHERE t > ? ORDER BY series, t", [after_us]).fetchnumpy()

    def scan(self):
        query = "SELECT t, value FROM reading WHERE series = ? ORDER BY t"
        found = [self._sql.execute(query, [number]).fetchnumpy() for number in range(1, len(SERIES) + 1)]
        return [(each["t"], each["value"]) for each in found]

    def placement(self, number, t0_us, t1_us):
        query = "SELECT t, value, flags FROM reading WHERE series = 1 AND t BETWEEN ? AND ? ORDER BY t"
        return self._sql.execute(query, [t0_us, t1_us]).df()

    def close(self):
        self._sql.close()

    @classmethod
    def ingest(cls, path: Path, commits) -> None:
        with _duck(path) as sql:
            for columns in commits:
                cls._take(sql, pd.DataFrame(columns))

    @staticmethod
    def ingest_lists(path: Path, commits) -> None:
        statement = "INSERT INTO reading SELECT unnest($1), unnest($2), unnest($3), unnest($4)"
        with _duck(path) as sql:
            for columns in commits:
                sql.execute(statement, [columns[name].tolist() for name in COLUMNS])


def _duck(path: Path) -> duckdb.DuckDBPyConnection:
    sql = duckdb.connect(str(path))
    sql.execute("CREATE TABLE reading(series TINYINT, t BIGINT, value DOUBLE, flags UTINYINT)")
    return sql


def _writer(path: Path, clock: HandClock) -> SessionWriter:
    writer = SessionWriter.create(path, clock, {"unit": "cassette deck"})
    for made_series in SERIES:
        writer.series(made_series.instrument, "", made_series.quantity)
    writer.commit()
    return writer


def _stay(writer: SessionWriter, t0_us: int, t1_us: int) -> None:
    tags = {"point": "B12", "leg": "", "mode": "PLAY", "condition": "", "hypothesis": "mode switch stuck"}
    number = writer.open_placement(
        t0_us, instrument=SERIES[0].instrument, channel="", probe="red", quantity=SERIES[0].quantity, **tags
    )
    writer.set_placement(number, t1=t1_us)


def follow(path: Path) -> None:
    """Read what is new in a session twenty times a second, from before it is there until the process is ended."""
    marks = [START_US] * len(SERIES)
    while True:
        time.sleep(0.05)
        with suppress(SessionError), open_session(path) as session:
            for number in range(len(SERIES)):
                fresh = session.tail(number + 1, marks[number])
                marks[number] = int(fresh.t[-1]) if len(fresh) else marks[number]


if __name__ == "__main__":
    follow(Path(sys.argv[1]))
