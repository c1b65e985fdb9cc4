"""``probetrail suspects``: what may be broken and where to probe next, from files and without a daemon.

From a drawing and a file of readings, or from a session: as it stands, or as it stood at any time in it.
"""

import argparse
import json
from collections.abc import Sequence
from pathlib import Path

from daemon.command_line.marks import moment
from daemon.drawing import Drawing, parse_drawing
from daemon.question import question_of
from daemon.records import SUFFIX, open_session
from daemon.running import solved_folder
from daemon.solved_drawings import SolvedDrawings
from daemon.suspects.answer import Thought, answer, in_words
from daemon.suspects.diagnosis import Diagnosis
from daemon.suspects.marks import evidence_of
from daemon.suspects.readings import Seen, parse_readings
from drivers.clock import iso_utc
from drivers.errors import DrawingError, ProbetrailError, ReadingsError, SessionError

Asked = tuple[Drawing, Sequence[Seen], str | None, Sequence[Thought]]


def add_commands(groups: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add the command."""
    text = "what may be broken, how likely, and where to probe next"
    parser = groups.add_parser("suspects", help=text, description=text)
    parser.add_argument("file", type=Path, metavar="DRAWING.toml|SESSION")
    parser.add_argument("--readings", type=Path, metavar="READINGS.csv", help="what was read so far")
    at = "of a session: as it stood then, in UTC as the time line has it: 03-01 10:00:00 (its own year), or ISO 8601"
    parser.add_argument("--at", metavar="TIME", help=at)
    parser.add_argument("--json", action="store_true", help="one JSON object and nothing else")
    parser.set_defaults(carry_out=_suspects)


def _suspects(options: argparse.Namespace) -> int:
    drawing, evidence, mode, thoughts = _of_session(options) if options.file.suffix == SUFFIX else _of_files(options)
    posterior = Diagnosis(drawing, SolvedDrawings(solved_folder())).posterior(evidence)
    said = answer(posterior, mode, thoughts=thoughts)
    if options.json:
        print(json.dumps(said, ensure_ascii=False, indent=1, allow_nan=False))
    else:
        print(in_words(said, posterior))
    return 0


def _of_files(options: argparse.Namespace) -> Asked:
    if options.at is not None:
        raise ProbetrailError(f"--at is for a session file (*{SUFFIX}): a file of readings has no times.")
    try:
        drawing = parse_drawing(options.file.read_text(encoding="utf-8"), str(options.file))
    except (OSError, UnicodeDecodeError) as error:
        raise DrawingError([f"{options.file}: cannot be read: {error}"]) from error
    if options.readings is None:
        return drawing, [], None, []
    try:
        text = options.readings.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise ReadingsError(f"{options.readings}: cannot be read: {error}") from error
    return drawing, parse_readings(text, str(options.readings), drawing), None, []


def _of_session(options: argparse.Namespace) -> Asked:
    if options.readings is not None:
        raise ProbetrailError("A session has its own readings: leave --readings out, or give a drawing.")
    with open_session(options.file) as records:
        started_us = int(records.meta.get("started_us") or 0)
        asked = question_of(records, None if options.at is None else _moment(options.at, started_us))
    if not asked.drawing_text:
        raise SessionError(f"{options.file} has no drawing: suspects are parts of one.")
    drawing = parse_drawing(asked.drawing_text, f"drawing of {options.file}")
    return drawing, evidence_of(asked.stays, asked.marks, drawing).seen, asked.mode, asked.thoughts


def _moment(text: str, started_us: int) -> int:
    try:
        return moment(text, year=iso_utc(started_us)[:4])
    except argparse.ArgumentTypeError as error:
        raise ProbetrailError(f"--at {error}") from None
