"""What is known of a unit before probing: points with printed values and, where there is one, the network.

The file is TOML; README gives its keys. Every mistake becomes one line of one ``DrawingError``.
"""

import json
import tomllib
from collections import Counter
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, fields
from typing import Any

from daemon.file_mistakes import Table, Text
from daemon.letter_code import CURE, parse_marking
from daemon.part_kinds import COMMON_KEYS, KINDS
from daemon.preferred_values import doubt
from drivers.errors import DrawingError

GROUND = "0"  # the net that is 0 V


@dataclass(frozen=True, slots=True)
class Point:
    """A named place. Volts are per mode; ``source_ohm`` is what feeds it; ``fed_by`` nearest first.

    ``at`` is its place on the board's ``photo``: shares of the width and of the height, from the upper left.
    """

    name: str
    leg: str = ""
    net: str | None = None
    printed_v: Mapping[str, float] = field(default_factory=dict)
    follows_mains: bool = False
    tolerance_percent: float | None = None
    source_ohm: float = 0.0
    ripple_vpp: float | None = None
    access: str = "easy"
    fed_by: tuple[str, ...] = ()
    relay_delay_s: float = 0.0
    photo: str = ""
    at: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class Part:
    """A part of the network; ``value`` in ohms, farads, henries or volts as its ``kind`` has it."""

    name: str
    kind: str
    nets: tuple[str, ...]
    value: float | None = None
    tolerance_percent: float | None = None
    weight: float = 1.0
    inner_ohm: float = 0.0
    follows_mains: bool = False
    dc_ohm: float = 0.0
    dropout_v: float | None = None
    closed_in: tuple[str, ...] = ()
    contact_in: Mapping[str, str] = field(default_factory=dict)
    current_a: float | None = None
    ohm: float | None = None


@dataclass(frozen=True, slots=True)
class Drawing:
    """A unit's drawing. ``meter_ohm`` is the meter the printed values were taken with."""

    unit: str
    modes: tuple[str, ...]
    nominal_mains_v: float | None = None
    meter_ohm: float = 1e7
    tolerance_percent: float = 10.0
    points: tuple[Point, ...] = ()
    parts: tuple[Part, ...] = ()

    def point(self, name: str, leg: str | None = None) -> Point | None:
        """The point that a tag means, or None where the drawing has none or it cannot be told which leg."""
        named = [p for p in self.points if p.name == name] or [
            p for p in self.points if p.name.casefold() == name.strip().casefold()
        ]
        if leg:
            exact = [p for p in named if p.leg.casefold() == leg.strip().casefold()]
            return next(iter(exact or [p for p in named if not p.leg]), None)
        return named[0] if len(named) == 1 else next((p for p in named if not p.leg), None)

    def printed_v(self, name: str, mode: str, leg: str | None = None) -> float | None:
        """The volts printed for a point in a mode, or None."""
        point = self.point(name, leg)
        return None if point is None else point.printed_v.get(mode)

    def tolerance_of(self, point: Point) -> float:
        """The tolerance of a point's printed values, per cent."""
        return self.tolerance_percent if point.tolerance_percent is None else point.tolerance_percent

    def doubts(self) -> list[str]:
        """What is taken as it stands and looks mistyped, in sentences."""
        made = [part for part in self.parts if part.kind in ("resistor", "capacitor", "inductor")]
        doubts = ((part.name, doubt(part.value or 0.0)) for part in made)
        return [f"{name}: {said}" for name, said in doubts if said]

    def to_json(self) -> str:
        """JSON text with the file's own keys, for the session to carry."""
        tables = {"point": [_sparse(p) for p in self.points], "part": [_sparse(p) for p in self.parts]}
        head = {f.name: getattr(self, f.name) for f in fields(self) if f.name not in ("points", "parts")}
        head = {key: value for key, value in head.items() if value is not None}
        return json.dumps({"drawing": head, **tables}, ensure_ascii=False)

    @classmethod
    def from_json(cls, text: str) -> "Drawing":
        """The drawing that ``to_json`` wrote. Raises ``DrawingError``."""
        try:
            content = json.loads(text)
        except ValueError as error:
            raise DrawingError([f"carried drawing: not JSON: {error}"]) from error
        if not isinstance(content, dict):
            raise DrawingError(["carried drawing: not a JSON object"])
        return build_drawing(content, Text("carried drawing", ""))


def parse_drawing(text: str, file_name: str) -> Drawing:
    """A drawing from TOML text. Raises ``DrawingError`` with one line for each mistake."""
    try:
        content = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise DrawingError([f"{file_name}: not TOML: {error}"]) from error
    return build_drawing(content, Text(file_name, text))


def _sparse(thing: Point | Part) -> dict[str, Any]:
    """Only what is said: keys at their default are left out, as a person would."""
    return {k: v for k, v in asdict(thing).items() if v not in (None, "", (), {}, False) or k == "name"}


def build_drawing(content: dict[str, Any], text: Text) -> Drawing:
    """A drawing from a file's tables. Raises ``DrawingError`` with the mistakes that ``text`` has collected."""
    for key in content.keys() - {"drawing", "point", "part"}:
        text.mistake(f"unknown table [{key}]: the tables are [drawing], [[point]] and [[part]]")
    head = _head(text.table(content, "drawing"))
    points = tuple(_point(table, head.modes) for table in text.tables(content, "point"))
    parts = tuple(_part(table, head.modes) for table in text.tables(content, "part"))
    _check_points(points, text)
    _check_network(points, parts, text)
    if text.mistakes:
        raise DrawingError(text.mistakes)
    return Drawing(
        head.unit, head.modes, head.nominal_mains_v, head.meter_ohm, head.tolerance_percent, points, parts
    )


