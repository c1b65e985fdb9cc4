"""``probetrail mend``: saves what can be saved of a damaged session."""

import argparse
from pathlib import Path

from daemon.store.mend import default_target, mend
from drivers.clock import SystemClock

LOST_SOMETHING = 3


def add_commands(groups: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add ``mend``."""
    text = "save what can be saved of a damaged session into a new file"
    parser = groups.add_parser(
        "mend",
        help=text,
        description=f"{text}. The damaged one is only read. Ends with 0 where nothing is lost, with {LOST_SOMETHING} "
        "where something is, with 1 where nothing could be saved.",
    )
    parser.add_argument("session", type=Path, metavar="SESSION")
    parser.add_argument("--to", type=Path, metavar="FILE", help="the new file; else SESSION-mended beside it")
    parser.set_defaults(carry_out=_mend)


def _mend(options: argparse.Namespace) -> int:
    mended = mend(options.session, options.to or default_target(options.session), SystemClock())
    print(f"Saved into {mended.file}:")
    for sentence in mended.saved:
        print(f"  {sentence}")
    print("Lost:" if mended.lost else "Nothing is lost.")
    for sentence in mended.lost:
        print(f"  {sentence}")
    return LOST_SOMETHING if mended.lost else 0
