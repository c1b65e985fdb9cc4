"""The campaign from the command line: exit 0 only if nothing was wrong."""

import argparse
import sys

from tests.drivers.campaign.running import campaign, station_names

FULL, PART = 10_000, 200


def main():
    parser = argparse.ArgumentParser(prog="python -m tests.drivers.campaign", description=__doc__)
    parser.add_argument("--full", action="store_true", help=f"{FULL} faults, among them outages of 30 s")
    parser.add_argument("--faults", type=int, help=f"so many faults instead of {PART}")
    parser.add_argument("--seed", type=int, default=1, help="repeats the same faults")
    parser.add_argument("--only", choices=station_names(), help="one station instead of all")
    words = parser.parse_args()
    report = campaign(words.seed, words.faults or (FULL if words.full else PART), words.only, long_outages=words.full)
    print("\n".join(report.lines()))  # noqa: T201 because this is a command
    return 0 if report.ok else 1


if __name__ == "__main__":
    sys.exit(main())