def _head(table: Table) -> Drawing:
    table.only("unit", "modes", "nominal_mains_v", "meter_ohm", "tolerance_percent")
    modes = table.words("modes", needed=True)
    if any(mode.casefold() == "off" for mode in modes):
        table.mistake("modes", '"off" is not a mode of the unit: it is always there, leave it out')
    return Drawing(
        table.text("unit", needed=True),
        modes,
        table.number("nominal_mains_v", None, above=0),
        table.number("meter_ohm", 1e7, above=0) or 1e7,
        table.number("tolerance_percent", 10.0, above=0) or 10.0,
    )


def _point(table: Table, modes: tuple[str, ...]) -> Point:
    table.only(*(f.name for f in fields(Point)))
    access = table.text("access", "easy")
    if access not in ("easy", "hard"):
        table.mistake("access", f'{access!r} is not known: write "easy" or "hard"')
    printed = table.numbers("printed_v")
    table.known_modes("printed_v", printed, modes)
    return Point(
        table.text("name", needed=True),
        table.text("leg"),
        table.text("net") or None,
        printed,
        table.flag("follows_mains"),
        table.number("tolerance_percent", None, above=0),
        table.number("source_ohm", 0.0, least=0) or 0.0,
        table.number("ripple_vpp", None, least=0),
        access,
        table.words("fed_by"),
        table.number("relay_delay_s", 0.0, least=0) or 0.0,
        table.text("photo"),
        _place(table),
    )


def _place(table: Table) -> tuple[float, ...]:
    at = table.content.get("at", [])
    shares = [float(each) for each in at if isinstance(each, int | float)] if isinstance(at, list | tuple) else [-1.0]
    if len(shares) in (0, 2) and len(shares) == len(at) and all(0 <= share <= 1 for share in shares):
        return tuple(shares)
    table.mistake("at", f"{at!r} is no place on a photo: write two shares from 0 to 1, such as [0.31, 0.72]")
    return ()


def _part(table: Table, modes: tuple[str, ...]) -> Part:
    kind, nets = table.text("kind", needed=True), table.words("nets", needed=True)
    _check_kind(table, kind, nets)
    contact_in = table.texts("contact_in")
    closed_in = table.words("closed_in")
    table.known_modes("closed_in", closed_in, modes)
    table.known_modes("contact_in", contact_in, modes)
    for mode, net in contact_in.items():
        if net not in nets[1:]:
            table.mistake("contact_in", f"{net!r} in {mode!r} is none of the contacts {list(nets[1:])}")
    value, marked_percent = _value(table)
    return Part(
        table.text("name", needed=True),
        kind,
        nets,
        value,
        table.number("tolerance_percent", marked_percent, above=0),
        table.number("weight", 1.0, least=1, most=5) or 1.0,
        table.number("inner_ohm", 0.0, least=0) or 0.0,
        table.flag("follows_mains"),
        table.number("dc_ohm", 0.0, least=0) or 0.0,
        table.number("dropout_v", None, least=0),
        closed_in,
        contact_in,
        table.number("current_a", None),
        table.number("ohm", None, above=0),
    )


def _value(table: Table) -> tuple[float | None, float | None]:
    """Value and, where it is printed with a letter for it, tolerance in per cent."""
    value = table.content.get("value")
    if not isinstance(value, str):
        return table.number("value", None, cure=CURE), None
    try:
        return parse_marking(value)
    except ValueError as error:
        table.mistake("value", str(error))
        return None, None


def _check_kind(table: Table, name: str, nets: tuple[str, ...]) -> None:
    kind = KINDS.get(name)
    if kind is None:
        if name:
            table.mistake("kind", f"unknown kind {name!r}: the kinds are {', '.join(KINDS)}")
        return
    table.only(*COMMON_KEYS, *kind.keys)
    for key in kind.needs:
        if key not in table.content:
            table.mistake(key, f"a {name} needs {key}")
    if kind.needs_one_of and not any(key in table.content for key in kind.needs_one_of):
        table.mistake(kind.needs_one_of[0], f"a {name} needs {' or '.join(kind.needs_one_of)}")
    if nets and (len(nets) < len(kind.nets) or (len(nets) > len(kind.nets) and not kind.more_nets)):
        wanted = ", ".join(kind.nets) + (", further contacts" if kind.more_nets else "")
        table.mistake("nets", f"a {name} has the nets [{wanted}]; {len(nets)} are given")


def _check_points(points: tuple[Point, ...], text: Text) -> None:
    for (name, leg), times in Counter((p.name, p.leg) for p in points).items():
        if times > 1 and name:
            where = f"{name} {leg}".strip()
            text.mistake(f"[[point]] {where!r} is there {times} times: give each a leg of its own")
    names = {p.name for p in points}
    for number, point in enumerate(points):
        for feeder in point.fed_by:
            if feeder not in names:
                text.at("point", number).mistake("fed_by", f"{feeder!r} is no point of this drawing")


def _check_network(points: tuple[Point, ...], parts: tuple[Part, ...], text: Text) -> None:
    for name, times in Counter(part.name for part in parts).items():
        if times > 1 and name:
            text.mistake(f"[[part]] {name!r} is there {times} times: give each part its own name")
    ends = Counter(net for part in parts for net in part.nets)
    point_nets = {p.net for p in points}
    for number, part in enumerate(parts):
        for net in part.nets:
            if ends[net] == 1 and net != GROUND and net not in point_nets:
                text.at("part", number).mistake("nets", f"net {net!r} is used once: join it or correct it")
    for number, point in enumerate(points):
        if point.net and point.net not in ends and point.net != GROUND:
            cure = "correct it, or leave net out where only printed volts are known"
            text.at("point", number).mistake("net", f"no part is on net {point.net!r}: {cure}")
