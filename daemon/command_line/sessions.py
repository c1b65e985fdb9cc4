"""Commands on files: ``timeline``, ``history``, ``export``, ``switch-on`` and ``ripple``."""

import argparse
import json
import math
from pathlib import Path
from typing import Any

from daemon.export import export
from daemon.quantity_words import amount
from daemon.records import open_session
from daemon.timeline import history_text, timeline, timeline_text
from daemon.trace_file import judge_trace_file, ripple_of_file


def add_commands(groups: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add the commands."""
    parser = groups.add_parser("timeline", help="what happened in a session, in order")
    parser.add_argument("session", type=Path, metavar="SESSION")
    parser.add_argument("--json", action="store_true", help="one JSON object and nothing else")
    parser.set_defaults(carry_out=_timeline)

    text = "the corrections made to a session, in order, with what was before"
    parser = groups.add_parser("history", help=text, description=text)
    parser.add_argument("session", type=Path, metavar="SESSION")
    parser.set_defaults(carry_out=_history)

    parser = groups.add_parser("export", help="one row a reading, with its tags")
    parser.add_argument("session", type=Path, metavar="SESSION")
    parser.add_argument("--to", type=Path, required=True, metavar="FILE.csv|.parquet")
    parser.set_defaults(carry_out=_export)

    parser = groups.add_parser("switch-on", help="the verdict on a waveform file (t_s, then volts)")
    parser.add_argument("trace", type=Path, metavar="TRACE.csv")
    parser.add_argument("--reference", type=Path, metavar="REF.csv", help="a healthy switch-on of the same point")
    parser.add_argument("--on", type=_number, metavar="T", help="when it was switched on, on the file's time axis (s)")
    parser.add_argument(
        "--on-uncertainty", type=_half_width, metavar="U", help="how far either side of that it may have been (s)"
    )
    parser.add_argument("--json", action="store_true", help="one JSON object and nothing else")
    parser.set_defaults(carry_out=_switch_on)

    parser = groups.add_parser("ripple", help="ripple and hum of a waveform file, over whole mains periods")
    parser.add_argument("trace", type=Path, metavar="TRACE.csv")
    parser.add_argument("--json", action="store_true", help="one JSON object and nothing else")
    parser.set_defaults(carry_out=_ripple)


def _number(text: str) -> float:
    value = float(text)
    if not math.isfinite(value):
        raise argparse.ArgumentTypeError("write seconds as a number, such as 0.25")
    return value


def _half_width(text: str) -> float:
    value = _number(text)
    if not 0 <= value <= 3600:
        raise argparse.ArgumentTypeError("write seconds from 0 to 3600")
    return value


def _print_json(content: dict[str, Any]) -> None:
    print(json.dumps(content, ensure_ascii=False, indent=1, allow_nan=False))


def _timeline(options: argparse.Namespace) -> int:
    with open_session(options.session) as records:
        if options.json:
            _print_json(timeline(records))
        else:
            print(timeline_text(records))
    return 0


def _history(options: argparse.Namespace) -> int:
    with open_session(options.session) as records:
        print(history_text(records) or "Nothing was corrected.")
    return 0


def _export(options: argparse.Namespace) -> int:
    rows = export(options.session, options.to)
    print(f"{rows} readings written to {options.to}.")
    return 0


def _switch_on(options: argparse.Namespace) -> int:
    answer = judge_trace_file(options.trace, options.reference, options.on, options.on_uncertainty)
    if options.json:
        _print_json(answer)
        return 0
    print(f"{answer['verdict']}. {answer['why']}")
    if answer["also"]:
        print("also: " + ", ".join(answer["also"]))
    return 0


def _ripple(options: argparse.Namespace) -> int:
    found = ripple_of_file(options.trace)
    if options.json:
        _print_json(found)
        return 0
    print(f"{amount(found['peak_to_peak_v'], 'Vpp')}, {amount(found['rms_v'], 'V rms')} of all that is not DC.")
    for number, rms_v in enumerate(found["harmonics_rms_v"], 1):
        print(f"{number * found['mains_hz']:.2f} Hz: {amount(rms_v, 'V rms')}")
    return 0
