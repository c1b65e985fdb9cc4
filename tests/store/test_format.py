"""FORMAT.md says what the file is: its tables, its marks, and every byte of its planes."""

import re
import sqlite3
from pathlib import Path

import numpy as np
import pytest

from daemon.store import schema
from daemon.store.writer import SessionWriter
from drivers.readings import Quantity, Trace
from tests.store import plain_twin
from tests.store.conftest import TAGS, write

FORMAT = (Path(schema.__file__).parent / "FORMAT.md").read_text()


def documented():
    """Table name -> column names, from the headings and the first cells of FORMAT.md."""
    tables = {}
    for section in FORMAT.split("\n## Damage")[0].split("\n### ")[1:]:
        name, _, body = section.partition("\n")
        cells = re.findall(r"^\| (`.*?) \|", body.split("\n## ")[0], re.MULTILINE)
        tables[name] = {column for cell in cells for column in re.findall(r"`(\w+)`", cell)}
    return tables


def test_every_table_and_column_is_documented_and_no_other(writer, path):
    sql = sqlite3.connect(path)
    names = [row[0] for row in sql.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
    there = {name: {row[1] for row in sql.execute(f"PRAGMA table_info({name})")} for name in names}
    sql.close()
    assert documented() == there


def test_the_marks_in_the_header_are_the_documented_ones(writer, path):
    """Offsets 60 and 68: SQLite database file format, section 1.3, "The Database Header"."""
    writer.close()
    head = path.read_bytes()[:100]
    assert f"0x{head[68:72].hex().upper()}" in FORMAT
    assert int.from_bytes(head[60:64], "big") == len(schema.MIGRATIONS) == len(schema.STAND_INS) == 4


@pytest.mark.parametrize("closed", [True, False])
def test_a_plain_decoder_written_from_the_page_reads_what_was_written(path, clock, closed):
    """Chunks and tail, decimals with overloads between them, raw planes, two channels."""
    rng = np.random.default_rng(5)
    decimals = [float(f"{x:.5f}") for x in rng.normal(12, 3, 9000)]
    decimals[100:103] = [float("inf"), -0.0, float("-inf")]
    raw = rng.normal(0, 1, 8200).tolist()
    with SessionWriter.create(path, clock, {}) as writer:
        meter, scope = writer.series("meter", "", Quantity.DC_V), writer.series("scope", "1", Quantity.RIPPLE)
        expected = {
            ("meter", "", "dc_v"): list(zip(write(writer, clock, meter, decimals), decimals, [0] * 9000, strict=True)),
            ("scope", "1", "ripple_vpp"): list(
                zip(write(writer, clock, scope, raw, flags=9), raw, [9] * 8200, strict=True)
            ),
        }
        writer.commit()
        if not closed:
            assert plain_twin.readings(path) == expected
    assert plain_twin.readings(path) == expected


def test_the_plain_decoder_finds_the_envelope_and_the_samples(path, clock):
    with SessionWriter.create(path, clock, {}) as writer:
        series = writer.series("meter", "", Quantity.DC_V)
        volts = [float(i % 1000) for i in range(300)]
        times = write(writer, clock, series, volts)
        codes = (np.arange(300_000) % 977 - 400).astype(np.int16)
        del (tags := dict(TAGS))["hypothesis"]
        capture = writer.add_capture(Trace(clock.now_us(), 1e-5, codes, 0.01, 0.0, "1"), role="kept", **tags)
    assert plain_twin.envelopes(path) == [
        (times[0], 0.0, 127.0, 63.5, 128),
        (times[128], 128.0, 255.0, 191.5, 128),
        (times[256], 256.0, 299.0, 277.5, 44),
    ]
    assert plain_twin.codes(path, capture) == codes.tolist()


def test_integrity_is_whole_after_a_close(writer, series, clock, path):
    """SQLite's own integrity_check is the judge."""
    write(writer, clock, series, np.arange(20_000.0).tolist())
    writer.close()
    sql = sqlite3.connect(path)
    assert sql.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    assert sql.execute("PRAGMA foreign_key_check").fetchall() == []
    sql.close()
