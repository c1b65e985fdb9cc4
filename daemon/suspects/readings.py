"""Readings as a user writes them, and what each says of every world.

A reading's likelihood is 0.97 normal and 0.03 flat, for the probe that was on the wrong point.
"""

import csv
import io
import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from daemon.drawing import GROUND, Drawing, Point
from daemon.judge.expected import why_printed_values_do_not_hold
from daemon.suspects.net import Floats
from daemon.suspects.worlds import Table
from drivers.errors import ProbetrailError

COLUMNS = ("point", "mode", "condition", "quantity", "value", "uncertainty")
QUANTITIES = ("dc_v", "ac_v", "ripple_vpp", "across_v", "current_a", "ohm_off", "works")
WRONG_POINT = 0.03
RELATIVE, ABSOLUTE_V, ABSOLUTE_A = 0.03, 0.02, 0.002
LEAST_RELATIVE, LEAST_V, LEAST_A = 0.01, 0.01, 0.001  # a world is never more exact
OHM_SPREAD = 0.15  # of the logarithm
LEAST_OHM, MOST_OHM = 0.05, 5e5  # leads and contacts below; above, in circuit, open is open
MAINS_NAMES = ("mains", "mains_v", "line")
GOOD_BUT_FAULTY = 0.02  # tested good, and yet it fails under voltage or heat
_HALVES = " - "


class ReadingsError(ProbetrailError):
    """A readings file that cannot be taken: one line a mistake, each with its cure."""


@dataclass(frozen=True, slots=True)
class Seen:
    """One piece of evidence. ``quantity`` as in the file; or ``good``, ``mended``, ``unmended`` with a part's name
    in ``point``: tested good out of circuit; replaced or bypassed; the bypass taken away again."""

    point: str
    mode: str
    quantity: str
    value: float = 1.0
    uncertainty: float | None = None
    condition: str = "direct"

    def words(self) -> str:
        """The reading as a colleague would say it."""
        unit = {"current_a": "A", "ohm_off": "ohm", "works": "", "ripple_vpp": "Vpp", "ac_v": "V AC"}
        if self.quantity == "works":
            return f"{self.mode} {'works' if self.value else 'does not work'}"
        if self.quantity in ("good", "mended", "unmended"):
            said = {"good": "tested good", "mended": "replaced or bypassed", "unmended": "bypass taken away"}
            return f"{self.point} {said[self.quantity]}"
        mode = f" ({self.mode})" if self.mode else ""
        return f"{self.point} {self.value:.4g} {unit.get(self.quantity, 'V')}{mode}"


def parse_readings(text: str, name: str, drawing: Drawing) -> list[Seen]:
    """Readings from CSV text. Raises ``ReadingsError`` with a line for each mistake."""
    rows = csv.reader(io.StringIO(text.lstrip("\ufeff"), newline=""))
    header = [cell.strip() for cell in next(rows, [])]
    missing = [column for column in COLUMNS[:5] if column not in header]
    if missing:
        raise ReadingsError(f"{name}, line 1: no column {missing[0]!r}: write {','.join(COLUMNS)} there")
    seen, mistakes = [], []
    for row in rows:
        if any(cell.strip() for cell in row):
            cells = dict(zip(header, (cell.strip() for cell in row), strict=False))
            try:
                seen.append(_seen(cells, drawing))
            except ValueError as error:
                mistakes.append(f"{name}, line {rows.line_num}: {error}")
    if mistakes:
        raise ReadingsError("\n".join(mistakes))
    return seen


def _seen(cells: Mapping[str, str], drawing: Drawing) -> Seen:
    quantity, mode = cells.get("quantity", ""), cells.get("mode", "")
    if quantity not in QUANTITIES:
        raise ValueError(f"unknown quantity {quantity!r}: it is one of {', '.join(QUANTITIES)}")
    if quantity != "ohm_off" and mode not in drawing.modes and not _is_mains(cells.get("point", "")):
        raise ValueError(f"{mode!r} is none of the drawing's modes: it is one of {', '.join(drawing.modes)}")
    value = _number(cells, "value")
    uncertainty = _number(cells, "uncertainty") if cells.get("uncertainty") else None
    if uncertainty is not None and uncertainty < 0:
        raise ValueError("uncertainty is below 0: write half the width of what the value may be off by, or nothing")
    point = cells.get("point", "")
    _check_point(point, quantity, value, drawing)
    return Seen(point, mode, quantity, value, uncertainty, cells.get("condition", "") or "direct")


