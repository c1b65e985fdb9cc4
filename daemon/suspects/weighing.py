"""What each piece of evidence says of every world.

A reading is normal about what a world expects, with a wider skirt for what no model has, and 0.03 flat for the probe
that was on the wrong point.
"""

import math
from dataclasses import dataclass

import numpy as np

from daemon.drawing import GROUND, Drawing
from daemon.judge.expected import why_printed_values_do_not_hold
from daemon.suspects.faults import EVEN
from daemon.suspects.net import Floats, Halves, Ints
from daemon.suspects.readings import HALVES, Seen, is_mains, node_name, place_of
from daemon.suspects.signs import is_sign, sign_likelihood
from daemon.suspects.worlds import SKIRT, Table

WRONG_POINT = 0.03
METER_RELATIVE, METER_V = 0.005, 0.01  # of a meter whose uncertainty is not stated
AMPS_RELATIVE, METER_A = 0.03, 0.003
LEAST_OHM, MOST_OHM = 0.05, 5e5  # leads and contacts below; above, in circuit, open is open
TEST_MISLEADS = 0.02  # tested good, and yet it fails under voltage or heat; or tested bad by a slip, and sound
ELSEWHERE_RELATIVE, ELSEWHERE_V = 0.05, 0.05
ROOT_2PI = math.sqrt(2 * math.pi)


@dataclass(frozen=True, slots=True)
class Expected:
    """A reading as every world expects it: ``mean``, ``noise`` (worlds,) and ``sway`` (worlds, spreads).

    ``elsewhere`` (worlds,) is the density of the value that was read, had the probe been on another point; ``bent`` the
    share of its sway by which it may be off because volts do not go in straight lines.
    """

    mean: Floats
    sway: Halves
    noise: Floats
    elsewhere: Floats
    bent: float = 0.0


def expected(table: Table, drawing: Drawing, seen: Seen, now: Ints) -> Expected | None:
    """What a reading of volts or amperes is expected to be; ``now`` is the world that each world has become by now."""
    if is_mains(seen.point):
        return _expected_mains(table, drawing, seen)
    if seen.mode not in table.modes or why_printed_values_do_not_hold(seen.condition) is not None:
        return None
    mode = table.modes.index(seen.mode)
    if seen.quantity == "current_a":
        return _expected_amps(table, seen, mode, now)
    if seen.quantity not in ("dc_v", "across_v"):
        return None
    ends = _columns(table, drawing, seen.point)
    if ends is None:
        return None
    plus, minus = ends
    mean, rows = table.read(mode, plus, minus)[now], table.rows(mode, plus, minus, now)
    noise = noise_v(table, mean, seen.uncertainty)
    return Expected(mean, rows, noise, _elsewhere(table, mode, seen.value, now), table.bent)


def _elsewhere(table: Table, mode: int, value: float, now: Ints) -> Floats:
    """Density of a value on any other point: half of it where this world's points are and at 0 V, half anywhere."""
    levels = table.volts[mode].astype(np.float32)[:, now]  # half the digits do for a background, in half the time
    spread = ELSEWHERE_RELATIVE * np.abs(levels) + ELSEWHERE_V
    away = (np.float32(value) - levels) / spread
    heights = np.exp(-0.5 * away * away) / spread
    near = np.where(np.isfinite(heights), heights, 0).sum(axis=0) / ROOT_2PI
    at_zero = math.exp(-0.5 * (value / ELSEWHERE_V) ** 2) / (ELSEWHERE_V * ROOT_2PI)
    return np.asarray(0.5 * (near + at_zero) / (len(levels) + 1) + 0.5 / whole_v(table))


def _columns(table: Table, drawing: Drawing, point: str) -> tuple[int, int] | None:
    """Columns of a point and of 0 V (-1), or of two points. None where one of them is not known."""
    halves = [node_name(half, drawing) for half in (point.split(HALVES) if HALVES in point else [point])]
    if any(half is None or (half != GROUND and half not in table.nodes) for half in halves):
        return None
    found = [-1 if half == GROUND else table.nodes[half] for half in halves if half is not None]
    return found[0], found[1] if len(found) > 1 else -1


def _expected_mains(table: Table, drawing: Drawing, seen: Seen) -> Expected | None:
    if drawing.nominal_mains_v is None or seen.quantity not in ("ac_v", "dc_v"):
        return None
    rows = np.zeros((len(table.of), table.sway.shape[2]), dtype=np.float32)
    if rows.shape[1]:
        rows[:, 0] = table.mains_sd
    mains_v = drawing.nominal_mains_v
    spread, elsewhere = np.full(len(table.of), 0.01 * mains_v), np.full(len(table.of), 0.5 / mains_v)
    return Expected(mains_v * table.mains, np.float32(mains_v) * rows, spread, elsewhere)


def _expected_amps(table: Table, seen: Seen, mode: int, now: Ints) -> Expected | None:
    if seen.point not in table.sources:
        return None
    source = table.sources.index(seen.point)
    mean = table.amps[mode, source, now]
    rows = table.amps_sway[now, mode * len(table.sources) + source]
    own = METER_A if seen.uncertainty is None else seen.uncertainty
    noise = np.hypot(AMPS_RELATIVE * np.abs(mean) + 0.001, own)
    whole = 2 * float(np.abs(mean).max()) + 1
    return Expected(mean, rows, noise, np.full(len(mean), 1 / whole))


def noise_v(table: Table, mean: Floats, uncertainty: float | None = None) -> Floats:
    """Standard deviation of a reading in a world whose tolerances are known, in volts."""
    share, volts = table.unsure
    half_width = METER_RELATIVE * np.abs(mean) + METER_V if uncertainty is None else uncertainty
    return np.asarray(np.hypot(share * np.abs(mean) + volts, half_width / EVEN))


