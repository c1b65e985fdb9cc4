"""``python -m simulated_instruments``: bench, technician, and the single processes they are made of."""

import argparse
import json
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from simulated_instruments.asking import address


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="python -m simulated_instruments",
        description="A simulated bench: five instruments and one faulty unit, as processes that speak real bytes.",
    )
    verbs = parser.add_subparsers(dest="verb", required=True)
    _bench(verbs)
    _technician(verbs)
    _parts(verbs)
    return parser


def _bench(verbs: Any) -> None:
    bench = verbs.add_parser("bench", help="start unit and instruments; runs until SIGTERM or SIGINT")
    bench.add_argument("scenario", nargs="?", default="mixer", help="amplifier, mixer, cassette (or S1, S2, S4)")
    bench.add_argument("--runtime", type=Path, required=True, help="folder for bench.json, bench.toml, counts.json")
    bench.add_argument("--seed", type=int, default=1, help="draws noise, errors and bounces")
    bench.add_argument("--with-parent", action="store_true", help="also end when standard input closes")
    bench.add_argument(
        "--no-fetch", action="append", default=[], metavar="NAME", help="this meter answers FETCh? with -230 only"
    )


def _technician(verbs: Any) -> None:
    technician = verbs.add_parser("technician", help="play a scenario's probe log through both doors")
    technician.add_argument("scenario", nargs="?", default="mixer")
    technician.add_argument("--unit-door", type=address, required=True, metavar="HOST:PORT")
    technician.add_argument("--daemon", required=True, metavar="URL", help="http://127.0.0.1:PORT")
    technician.add_argument("--token", required=True)
    technician.add_argument("--speed", type=float, default=1.0, help="shortens the pauses between actions only")
    technician.add_argument("--seed", type=int, default=1, help="draws how long the hands take")


def _parts(verbs: Any) -> None:
    unit = verbs.add_parser("unit", help="one unit's process; ends when standard input closes")
    unit.add_argument("scenario")
    unit.add_argument("--port", type=int, default=0)
    unit.add_argument("--seed", type=int, default=1)
    instrument = verbs.add_parser("instrument", help="one instrument's process, at its old address if it had one")
    instrument.add_argument("name")
    instrument.add_argument("--runtime", type=Path, required=True)
    instrument.add_argument("--unit-door", type=address, metavar="HOST:PORT", help="else from bench.json")
    instrument.add_argument("--seed", type=int, default=1)
    instrument.add_argument("--no-fetch", action="store_true")


def _run_instrument(given: argparse.Namespace) -> None:
    from simulated_instruments.bench.processes import run_instrument  # noqa: PLC0415 because each verb loads its own

    door, port = given.unit_door, 0
    if door is None:
        facts = json.loads((given.runtime / "bench.json").read_text(encoding="utf-8"))
        door = (facts["unit_door"]["host"], facts["unit_door"]["port"])
        fields = facts["resources"][given.name].split("::")
        port = int(fields[2]) if fields[-1] == "SOCKET" else 0
    run_instrument(given.name, door, given.runtime.resolve(), port, given.seed, not given.no_fetch)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one verb; 0, or 2 with one line on standard error for a wrong argument."""
    given = _parser().parse_args(arguments)
    try:
        _run(given)
    except (ValueError, RuntimeError, OSError) as wrong:
        sys.stderr.write(f"{wrong}\n")
        return 2
    return 0


def _run(given: argparse.Namespace) -> None:
    if given.verb == "bench":
        from simulated_instruments.bench.launcher import run_bench  # noqa: PLC0415 because each verb loads its own

        run_bench(given.scenario, given.runtime, given.seed, given.with_parent, given.no_fetch)
    elif given.verb == "technician":
        from simulated_instruments.technician.playing import run_technician  # noqa: PLC0415 because of the same

        run_technician(given.scenario, given.unit_door, given.daemon, given.token, given.speed, given.seed)
    elif given.verb == "unit":
        from simulated_instruments.bench.processes import run_unit  # noqa: PLC0415 because of the same

        run_unit(given.scenario, given.port, given.seed)
    else:
        _run_instrument(given)
