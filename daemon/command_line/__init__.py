"""The command ``probetrail``: one module a group of commands, none of which keeps any state."""

import argparse
import sys
from collections.abc import Sequence

from daemon.command_line import (
    benches,
    drawings,
    instruments,
    marks,
    mending,
    placements,
    sessions,
    suspecting,
    telling,
)
from daemon.running import check_package_name
from drivers.errors import ProbetrailError


def make_parser() -> argparse.ArgumentParser:
    """The whole command line."""
    parser = argparse.ArgumentParser(
        prog="probetrail",
        description="Keeps, tags and judges every reading of a repair while both hands hold probes.",
    )
    groups = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")
    for room in (benches, marks, telling, instruments, sessions, placements, mending, drawings, suspecting):
        room.add_commands(groups)
    return parser


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command; returns the exit code (0 done, 1 could not, 2 wrong words, 3 in part, 130 interrupted)."""
    options = make_parser().parse_args(arguments)
    try:
        check_package_name()
        return int(options.carry_out(options))
    except ProbetrailError as error:
        print(error, file=sys.stderr)
        return 1
    except BrokenPipeError:
        return 1  # the reader of our output has gone: nobody is left to tell
    except KeyboardInterrupt:
        return 130
