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
    bench.add_argument(
        "--over", action="append", default=[], metavar="NAME=TRANSPORT", help="serve it over tcp, tty, hislip or vxi11"
    )


def _technician(verbs: Any) -> None:
    technician = verbs.add_parser("technician", help="play a scenario's probe log through both doors")
    technician.add_argument("scenario", nargs="?", default="mixer")
    technician.add_argument("--unit-door", type=address, required=True, metavar="HOST:PORT")
    technician.add_argument("--daemon", required=True, metavar="URL", help="http://127.0.0.1:PORT")
    technician.add_argument("--token", required=True)
    technician.add_argument("--speed", type=float, default=1.0, help="shortens the pauses between actions only")
    technician.add_argument("--seed", type=int, default=1, help="draws how long the hands take")
    technician.add_argument("--careless", type=int, metavar="SEED", help="a hand that slips, bridges and lifts")


def _parts(verbs: Any) -> None:
    unit = verbs.add_parser("unit", help="one unit's process; ends when standard input closes")
    unit.add_argument("scenario")
    unit.add_argument("--port", type=int, default=0)
    unit.add_argument("--seed", type=int, default=1)
    _instrument(verbs)


def _instrument(verbs: Any) -> None:
    instrument = verbs.add_parser(
        "instrument", help="one instrument: alone with a unit of its own, or as it was on a bench (--runtime)"
    )
    instrument.add_argument("name", metavar="KIND", help='as on the bench: meter, "clip meter", scope...')
    instrument.add_argument("--over", default="", metavar="TRANSPORT", help="tcp, tty, hislip or vxi11")
    instrument.add_argument("--port", type=int, default=0, help="0: a free one")
    instrument.add_argument(
        "--portmapper", type=int, metavar="PORT", help="with vxi11: a port mapper there; others look at 111"
    )
    instrument.add_argument("--link", type=Path, help="where its tty is to be found")
    instrument.add_argument(
        "--fault", action="append", default=[], metavar="KIND[:SECONDS]@N[+]", help="on the Nth answer; +: for good"
    )
    instrument.add_argument("--fault-rate", type=float, default=0.0, metavar="P", help="faults drawn from the seed")
    instrument.add_argument("--form", choices=("a", "b", "c"), default="", help="a scope's form of waveform transfer")
    instrument.add_argument(
        "--window", type=int, default=0, metavar="N", help="a scope of form a or b sends N points at a time; 0: all"
    )
    instrument.add_argument("--scenario", default="mixer", help="of its own unit")
    instrument.add_argument("--runtime", type=Path, help="the folder of the bench to which it belongs")
    instrument.add_argument("--unit-door", type=address, metavar="HOST:PORT", help="else from bench.json")
    instrument.add_argument("--seed", type=int, default=1)
    instrument.add_argument("--no-fetch", action="store_true")


def _run_instrument(given: argparse.Namespace) -> None:
    from simulated_instruments.bench.processes import (  # noqa: PLC0415 because each verb loads its own
        Way,
        run_alone,
        run_instrument,
    )

    over, port, door = given.over, given.port, given.unit_door
    if door is None and given.runtime is not None:
        from simulated_instruments.serving.choice import where  # noqa: PLC0415 because of the same

        facts = json.loads((given.runtime / "bench.json").read_text(encoding="utf-8"))
        door = (facts["unit_door"]["host"], facts["unit_door"]["port"])
        if given.name in facts["resources"] and not over:
            over, port = where(facts["resources"][given.name])
    way = Way(over, port, given.link, tuple(given.fault), given.fault_rate, given.portmapper, given.form, given.window)
    if door is None:
        run_alone(given.name, given.scenario, way, given.seed, not given.no_fetch)
    else:
        runtime = given.runtime.resolve() if given.runtime else None
        run_instrument(given.name, door, runtime, way, given.seed, not given.no_fetch)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one verb; 0, or 2 with one line on standard error for a wrong argument."""
    given = _parser().parse_args(arguments)
    try:
        _run(given)
    except (ValueError, RuntimeError, OSError) as wrong:
        sys.stderr.write(f"{wrong}\n")
        return 2
    return 0


def _pairs(written: Sequence[str]) -> dict[str, str]:
    pairs = dict(text.partition("=")[::2] for text in written)
    if "" in pairs.values():
        raise ValueError("--over takes NAME=TRANSPORT, for instance meter=hislip")
    return pairs


def _run(given: argparse.Namespace) -> None:
    if given.verb == "bench":
        from simulated_instruments.bench.launcher import run_bench  # noqa: PLC0415 because each verb loads its own

        run_bench(given.scenario, given.runtime, given.seed, given.with_parent, given.no_fetch, _pairs(given.over))
    elif given.verb == "technician":
        from simulated_instruments.technician.playing import run_technician  # noqa: PLC0415 because of the same

        run_technician(
            given.scenario, given.unit_door, given.daemon, given.token, given.speed, given.seed, given.careless
        )
    elif given.verb == "unit":
        from simulated_instruments.bench.processes import run_unit  # noqa: PLC0415 because of the same

        run_unit(given.scenario, given.port, given.seed)
    else:
        _run_instrument(given)
