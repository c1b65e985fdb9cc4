"""Readings as a user writes them, and what else is evidence."""

import csv
import io
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass

from daemon.drawing import GROUND, Drawing, Point
from drivers.errors import ReadingsError

COLUMNS = ("point", "mode", "condition", "quantity", "value", "uncertainty")
QUANTITIES = ("dc_v", "ac_v", "ripple_vpp", "across_v", "current_a", "ohm_off", "works")
# What was found or done otherwise; the point is the part's name, of a kick the watched point's.
MARKS = {
    "part_good": "good",
    "part_replaced": "mended",
    "bypassed": "bypassed",
    "bypass_removed": "unmended",
    "part_lifted": "lifted",
    "part_back": "back",
    "proof": "proof",
    "heat": "heat",
    "kick": "kick",
}
# Found to be so or not; the point is the part's name. Of 0, then of 1.
_EITHER_WORDS = {
    "good": ("tested bad", "tested good"),
    "proof": ("still faulty without it", "proved"),
    "heat": ("stays cool", "gets warm"),
}
_DONE_WORDS = {
    "mended": "replaced",
    "bypassed": "bypassed",
    "unmended": "bypass taken away",
    "lifted": "lifted",
    "back": "back in circuit",
}
MAINS_NAMES = ("mains", "mains_v", "line")
HALVES = " - "
BESIDE = re.compile(r"\b(lifted|out of circuit|taken out|disconnected)\b", re.I)  # in a condition: how a part was
FED = re.compile(r"\b(direct|isolation|lamp|variable|off)\b", re.I)


@dataclass(frozen=True, slots=True)
class Seen:
    """One piece of evidence. ``quantity`` as in the file; or with a part's name in ``point`` ``good`` (tested good out
    of circuit: 1, or bad: 0), ``mended`` (replaced), ``bypassed``, ``unmended`` (the bypass taken away again),
    ``lifted`` out of circuit, ``back`` in it, ``proof`` (with it mended the fault went and came back without: 1, or it
    stayed: 0), ``heat`` (warmer than it should be: 1, or not: 0); or ``kick``: at switch-on the point's kick was the
    usual one (1) or not (0). ``how`` is the one leg that was lifted, or what lies across what is bypassed (link, like),
    "" untold."""

    point: str
    mode: str
    quantity: str
    value: float = 1.0
    uncertainty: float | None = None
    condition: str = "direct"
    how: str = ""

    def words(self) -> str:
        """The reading as a colleague would say it."""
        unit = {"current_a": "A", "ohm_off": "ohm", "works": "", "ripple_vpp": "Vpp", "ac_v": "V AC"}
        if self.quantity == "works":
            return f"{self.mode} {'works' if self.value else 'does not work'}"
        if self.quantity == "kick":
            return f"{self.point} kick at switch-on {'as usual' if self.value else 'missing or changed'}"
        if self.quantity in _EITHER_WORDS:
            return f"{self.point} {_EITHER_WORDS[self.quantity][bool(self.value)]}"
        if self.quantity in _DONE_WORDS:
            return f"{self.point} {_DONE_WORDS[self.quantity]}"
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
    if quantity in MARKS:
        return _marked(cells, MARKS[quantity], drawing)
    if quantity not in QUANTITIES:
        raise ValueError(f"unknown quantity {quantity!r}: it is one of {', '.join((*QUANTITIES, *MARKS))}")
    if quantity != "ohm_off" and mode not in drawing.modes and not is_mains(cells.get("point", "")):
        raise ValueError(f"{mode!r} is none of the drawing's modes: it is one of {', '.join(drawing.modes)}")
    value = _number(cells, "value")
    uncertainty = _number(cells, "uncertainty") if cells.get("uncertainty") else None
    if uncertainty is not None and uncertainty < 0:
        raise ValueError("uncertainty is below 0: write half the width of what the value may be off by, or nothing")
    point = cells.get("point", "")
    _check_point(point, quantity, value, drawing)
    return Seen(point, mode, quantity, value, uncertainty, _condition(cells))


def _marked(cells: Mapping[str, str], quantity: str, drawing: Drawing) -> Seen:
    name = cells.get("point", "")
    value = _number(cells, "value") if cells.get("value") else 1.0
    if quantity == "kick":
        if place_of(name, drawing) is None:
            raise ValueError(f"{name!r} is no point of the drawing: write the point that was watched at switch-on")
    elif name not in (known := suspect_names(drawing)):
        what = "part" if drawing.parts else "point"
        raise ValueError(f"{name!r} is no {what} of the drawing: it is one of {', '.join(known) or '(none)'}")
    if quantity in (*_EITHER_WORDS, "kick") and value not in (0, 1):
        raise ValueError(f"{cells['quantity']} is {value:g}: write {_meaning(quantity)}")
    condition = _condition(cells)
    how = "" if FED.search(condition) else condition  # what was done with the part is no way to feed a unit
    return Seen(name, cells.get("mode", ""), quantity, value, None, condition, how)


def _meaning(quantity: str) -> str:
    no, yes = _EITHER_WORDS.get(quantity, ("missing or changed", "as usual"))
    return f"1 for {yes!r}, 0 for {no!r}"


def _condition(cells: Mapping[str, str]) -> str:
    """How the unit is fed, direct where nothing is told; "C7 lifted" alone tells nothing of that."""
    told = cells.get("condition", "") or "direct"
    return f"direct, {told}" if BESIDE.search(told) and not FED.search(told) else told


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
    halves = point.split(HALVES) if quantity in ("across_v", "ohm_off") else [point]
    if quantity == "across_v" and len(halves) != 2:
        raise ValueError(f"{point!r} is not two points: write them as A - B")
    for half in halves:
        if not is_mains(half) and half not in ("0", "0 V") and place_of(half, drawing) is None:
            known = ", ".join(p.name for p in drawing.points) or "(none)"
            raise ValueError(f"{half!r} is not on the drawing: its points are {known}")


def suspect_names(drawing: Drawing) -> list[str]:
    """What suspects are called: the network's parts, or where there is none the points, each for its node."""
    return [part.name for part in drawing.parts] or [point.name for point in drawing.points]


def is_mains(name: str) -> bool:
    """True where a point's name means the mains."""
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
