"""A drawing as a sheet of cells, as it is typed and pasted: text in, a drawing or every mistake with its cell out."""

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from daemon.drawing import Drawing, Part, Point, build_drawing
from daemon.file_mistakes import Text
from daemon.letter_code import letter_code, parse_value
from drivers.errors import DrawingError

PRINTED = "printed "  # before the name of a mode: the key of a cell with printed volts
HEAD = ("unit", "modes", "nominal_mains_v", "meter_ohm", "tolerance_percent")
POINT = (
    *("name", "leg", "net", "follows_mains", "tolerance_percent", "source_ohm", "ripple_vpp", "access", "fed_by"),
    *("relay_delay_s", "photo", "at"),
)
PART = (
    *("name", "kind", "value", "nets", "tolerance_percent", "weight", "closed_in", "contact_in", "current_a", "ohm"),
    *("inner_ohm", "dc_ohm", "dropout_v", "follows_mains"),
)
NOT_PRINTED = frozenset({"", "-", "\N{EN DASH}", "\N{EM DASH}", "n/a", "?"})
YES = frozenset({"yes", "y", "x", "1", "true", "ja", "j", "\N{CHECK MARK}"})
NO = frozenset({"no", "n", "0", "false", "nein", "-"})
VOLT_CURE = "write volts such as 14.8, -15 or 330 mV; leave it empty where nothing is printed"

Row = dict[str, str]


@dataclass(frozen=True, slots=True)
class Mistake:
    """What is wrong in one cell; ``table`` drawing, point or part, "" where it is about the whole."""

    table: str
    row: int | None
    key: str
    sentence: str


@dataclass
class Sheet:
    """Cells as text by key; ``lines`` says where in a file a cell or row stood: (table, row, key or "")."""

    head: Row = field(default_factory=dict)
    points: list[Row] = field(default_factory=list)
    parts: list[Row] = field(default_factory=list)
    lines: dict[tuple[str, int | None, str], int] = field(default_factory=dict)
    mistakes: list[Mistake] = field(default_factory=list)  # found already when it was read

    @property
    def modes(self) -> list[str]:
        """The names of the modes in their order."""
        return _listed(self.head.get("modes", ""))


class _SheetText(Text):
    """Collects mistakes with the cell that they are in."""

    def __init__(self, name: str, sheet: Sheet) -> None:
        super().__init__(name, "")
        self.cells: list[Mistake] = []
        self._lines_of = sheet.lines
        for mistake in sheet.mistakes:
            self.found(mistake)

    def line(self, name: str, number: int | None, key: str) -> int | None:
        """Where the cell stood, else its row."""
        whole = key.split(" ", maxsplit=1)[0] if key.startswith(PRINTED) else key
        keys = (key, whole, "")
        return next((self._lines_of[name, number, k] for k in keys if (name, number, k) in self._lines_of), None)

    def found(self, mistake: Mistake) -> None:
        """Note one that was found before the tables were built."""
        line = self.line(mistake.table, mistake.row, mistake.key)
        at = f"line {line}: " if line else ""
        self.cells.append(mistake)
        self.mistakes.append(f"{self.file_name}: {at}{mistake.sentence}")

    def mistake(self, sentence: str) -> None:
        """See ``Text``; of the whole sheet."""
        self.cells.append(Mistake("", None, "", sentence))
        super().mistake(sentence)

    def mistake_in(self, table: str, number: int | None, key: str, own_name: str, sentence: str) -> None:
        """See ``Text``; of one cell the first mistake says enough."""
        if any((each.table, each.row, each.key) == (table, number, key) for each in self.cells):
            return
        line = self.line(table, number, key)
        at = f"line {line}, " if line else ""
        place = {"drawing": "drawing", "point": "point", "part": "part"}[table]
        self.cells.append(Mistake(table, number, key, sentence))
        self.mistakes.append(f"{self.file_name}: {at}{place} {own_name}".strip() + f", {key}: {sentence}")


