"""``probetrail placements``: where a probe rested in any meter's series, and what it read there."""

import argparse
import json
import math
from pathlib import Path

from daemon.judge.placements import Placement, find_placements, with_accuracy
from daemon.series_file import read_series
from drivers.readings import Quantity


def add_commands(groups: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add the command."""
    text = "where a probe rested in a series (t_s,value), and what it read there"
    parser = groups.add_parser("placements", help=text, description=text)
    parser.add_argument("series", type=Path, metavar="SERIES.csv")
    parser.add_argument(
        "--quantity", choices=[str(each) for each in Quantity], default=str(Quantity.DC_V), metavar="NAME",
        help="what was measured, such as dc_v (the default), ac_v or ohm",
    )  # fmt: skip
    parser.add_argument(
        "--accuracy", type=_percent, default=0.0, metavar="PERCENT", help="limits of error of the meter, of reading"
    )
    parser.add_argument("--json", action="store_true", help="one JSON object and nothing else")
    parser.set_defaults(carry_out=_placements)


def _percent(text: str) -> float:
    value = float(text)
    if not 0 <= value < math.inf:
        raise argparse.ArgumentTypeError("must be 0 or more")
    return value


def _placements(options: argparse.Namespace) -> int:
    quantity = Quantity(options.quantity)
    found = find_placements(read_series(options.series), quantity)
    if options.json:
        rows = [_row(placement, options.accuracy) for placement in found]
        print(json.dumps({"placements": rows}, indent=1, allow_nan=False))
        return 0
    for placement in found:
        print(_line(placement, quantity.unit, options.accuracy))
    if not found:
        print("The probe rested nowhere for long enough: five readings and one second are needed.")
    return 0


def _row(placement: Placement, percent: float) -> dict[str, float | int | None]:
    value, uncertainty = placement.value, with_accuracy(placement, percent)
    return {
        "from_s": placement.from_us / 1e6,
        "to_s": placement.to_us / 1e6,
        "value": value if math.isfinite(value) else None,
        "uncertainty": uncertainty if math.isfinite(uncertainty) else None,
        "count": placement.count,
    }


def _line(placement: Placement, unit: str, percent: float) -> str:
    stretch = f"{placement.from_us / 1e6:10.2f} s to {placement.to_us / 1e6:10.2f} s"
    if not math.isfinite(placement.value):
        return f"{stretch}  overload  ({placement.count} readings)"
    uncertainty = with_accuracy(placement, percent)
    places = min(9, max(0, 1 - math.floor(math.log10(2 * uncertainty)))) if uncertainty else 6
    value = f"{placement.value:z.{places}f} {unit}".strip()
    return f"{stretch}  {value:>14} +-{2 * uncertainty:.2g} (k = 2, {placement.count} readings)"
