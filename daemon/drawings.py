"""Drawings that were entered once, kept for their model with the photos of its board, and found again by its name."""

import contextlib
import os
import re
from pathlib import Path

from daemon.drawing import parse_drawing
from drivers.errors import DrawingError, ProbetrailError

FILE = "drawing.toml"
FORMER = "drawing-before.toml"
PHOTO_TYPES = {b"\xff\xd8\xff": ".jpg", b"\x89PNG\r\n\x1a\n": ".png"}
MEDIA_TYPES = {".jpg": "image/jpeg", ".png": "image/png"}


class Drawings:
    """The folder of kept drawings: one folder a model."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder

    def models(self) -> list[str]:
        """The units that have a drawing, by name."""
        found = []
        for path in sorted(self._folder.glob(f"*/{FILE}")):
            with contextlib.suppress(OSError, UnicodeDecodeError, DrawingError):
                found.append(parse_drawing(path.read_text(encoding="utf-8"), path.name).unit)
        return sorted(set(found), key=str.casefold)

    def text(self, unit: str) -> str | None:
        """The drawing of a model as TOML, None where there is none."""
        try:
            return (self._of(unit) / FILE).read_text(encoding="utf-8")
        except (OSError, UnicodeDecodeError):
            return None

    def path(self, unit: str) -> Path | None:
        """Where the drawing of a model lies, None where there is none."""
        path = self._of(unit) / FILE
        return path if unit and path.is_file() else None

    def keep(self, text: str, unit: str = "") -> Path:
        """Keep a drawing for its unit, or under another name of it; the one before stays beside it.

        Raises ``DrawingError`` and ``OSError``.
        """
        drawing = parse_drawing(text, "drawing")
        folder = self._of(unit or drawing.unit)
        folder.mkdir(parents=True, exist_ok=True)
        path = folder / FILE
        if path.is_file() and path.read_text(encoding="utf-8", errors="replace") != text:
            path.replace(folder / FORMER)
        _write(path, text.encode())
        return path

    def photos(self, unit: str) -> list[str]:
        """File names of a board's photos."""
        folder = self._of(unit)
        return sorted(path.name for path in folder.glob("*") if path.suffix in MEDIA_TYPES) if unit else []

    def photo(self, unit: str, name: str) -> tuple[bytes, str]:
        """A photo and its media type. Raises ``ProbetrailError`` where there is none of that name."""
        if name not in self.photos(unit):
            raise ProbetrailError(f"There is no photo {name!r} of {unit!r}.")
        path = self._of(unit) / name
        return path.read_bytes(), MEDIA_TYPES[path.suffix]

    def keep_photo(self, unit: str, name: str, content: bytes) -> str:
        """Keep a photo of a board (JPEG or PNG); returns its file name. Raises ``ProbetrailError`` and ``OSError``."""
        suffix = next((each for magic, each in PHOTO_TYPES.items() if content.startswith(magic)), None)
        if suffix is None:
            raise ProbetrailError("That is neither a JPEG nor a PNG picture: take the photo in one of them.")
        folder = self._of(unit)
        folder.mkdir(parents=True, exist_ok=True)
        stem = re.sub(r"[^\w-]+", "-", Path(name).stem).strip("-") or "board"
        _write(folder / (stem + suffix), content)
        return stem + suffix

    def _of(self, unit: str) -> Path:
        return model_folder(self._folder, unit)


def model_folder(folder: Path, unit: str) -> Path:
    """The folder of a model: the unit's name, made fit for a file system."""
    return folder / (re.sub(r"[^\w-]+", "-", unit.casefold()).strip("-") or "unnamed")


def _write(path: Path, content: bytes) -> None:
    """All of it or nothing of it is there afterwards."""
    half = path.with_name(f".{path.name}.half")
    with half.open("wb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())
    half.replace(path)
