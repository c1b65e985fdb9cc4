"""How fast the screens are, in a real browser that draws in software: what happens now, and a session of days."""

import sys

from tests.benchmarks.figures import run
from tests.benchmarks.screen import live, long


def measure(full):
    """All figures; with ``full`` longer, and a whole working day's worth of messages."""
    return [*live.figures(full), *long.figures(full)]


if __name__ == "__main__":
    sys.exit(run(measure, __doc__))