def drawing_of(sheet: Sheet, name: str) -> Drawing:
    """The drawing that a sheet means. Raises ``DrawingError`` with one line for each mistake."""
    drawing, _, lines = checked_sheet(sheet, name)
    if drawing is None:
        raise DrawingError(lines)
    return drawing


def checked_sheet(sheet: Sheet, name: str) -> tuple[Drawing | None, list[Mistake], list[str]]:
    """The drawing, or None with every mistake: by cell, and as lines that name file, line, row and cure."""
    text = _SheetText(name, sheet)
    content = {
        "drawing": _row(text, "drawing", None, sheet.head, _HEAD),
        "point": [_point(text, n, row) for n, row in enumerate(sheet.points)],
        "part": [_row(text, "part", n, row, _PART) for n, row in enumerate(sheet.parts)],
    }
    try:
        drawing = build_drawing(content, text)
    except DrawingError:
        return None, text.cells, text.mistakes
    return (drawing, [], []) if not text.mistakes else (None, text.cells, text.mistakes)


def sheet_of(drawing: Drawing) -> Sheet:
    """A drawing as cells."""
    head = {
        "unit": drawing.unit,
        "modes": "; ".join(drawing.modes),
        "nominal_mains_v": _plain(drawing.nominal_mains_v),
        "meter_ohm": letter_code(drawing.meter_ohm),
        "tolerance_percent": _plain(drawing.tolerance_percent),
    }
    return Sheet(head, [_point_cells(each) for each in drawing.points], [_part_cells(each) for each in drawing.parts])


def volts(text: str) -> float:
    """Printed volts as people write them: ``14.8``, ``-15 V``, ``14,8``, ``330 mV``. Raises ``ValueError``."""
    plain = text.strip().replace("\N{MINUS SIGN}", "-").replace("\N{EN DASH}", "-").replace("\N{MICRO SIGN}", "u")
    match = re.fullmatch(r"([-+]?)\s*(\d*)(?:[.,](\d+))?(?:[eE]([-+]?\d+))?\s*([muk]?)\s*[Vv]?(?:pp|dc|DC)?", plain)
    if match is None or not (match[2] or match[3]):
        raise ValueError(f"{text!r} is no number of volts: {VOLT_CURE}")
    size = float(f"{match[2] or 0}.{match[3] or 0}e{match[4] or 0}")
    return (-size if match[1] == "-" else size) * {"": 1.0, "m": 1e-3, "u": 1e-6, "k": 1e3}[match[5]]


def value(text: str) -> float:
    """A part's value or ohms, amperes, seconds, per cent: a number or letter code, a unit behind it. ``ValueError``."""
    plain = text.strip().split("/")[0].replace("\N{OHM SIGN}", "").replace("Ω", "").replace("ohm", "")
    plain = re.sub(r"(?<=[\d pnuµmRrkKMG])\s*[FHVAs%]$", "", plain.strip()).replace(" ", "")
    return parse_value(re.sub(r"(?<=\d),(?=\d)", ".", plain))


def _flag(text: str) -> bool:
    if text.casefold() in YES | NO:
        return text.casefold() in YES
    raise ValueError(f"{text!r} is neither yes nor no")


def _listed(text: str) -> list[str]:
    return [each.strip() for each in re.split(r"[;,\n]|<-|←", text) if each.strip()]


def _nets(text: str) -> list[str]:
    return _listed(text) if re.search(r"[;,]", text) else text.split()


def _pairs(text: str) -> dict[str, str]:
    pairs = [each.partition("=") for each in _listed(text)]
    if not all(sign for _, sign, _ in pairs):
        raise ValueError(f"{text!r} are no pairs such as PLAY=pbv; STOP=x")
    return {mode.strip(): net.strip() for mode, _, net in pairs}


def _place(text: str) -> list[float]:
    return [float(each) for each in _listed(text)]


