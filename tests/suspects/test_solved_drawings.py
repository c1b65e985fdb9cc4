"""A drawing is solved once; what was kept is believed only for the same drawing, and only where it can be read."""

from dataclasses import replace

import numpy as np
import pytest

from daemon.solved_drawings import SolvedDrawings
from daemon.suspects.diagnosis import Diagnosis
from daemon.suspects.worlds import Unit


@pytest.fixture
def solved(monkeypatch):
    """How often a network was solved."""
    times = []
    honest = Unit._solved
    monkeypatch.setattr(Unit, "_solved", lambda self, *about: times.append(1) or honest(self, *about))
    return times


def test_the_second_time_nothing_is_solved_and_all_is_the_same(lamp, solved, tmp_path):
    first = Diagnosis(lamp, SolvedDrawings(tmp_path)).table
    second = Diagnosis(lamp, SolvedDrawings(tmp_path)).table
    assert len(solved) == 1
    assert np.array_equal(first.volts, second.volts) and np.array_equal(first.sway, second.sway)


def test_another_value_on_the_drawing_is_another_drawing(lamp, solved, tmp_path):
    keep = SolvedDrawings(tmp_path)
    parts = tuple(replace(p, value=150.0) if p.name == "R1" else p for p in lamp.parts)
    for drawing in (lamp, replace(lamp, parts=parts)):
        assert len(Diagnosis(drawing, keep).table.of) > 50
    assert len(solved) == 2


@pytest.mark.parametrize("damage", [b"", b"PK\x03\x04 torn", b"not a file of arrays"])
def test_a_torn_file_is_solved_again(lamp, solved, tmp_path, damage):
    assert len(Diagnosis(lamp, SolvedDrawings(tmp_path)).table.of) > 50
    kept = next(tmp_path.glob("*.npz"))
    kept.write_bytes(damage)
    assert len(Diagnosis(lamp, SolvedDrawings(tmp_path)).table.of) > 50
    assert len(solved) == 2 and kept.stat().st_size > 1000


def test_a_folder_that_cannot_be_written_costs_only_time(lamp, solved, tmp_path):
    (tmp_path / "solved").write_text("a file where the folder should be")
    for _ in range(2):
        assert len(Diagnosis(lamp, SolvedDrawings(tmp_path / "solved")).table.of) > 50
    assert len(solved) == 2


def test_no_more_than_a_few_are_kept(lamp, tmp_path, monkeypatch):
    monkeypatch.setattr("daemon.solved_drawings.MOST_FILES", 2)
    keep = SolvedDrawings(tmp_path)
    for ohm in (100.0, 120.0, 150.0):
        parts = tuple(replace(p, value=ohm) if p.name == "R1" else p for p in lamp.parts)
        assert len(Diagnosis(replace(lamp, parts=parts), keep).table.of) > 50
    assert len(list(tmp_path.iterdir())) == 2
