"""Solved drawings kept between runs, by what the drawing says: one file each, made anew where it cannot be read."""

import contextlib
import hashlib
import os
import zipfile
from collections.abc import Callable
from pathlib import Path

import numpy as np

from daemon.drawing import Drawing
from daemon.suspects.pairs import WORLDS_LAST
from daemon.suspects.solving import Solution
from daemon.suspects.worlds import MODEL

MOST_FILES = 30


class SolvedDrawings:
    """Answers with what was solved before for a drawing that says the same; the folder may be emptied at any time."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder

    def __call__(self, drawing: Drawing, solve: Callable[[], Solution]) -> Solution:
        """The solution of a drawing, from its file or worked out and kept."""
        path = self._folder / f"{_key(drawing)}.npz"
        found = _read(path)
        if found is None:
            found = solve()
            self._write(path, found)
        return found

    def _write(self, path: Path, solution: Solution) -> None:
        """A full disk or a folder that cannot be written costs the time to solve again, and nothing else."""
        part = path.with_suffix(f".{os.getpid()}.part")
        try:
            self._folder.mkdir(parents=True, exist_ok=True)
            with part.open("wb") as file:
                np.savez(file, allow_pickle=False, **solution)
            part.replace(path)
            oldest_first = sorted(self._folder.glob("*.npz"), key=lambda each: each.stat().st_mtime)
            for old in oldest_first[:-MOST_FILES]:
                old.unlink(missing_ok=True)
        except OSError:
            with contextlib.suppress(OSError):
                part.unlink()


def _key(drawing: Drawing) -> str:
    return hashlib.sha256(f"{MODEL}\n{drawing.to_json()}".encode()).hexdigest()[:32]


def _read(path: Path) -> Solution | None:
    try:
        with path.open("rb") as opened, np.load(opened, allow_pickle=False) as file:
            return {name: file[name] for name in WORLDS_LAST}
    except (OSError, ValueError, KeyError, zipfile.BadZipFile, EOFError):
        return None
