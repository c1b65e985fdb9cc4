"""Exports: one row a reading, read back by other people's readers."""

import csv
from datetime import datetime

import pandas as pd
import pyarrow.parquet
import pytest

from daemon.export import export
from daemon.records import READING_COLUMNS, open_session
from daemon.store.settings import Setting
from drivers.errors import SessionError
from drivers.readings import Flag, Quantity
from tests.store.conftest import stay, write

COLUMNS = [
    *("time", "instrument", "series", "value", "unit", "flags"),
    *("point", "leg", "mode", "condition", "hypothesis", "placement", "struck", "accuracy"),
]


@pytest.fixture
def session(writer, series, clock, path):
    """Two series, an overload, a struck placement; returns the path of the closed file."""
    mains = writer.series("mains", "", Quantity.MAINS)
    writer.set_context("mode", "PHANTOM ON", clock.now_us())
    writer.note_setting(series, clock.now_us(), Setting(10.0, 1e-5, 0.02, 0.05, 0.01))
    times = write(writer, clock, series, [i / 1000 for i in range(9000)])
    write(writer, clock, series, [float("nan")], flags=Flag.OVERLOAD | Flag.CHANGING)
    for t_us in times[::100]:
        writer.append(mains, t_us, 230.5, 0)
    number = stay(writer, times[10], times[19], point="+15", mode="PHANTOM ON", condition="direct")
    writer.correct_placement(number, clock.now_us(), "slip", struck=True)
    writer.close()
    return path


def test_the_columns_are_the_agreed_ones():
    assert list(READING_COLUMNS) == COLUMNS


def test_csv_read_by_the_standard_library(session, tmp_path):
    """Every time is ISO 8601 in UTC with microseconds, also where they are zero."""
    assert export(session, tmp_path / "a.csv") == 9091
    with (tmp_path / "a.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert list(rows[0]) == COLUMNS and len(rows) == 9091
    with open_session(session) as records:
        frame = records.readings()
    for row, expected in zip(rows[::500], frame.iloc[::500].to_dict("records"), strict=True):
        assert len(row["time"]) == 27 and row["time"].endswith("Z")
        assert datetime.fromisoformat(row["time"]) == expected["time"]
        assert float(row["value"]) == expected["value"]
    assert rows[-1]["value"] == "" and rows[-1]["flags"] == "overload changing" and rows[-1]["accuracy"] == ""
    # Worked by hand: 5 V on the 10 V range, 0.05 % of reading and 0.01 % of range are 2.5 mV + 1 mV.
    assert {row["accuracy"] for row in rows if row["value"] == "5"} == {"0.0035"}
    assert {row["accuracy"] for row in rows if row["instrument"] == "mains"} == {""}
    struck = [row for row in rows if row["struck"] == "true"]
    assert {(row["point"], row["placement"]) for row in struck} == {("+15", "1")} and len(struck) == 10
    assert {row["point"] for row in rows if row["instrument"] == "mains"} == {""}
    assert {row["mode"] for row in rows} == {"PHANTOM ON"}


@pytest.mark.parametrize("rows", [500_000, 700, 1])
def test_both_kinds_read_by_pandas_and_arrow_are_the_frame(rows, session, tmp_path, monkeypatch):
    """In one slice and in many: nothing doubled, nothing lost, same order of time."""
    monkeypatch.setattr("daemon.records.SessionRecords.reading_slices.__defaults__", (rows,))
    with open_session(session) as records:
        expected = records.readings()
    for name in ("a.csv", "a.parquet"):
        assert export(session, tmp_path / name) == len(expected)
    texts = dict.fromkeys(("point", "leg", "mode", "condition", "hypothesis", "flags"), str)
    nothing = {"keep_default_na": False, "na_values": {"value": "", "placement": "", "accuracy": ""}}
    from_csv = pd.read_csv(tmp_path / "a.csv", parse_dates=["time"], dtype=texts, **nothing)
    from_parquet = pyarrow.parquet.read_table(tmp_path / "a.parquet").to_pandas()
    for frame in (from_csv, from_parquet):
        assert list(frame.columns) == COLUMNS
        for column in COLUMNS:
            if column == "time":
                assert (frame["time"].astype("datetime64[us, UTC]") == expected["time"]).all()
            else:
                same = frame[column].astype(object).where(frame[column].notna(), None).tolist()
                assert same == expected[column].astype(object).where(expected[column].notna(), None).tolist(), column


def test_words_with_commas_quotes_and_line_ends_come_back(writer, series, clock, path, tmp_path):
    """Quoting as RFC 4180, section 2, says."""
    words = ['R301, "hot" end', "two\nlines", "plain"]
    for word in words:
        (t_us,) = write(writer, clock, series, [1.0])
        stay(writer, t_us, t_us, point=word)
    writer.commit()
    export(path, tmp_path / "a.csv")
    with (tmp_path / "a.csv").open(newline="") as file:
        assert [row["point"] for row in csv.DictReader(file)] == words


def test_an_empty_session_gives_a_file_with_a_head(writer, path, tmp_path):
    for name in ("a.csv", "a.parquet"):
        assert export(path, tmp_path / name) == 0
    assert (tmp_path / "a.csv").read_text() == ",".join(COLUMNS) + "\n"
    assert pd.read_parquet(tmp_path / "a.parquet").columns.tolist() == COLUMNS


@pytest.mark.parametrize("name", ["a.xlsx", "a", "a.csv.gz"])
def test_another_suffix_is_refused_before_anything_is_written(name, session, tmp_path):
    with pytest.raises(SessionError, match=r"end in \.csv or \.parquet"):
        export(session, tmp_path / name)
    assert not (tmp_path / name).exists()


def test_an_export_that_fails_leaves_the_former_file_alone(session, tmp_path, monkeypatch):
    """A disk that fails half way: the good export of yesterday is still there, no draft is left."""
    target = tmp_path / "a.csv"
    target.write_text("yesterday's")

    def fail(*arguments):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("daemon.export.pyarrow.csv.write_csv", fail)
    with pytest.raises(SessionError, match="No space left"):
        export(session, target)
    assert target.read_text() == "yesterday's"
    assert {each.name for each in tmp_path.iterdir()} == {"a.csv", session.name}


def test_a_place_that_cannot_be_written_is_said(session, tmp_path):
    with pytest.raises(SessionError, match="choose another place"):
        export(session, tmp_path / "nowhere" / "a.parquet")