def _number(cells: Mapping[str, str], key: str) -> float:
    try:
        value = float(cells.get(key, ""))
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise ValueError(f"{key} {cells.get(key, '')!r} is not a number: write volts, amperes or ohms, like 14.9")
    return value


def _check_point(point: str, quantity: str, value: float, drawing: Drawing) -> None:
    if quantity == "works":
        if value not in (0, 1):
            raise ValueError(f"works is {value:g}: write 1 if the unit works in this mode, 0 if it does not")
        return
    sources = [part.name for part in drawing.parts if part.kind == "source"]
    if quantity == "current_a":
        if point not in sources:
            raise ValueError(f"{point!r} is no source of the drawing: it is one of {', '.join(sources) or '(none)'}")
        return
    halves = point.split(_HALVES) if quantity in ("across_v", "ohm_off") else [point]
    if quantity == "across_v" and len(halves) != 2:
        raise ValueError(f"{point!r} is not two points: write them as A - B")
    for half in halves:
        if not _is_mains(half) and half not in ("0", "0 V") and place_of(half, drawing) is None:
            known = ", ".join(p.name for p in drawing.points) or "(none)"
            raise ValueError(f"{half!r} is not on the drawing: its points are {known}")


def _is_mains(name: str) -> bool:
    return name.casefold() in MAINS_NAMES


def place_of(name: str, drawing: Drawing) -> Point | None:
    """The point of that name (with its leg behind it, where there are several), or one made of a net's name."""
    found = drawing.point(name.strip())
    if found is None:
        found = next((p for p in drawing.points if f"{p.name} {p.leg}".casefold() == name.strip().casefold()), None)
    if found is None and any(name.strip() in part.nets for part in drawing.parts):
        found = Point(name.strip(), net=name.strip())
    return found


def node_name(name: str, drawing: Drawing) -> str | None:
    """Which column of a table a point stands for: its net, else (printed volts only) its own name."""
    if name.strip() in ("0", "0 V"):
        return GROUND
    point = place_of(name, drawing)
    return None if point is None else (point.net or point.name)


def likelihood(value: float, expected: Floats, spread: Floats, whole: float) -> Floats:
    """Of a value, for each expected one; ``whole`` is the width over which a wrong point may read."""
    z = (value - expected) / spread
    normal = (1 - WRONG_POINT) * np.exp(-0.5 * z * z) / (spread * math.sqrt(2 * math.pi))
    both = normal + WRONG_POINT / whole
    return np.where(np.isnan(expected), 1 / whole, both)


def spread_v(expected: Floats, uncertainty: float | None) -> Floats:
    """Standard deviation of a reading about what a world expects, in volts."""
    if uncertainty is None:
        return RELATIVE * np.abs(expected) + ABSOLUTE_V
    return np.hypot(uncertainty, LEAST_RELATIVE * np.abs(expected) + LEAST_V)


def log_likelihood(table: Table, drawing: Drawing, seen: Seen, volts: Floats | None = None) -> Floats | None:
    """Of one reading in every world, or None where it says nothing; ``volts`` where worlds are mended by now."""
    found = _weigh(table, drawing, seen, table.volts if volts is None else volts)
    return None if found is None else np.asarray(np.log(np.maximum(found, 1e-300)))


