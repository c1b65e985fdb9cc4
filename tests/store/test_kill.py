"""kill -9 in the middle of writing loses nothing that a commit acknowledged."""

import random
import sqlite3
import subprocess
import sys

import numpy as np
import pytest

from daemon.records import list_sessions, open_session
from daemon.store.writer import SessionWriter
from drivers.clock import HandClock
from tests.store import plain_twin

# Says after each commit how many readings of the one series are on the disk; value i is i / 1000.
WRITE_FOR_EVER = """
import sys
from pathlib import Path
from daemon.store.writer import SessionWriter
from drivers.clock import HandClock
from drivers.readings import Quantity

clock = HandClock()
writer = SessionWriter.create(Path(sys.argv[1]), clock, {"unit": "mixer"})
series = writer.series("meter", "", Quantity.DC_V)
count = 0
while True:
    for _ in range(int(sys.argv[2])):
        clock.turn(0.02)
        writer.append(series, clock.now_us(), count / 1000, 0)
        count += 1
    writer.add_event(clock.now_us(), "note", str(count))
    writer.commit()
    print(count, flush=True)
"""


@pytest.mark.parametrize(("seed", "rows"), [(1, 25), (2, 25), (3, 700), (4, 3000)])
def test_a_killed_writer_has_lost_nothing_acknowledged(seed, rows, path):
    """Killed after a seeded number of commits, at a chance moment of the next; read while it ran."""
    kill_after = random.Random(seed).randint(5, 60)
    command = [sys.executable, "-c", WRITE_FOR_EVER, str(path), str(rows)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as child:
        acknowledged = read_while_it_writes(child, path, kill_after)
        child.kill()
        acknowledged = max([acknowledged, *(int(line) for line in child.stdout if line.endswith("\n"))])
    assert list_sessions(path.parent)[0].state == "left open"
    counted = plain_twin.readings(path)[("meter", "", "dc_v")]
    assert len(counted) >= acknowledged and len(counted) % rows == 0
    assert [value for _, value, _ in counted] == [i / 1000 for i in range(len(counted))]
    assert integrity(path) == [("ok",)]
    with SessionWriter.resume(path, HandClock()) as writer:
        assert writer.meta("unit") == "mixer"
    with open_session(path) as records:
        assert len(records.readings()) == len(counted)
        assert len(records.events("note")) == len(counted) // rows
    assert integrity(path) == [("ok",)]


def read_while_it_writes(child, path, commits):
    """Follow a running writer; every look must be whole and no look may show less than is acknowledged."""
    acknowledged = 0
    for _ in range(commits):
        acknowledged = int(child.stdout.readline())
        if acknowledged % 3 == 0:
            with open_session(path) as records:
                frame = records.readings()
            assert len(frame) >= acknowledged
            assert np.array_equal(frame["value"], np.arange(len(frame)) / 1000)
    return acknowledged


def integrity(path):
    sql = sqlite3.connect(path)
    try:
        return sql.execute("PRAGMA integrity_check").fetchall()
    finally:
        sql.close()