def whole_v(table: Table) -> float:
    """The width of all volts of a table."""
    return 1.2 * float(np.nanmax(table.volts) - np.nanmin(table.volts)) + 1.0


def density(
    away: Floats, spread: Floats, elsewhere: Floats | float, skirt: tuple[float, float] = SKIRT
) -> tuple[Floats, Floats]:
    """Likelihood of a value that lies ``away``, and the share of it that is not the wrong point's; NaN: anything."""
    often, times = skirt
    normal = np.exp(-0.5 * (away / spread) ** 2) / (spread * ROOT_2PI)
    wide = times * spread
    beyond = np.exp(-0.5 * (away / wide) ** 2) / (wide * ROOT_2PI)
    good = (1 - WRONG_POINT) * ((1 - often) * normal + often * beyond)
    total = good + WRONG_POINT * elsewhere
    unknown = ~np.isfinite(away)
    return np.where(unknown, elsewhere, total), np.where(unknown, 0.0, good / total)


def other_likelihood(table: Table, drawing: Drawing, seen: Seen, now: Ints) -> Floats | None:
    """Of evidence that is not volts or amperes, in every world; None where it says nothing."""
    if seen.quantity == "good":
        return _weigh_test(table, seen.point, bool(seen.value))
    if is_sign(seen):
        return sign_likelihood(table, seen)
    if seen.quantity == "ohm_off":
        return _weigh_ohms(table, drawing, seen, now)
    if seen.quantity == "kick":
        return _weigh_kick(table, drawing, seen)
    if why_printed_values_do_not_hold(seen.condition) is not None or seen.mode not in table.modes:
        return None
    if seen.quantity == "works":
        return _weigh_works(table, drawing, table.modes.index(seen.mode), bool(seen.value), now)
    if seen.quantity == "ripple_vpp":
        return _weigh_ripple(table, drawing, seen)
    return None


def _weigh_test(table: Table, part: str, good: bool) -> Floats:
    """A part tested by itself tests as it is, but for the few faults that no test shows, and slips."""
    chance = table.of_world([TEST_MISLEADS if part in each.parts else 1 - TEST_MISLEADS for each in table.hypotheses])
    return chance if good else 1 - chance


def _weigh_ohms(table: Table, drawing: Drawing, seen: Seen, now: Ints) -> Floats | None:
    halves = [node_name(half, drawing) for half in seen.point.split(HALVES)]
    if None in halves:
        return None
    pair = str(halves[0]), str(halves[1]) if len(halves) > 1 else GROUND
    key = "ohms " + " - ".join(pair)
    if key not in table.memory:
        ohms = table.ohms(*pair)
        if ohms is None:
            return None
        table.memory[key] = ohms
    ohms = table.memory[key]
    logs = np.log(np.clip(ohms[:, now], LEAST_OHM, MOST_OHM))
    value = math.log(min(max(seen.value, LEAST_OHM), MOST_OHM))
    return np.asarray(density(value - logs, np.full(logs.shape, table.ohms_spread), 0.05)[0].mean(axis=0))


def _weigh_works(table: Table, drawing: Drawing, mode: int, works: bool, now: Ints) -> Floats:
    """A mode with a point out of its tolerance rarely works; one with none in sight works, or has a fault unseen."""
    usual = np.median(table.volts[mode][:, table.of == 0], axis=1, keepdims=True)
    wide = 2 * drawing.tolerance_percent / 100 * np.abs(usual) + 0.1
    seen_bad = (np.abs(table.volts[mode][:, now] - usual) > wide).any(axis=0)
    chance = np.where(seen_bad, 0.2, np.where(table.of[now] == 0, 0.97, 0.5))
    return chance if works else 1 - chance


def _parts_near(drawing: Drawing, net: str | None) -> tuple[set[str], set[str]]:
    """Names of parts on a net, and of those one part further off."""
    here = {part.name for part in drawing.parts if net in part.nets}
    beside = {n for part in drawing.parts if net in part.nets for n in part.nets} - {GROUND, net}
    return here, {part.name for part in drawing.parts if beside & set(part.nets)} - here


def _weigh_ripple(table: Table, drawing: Drawing, seen: Seen) -> Floats | None:
    """Above twice its printed limit, ripple speaks for what filters the point, or a net one part away."""
    point = place_of(seen.point, drawing)
    if point is None or point.ripple_vpp is None:
        return None
    here, close = _parts_near(drawing, point.net)
    filters = {p.name for p in drawing.parts if p.kind in ("capacitor", "regulator", "diode", "inductor")}
    return _by_part(table, seen.value > 2 * point.ripple_vpp, filters & here, filters & close)


def _weigh_kick(table: Table, drawing: Drawing, seen: Seen) -> Floats | None:
    """A kick that is missing at switch-on, or not the usual one, speaks for the parts at its point and beside it.

    ``value`` is 1 where it was the same as of a healthy unit. Common practice, no source: an electrolytic that is
    open shows here and nowhere in DC.
    """
    point = place_of(seen.point, drawing)
    if point is None:
        return None
    if not drawing.parts:
        return _by_part(table, not seen.value, {point.name}, set(point.fed_by))
    here, close = _parts_near(drawing, point.net)
    return _by_part(table, not seen.value, here, close)


def _by_part(table: Table, shows: bool, here: set[str], close: set[str]) -> Floats:
    """A sign that shows in 8 of 10 faults of the parts that it is about, in 4 of 10 of those close by, else in 1."""
    chance = [0.8 if here & set(each.parts) else 0.4 if close & set(each.parts) else 0.1 for each in table.hypotheses]
    found = table.of_world(chance)
    return found if shows else 1 - found
