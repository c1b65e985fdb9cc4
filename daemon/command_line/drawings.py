"""``probetrail drawing``: a drawing from a table, a CSV file or TOML; checked, written as TOML, kept for its model."""

import argparse
import sys
from pathlib import Path

from daemon.commands import say
from daemon.drawing import Drawing
from daemon.drawing_entry import sheet_from_text
from daemon.drawing_sheet import drawing_of
from daemon.drawing_toml import drawing_toml
from daemon.drawings import Drawings
from daemon.running import drawings_folder, the_running_door
from drivers.errors import DrawingError

PASTED = "what was pasted"


def add_commands(groups: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add the command."""
    text = "take in a drawing: a pasted table, CSV or TOML"
    parser = groups.add_parser("drawing", help=text, description=text)
    parser.add_argument("source", metavar="FILE", help="CSV, a table as text, or TOML; - reads what is pasted here")
    parser.add_argument("--unit", metavar="NAME", help="the unit, where the table does not say it")
    parser.add_argument("--to", type=Path, metavar="FILE.toml", help="write it as TOML, never over a file")
    parser.add_argument("--keep", action="store_true", help="keep it for its model: it is found by the unit's name")
    parser.add_argument("--use", action="store_true", help="keep it, and compare with it in the running session")
    parser.set_defaults(carry_out=_take_in)


def _take_in(options: argparse.Namespace) -> int:
    drawing = _drawing(options)
    text = drawing_toml(drawing)
    parts = f", {len(drawing.parts)} parts" if drawing.parts else ""
    print(f"{drawing.unit}: {len(drawing.points)} points{parts}, modes {', '.join(drawing.modes)}.")
    if options.to is not None:
        _write(options.to, text)
        print(f"Written to {options.to}.")
    if options.use:
        print(say(the_running_door(), {"command": "drawing", "text": text})["done"])
    elif options.keep:
        print(f"Kept: {Drawings(drawings_folder()).keep(text)}.")
    elif options.to is None:
        print(text, end="")
    return 0


def _drawing(options: argparse.Namespace) -> Drawing:
    pasted = options.source == "-"
    name = PASTED if pasted else Path(options.source).name
    try:
        text = sys.stdin.read() if pasted else Path(options.source).read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as error:
        raise DrawingError([f"{name}: is not UTF-8 text: save it as CSV in UTF-8, or paste it"]) from error
    except OSError as error:
        raise DrawingError([f"{name}: cannot be read: {error}"]) from error
    sheet = sheet_from_text(text, name)
    if options.unit:
        sheet.head["unit"] = options.unit
    return drawing_of(sheet, name)


def _write(path: Path, text: str) -> None:
    try:
        with path.open("x", encoding="utf-8") as file:
            file.write(text)
    except FileExistsError as error:
        raise DrawingError([f"{path} is there already: choose another name, or move it away first"]) from error
    except OSError as error:
        raise DrawingError([f"{path}: cannot be written: {error}"]) from error