Read = Callable[[str], Any]
_HEAD: Mapping[str, Read] = {
    "unit": str, "modes": _listed, "nominal_mains_v": volts, "meter_ohm": value, "tolerance_percent": value,
}  # fmt: skip
_POINT: Mapping[str, Read] = {
    "name": str, "leg": str, "net": str, "follows_mains": _flag, "tolerance_percent": value, "source_ohm": value,
    "ripple_vpp": volts, "access": lambda text: text.casefold(), "fed_by": _listed, "relay_delay_s": value,
    "photo": str, "at": _place,
}  # fmt: skip
_PART: Mapping[str, Read] = {
    "name": str, "kind": lambda text: text.casefold(), "value": value, "nets": _nets, "tolerance_percent": value,
    "weight": value, "closed_in": _listed, "contact_in": _pairs, "current_a": value, "ohm": value, "inner_ohm": value,
    "dc_ohm": value, "dropout_v": volts, "follows_mains": _flag,
}  # fmt: skip


def _row(text: _SheetText, table: str, number: int | None, row: Row, read: Mapping[str, Read]) -> dict[str, Any]:
    content: dict[str, Any] = {}
    for key, cell in row.items():
        if key.startswith(PRINTED) or not cell.strip():
            continue
        if key not in read:
            text.mistake_in(table, number, key, row.get("name", ""), f"unknown column; there are {', '.join(read)}")
            continue
        try:
            content[key] = read[key](cell.strip())
        except ValueError as error:
            text.mistake_in(table, number, key, row.get("name", ""), str(error))
    if table == "part":
        content.setdefault("nets", [])
    return content


def _point(text: _SheetText, number: int, row: Row) -> dict[str, Any]:
    content = _row(text, "point", number, row, _POINT)
    printed = {}
    for key, cell in row.items():
        if key.startswith(PRINTED) and cell.strip().casefold() not in NOT_PRINTED:
            try:
                printed[key.removeprefix(PRINTED)] = volts(cell)
            except ValueError as error:
                text.mistake_in("point", number, key, row.get("name", ""), str(error))
    return {**content, "printed_v": printed}


def _plain(number: float | None) -> str:
    return "" if number is None else f"{number:.12g}"


def _point_cells(point: Point) -> Row:
    cells = {
        "name": point.name,
        "leg": point.leg,
        "net": point.net or "",
        **{PRINTED + mode: _plain(printed) for mode, printed in point.printed_v.items()},
        "follows_mains": "yes" if point.follows_mains else "",
        "tolerance_percent": _plain(point.tolerance_percent),
        "source_ohm": letter_code(point.source_ohm) if point.source_ohm else "",
        "ripple_vpp": _plain(point.ripple_vpp),
        "access": point.access,
        "fed_by": "; ".join(point.fed_by),
        "relay_delay_s": _plain(point.relay_delay_s or None),
        "photo": point.photo,
        "at": "; ".join(f"{share:.4g}" for share in point.at),
    }
    return {key: cell for key, cell in cells.items() if cell}


def _part_cells(part: Part) -> Row:
    in_code = part.value is not None and part.kind in ("resistor", "capacitor", "inductor")
    cells = {
        "name": part.name,
        "kind": part.kind,
        "value": letter_code(part.value or 0.0) if in_code else _plain(part.value),
        "nets": "; ".join(part.nets),
        "tolerance_percent": _plain(part.tolerance_percent),
        "weight": "" if part.weight == 1 else _plain(part.weight),
        "closed_in": "; ".join(part.closed_in),
        "contact_in": "; ".join(f"{mode}={net}" for mode, net in part.contact_in.items()),
        "current_a": _plain(part.current_a),
        "ohm": _plain(part.ohm),
        "inner_ohm": _plain(part.inner_ohm or None),
        "dc_ohm": _plain(part.dc_ohm or None),
        "dropout_v": _plain(part.dropout_v),
        "follows_mains": "yes" if part.follows_mains else "",
    }
    return {key: cell for key, cell in cells.items() if cell}
