"""The log lines of three repairs as series of readings, ten a second, played by a careless hand.

A slip in one of five placements, a double contact in one of five, lift-off for a moment in one of ten, a capacitor
that drifts in one of ten; invented hands. Volts go through a meter with auto-range, as in the benchmark; on ohms the
open lead is overload, a capacitance meter's shows some picofarads, and a scope's lead hums.
"""

import math
import re
from dataclasses import dataclass

import numpy as np

from daemon.judge.placements import Shown
from daemon.series_file import parse_series
from drivers.readings import Flag, Quantity
from tests.benchmarks.placements_records import Hand, Meter, another, read_by

RATE_HZ = 10.0
SLIP, TWO_LEGS, LIFT, DRIFT = 0.2, 0.2, 0.1, 0.1
ACCURACY = {"V": 0.0005, "ohm": 0.01, "": 0.01, "uF": 0.03, "Vpp": 0.03, "mVpp": 0.03}
SCALES = {"mVpp": 1e-3, "uF": 1e-6}
QUANTITIES = {"ohm": Quantity.OHM, "continuity": Quantity.CONTINUITY, "capacitance": Quantity.CAPACITANCE}


@dataclass(frozen=True)
class Played:
    """One log line: when the tip touched, what there was to read (None: overload), within what it counts as read."""

    line: str
    from_s: float
    to_s: float
    value: float | None
    half_width: float


def quantity_of(line):
    function = line["function"].split(" (")[0]
    return Quantity.RIPPLE if function.startswith("scope") else QUANTITIES.get(function, Quantity.DC_V)


def value_of(line):
    """The reading in SI units; None where it was open or beyond the range."""
    figures = re.search(r"-?[\d.]+(e-?\d+)?", str(line["reading"]))
    return float(figures[0]) * SCALES.get(line["unit"], 1.0) if figures else None


def touch(hand, value, beside):
    """One placement: what goes wrong comes first, in between or at the end, as it may."""
    rng = hand.rng
    if rng.random() < TWO_LEGS:
        hand.bridged(value, beside, rng.uniform(0.2, 0.8))
    if rng.random() < DRIFT:
        tau_s = rng.uniform(0.3, 1.5)
        hand.towards(value, value * rng.uniform(-0.3, 0.3), tau_s, 9 * tau_s)
    if rng.random() < SLIP:
        hand.on(value, 0.3, 2.5)
        hand.on(beside, 0.2, 0.7)
    hand.on(value, 3.0, 5.0)  # filter, a change of range, and 1.5 s
    if rng.random() < LIFT:
        hand.air(0.1, 0.4)
        hand.on(value, 3.0, 5.0)


def volts_series(lines, seed):
    """All DC volts of a repair in one series, and what was played."""
    rng = np.random.default_rng(seed)
    hand, meter, played = Hand(rng, RATE_HZ), Meter(rng, RATE_HZ), []
    hand.air(1.0, 4.0)
    for line in lines:
        value, from_s = value_of(line), hand.now_s
        touch(hand, value, another(rng, value))
        played.append(Played(line["t"], from_s, hand.now_s, value, meter.half_width(value)))
        hand.between_points()
    return parse_series(read_by(hand, meter, f"seed {seed}").as_csv(), f"seed {seed}"), played


def other_series(line, seed):
    """One line that is not volts."""
    rng = np.random.default_rng(seed)
    quantity, value, hand = quantity_of(line), value_of(line), Hand(rng, RATE_HZ)
    open_path = quantity in (Quantity.OHM, Quantity.CONTINUITY)
    hand.air(1.5, 3.0)
    from_s = hand.now_s
    if value is None:
        hand.on(math.nan, 3.0)
    else:
        touch(hand, value, value * rng.uniform(2.0, 5.0) + (0.5 if open_path else 0.0))
    to_s = hand.now_s
    hand.air(1.5, 3.0)
    resolution = 10.0 ** (math.floor(math.log10(value)) - 3) if value else 0.1
    shown = [_shown(t, volts, quantity, resolution, rng) for t, volts in hand.looks(RATE_HZ)]
    half_width = ACCURACY[line["unit"]] * value + resolution if value else 0.0
    return shown, Played(line["t"], from_s, to_s, value, half_width)


def _shown(t_s, value, quantity, resolution, rng):
    t_us, in_the_air = round(t_s * 1e6), value is None
    if in_the_air and quantity is Quantity.CAPACITANCE:
        return Shown(t_us, float(rng.uniform(1e-11, 5e-11)), Flag.NONE, 1e-12)
    if in_the_air and quantity is Quantity.RIPPLE:
        return Shown(t_us, float(rng.uniform(0.02, 0.1)), Flag.NONE, 1e-3)
    if in_the_air or math.isnan(value):
        return Shown(t_us, math.nan, Flag.OVERLOAD, None)
    noisy = value + rng.normal(0, 0.5 * resolution)
    return Shown(t_us, round(noisy / resolution) * resolution, Flag.NONE, resolution)
