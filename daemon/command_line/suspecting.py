"""``probetrail suspects``: what may be broken and where to probe next, from two files and without a daemon."""

import argparse
import json
from pathlib import Path

from daemon.drawing import parse_drawing
from daemon.running import solved_folder
from daemon.solved_drawings import SolvedDrawings
from daemon.suspects.answer import answer, in_words
from daemon.suspects.diagnosis import Diagnosis
from daemon.suspects.readings import parse_readings
from drivers.errors import DrawingError, ReadingsError


def add_commands(groups: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add the command."""
    text = "what may be broken, how likely, and where to probe next"
    parser = groups.add_parser("suspects", help=text, description=text)
    parser.add_argument("drawing", type=Path, metavar="DRAWING.toml")
    parser.add_argument("--readings", type=Path, metavar="READINGS.csv", help="what was read so far")
    parser.add_argument("--json", action="store_true", help="one JSON object and nothing else")
    parser.set_defaults(carry_out=_suspects)


def _suspects(options: argparse.Namespace) -> int:
    try:
        drawing = parse_drawing(options.drawing.read_text(encoding="utf-8"), str(options.drawing))
    except (OSError, UnicodeDecodeError) as error:
        raise DrawingError([f"{options.drawing}: cannot be read: {error}"]) from error
    evidence = []
    if options.readings is not None:
        try:
            text = options.readings.read_text(encoding="utf-8")
        except (OSError, UnicodeDecodeError) as error:
            raise ReadingsError(f"{options.readings}: cannot be read: {error}") from error
        evidence = parse_readings(text, str(options.readings), drawing)
    posterior = Diagnosis(drawing, SolvedDrawings(solved_folder())).posterior(evidence)
    said = answer(posterior)
    if options.json:
        print(json.dumps(said, ensure_ascii=False, indent=1, allow_nan=False))
    else:
        print(in_words(said, posterior))
    return 0