def _weigh(table: Table, drawing: Drawing, seen: Seen, volts: Floats) -> Floats | None:
    if seen.quantity == "good":
        of = [GOOD_BUT_FAULTY if seen.point in each.parts else 1.0 for each in table.hypotheses]
        return table.of_world(of)
    if seen.quantity == "ohm_off":
        return _weigh_ohms(table, drawing, seen)
    if _is_mains(seen.point):
        if drawing.nominal_mains_v is None or seen.quantity not in ("ac_v", "dc_v"):
            return None
        return likelihood(seen.value / drawing.nominal_mains_v, table.mains, np.full(len(table.mains), 0.01), 1.0)
    if why_printed_values_do_not_hold(seen.condition) is not None or seen.mode not in table.modes:
        return None
    mode = table.modes.index(seen.mode)
    if seen.quantity == "works":
        return _weigh_works(table, drawing, mode, bool(seen.value), volts)
    if seen.quantity == "ripple_vpp":
        return _weigh_ripple(table, drawing, seen)
    if seen.quantity == "current_a":
        current = table.current(seen.point, mode)
        if current is None:
            return None
        spread = RELATIVE * np.abs(current) + ABSOLUTE_A
        if seen.uncertainty is not None:
            spread = np.hypot(seen.uncertainty, LEAST_RELATIVE * np.abs(current) + LEAST_A)
        return likelihood(seen.value, current, spread, 2 * float(np.abs(current).max()) + 1)
    if seen.quantity in ("dc_v", "across_v"):
        expected = expected_v(table, drawing, seen.point, mode, volts)
        if expected is not None:
            return likelihood(seen.value, expected, spread_v(expected, seen.uncertainty), whole_v(table))
    return None


def whole_v(table: Table) -> float:
    """The width of all volts of a table: what a probe on the wrong point may read."""
    return 1.2 * float(np.nanmax(table.volts) - np.nanmin(table.volts)) + 1.0


def expected_v(table: Table, drawing: Drawing, point: str, mode: int, volts: Floats) -> Floats | None:
    """Volts of a point, or across two, in every world."""
    halves = [node_name(half, drawing) for half in (point.split(_HALVES) if _HALVES in point else [point])]
    if any(half is None or (half != GROUND and half not in table.nodes) for half in halves):
        return None
    found = [volts[mode, table.nodes[half]] if half != GROUND else 0.0 * volts[mode, 0] for half in halves if half]
    return np.asarray(found[0] if len(found) == 1 else found[0] - found[1])


def _weigh_ohms(table: Table, drawing: Drawing, seen: Seen) -> Floats | None:
    halves = [node_name(half, drawing) for half in seen.point.split(_HALVES)]
    if None in halves:
        return None
    ohms = table.ohms(str(halves[0]), str(halves[1]) if len(halves) > 1 else GROUND)
    if ohms is None:
        return None
    logs = np.log(np.clip(ohms, LEAST_OHM, MOST_OHM))
    return likelihood(math.log(min(max(seen.value, LEAST_OHM), MOST_OHM)), logs, np.full(len(logs), OHM_SPREAD), 20.0)


def _weigh_works(table: Table, drawing: Drawing, mode: int, works: bool, volts: Floats) -> Floats:
    """A mode with a point out of its tolerance rarely works; one with none in sight works, or has a fault unseen."""
    usual = np.median(volts[mode][:, table.of == 0], axis=1, keepdims=True)
    wide = 2 * drawing.tolerance_percent / 100 * np.abs(usual) + 0.1
    seen_bad = (np.abs(volts[mode] - usual) > wide).any(axis=0)
    chance = np.where(seen_bad, 0.2, np.where(table.of == 0, 0.97, 0.5))
    return chance if works else 1 - chance


def _weigh_ripple(table: Table, drawing: Drawing, seen: Seen) -> Floats | None:
    """Above twice its printed limit, ripple speaks for what filters the point, or a net one part away."""
    point = place_of(seen.point, drawing)
    if point is None or point.ripple_vpp is None:
        return None
    high = seen.value > 2 * point.ripple_vpp
    near = {point.net}
    beside = {net for part in drawing.parts if near & set(part.nets) for net in part.nets} - {GROUND}
    chance = []
    for each in table.hypotheses:
        part = next((p for p in drawing.parts if p.name == each.part), None)
        filters = part is not None and part.kind in ("capacitor", "regulator", "diode", "inductor")
        here = part is not None and bool(near & set(part.nets))
        close = part is not None and bool(beside & set(part.nets))
        chance.append(0.8 if filters and here else 0.4 if filters and close else 0.1)
    found = table.of_world(chance)
    return found if high else 1 - found
