"""A drawing from a table: pasted from a spreadsheet or a page, or a CSV file. Pure.

Lines of one word and a value say what the head of a drawing says (``unit``, ``modes``, ``nominal mains``, ``meter``,
``tolerance``). A row that begins with ``point`` heads the points, one that begins with ``part`` the parts; a column
that is none of the known ones is a mode with its printed volts. ``RAW -> V24 -> V24S`` says what feeds what.
"""

import csv
import difflib
import io
import re
from collections.abc import Iterator
from itertools import pairwise

from daemon.drawing_sheet import PART, POINT, PRINTED, Mistake, Sheet

HEADINGS = {
    "point": "name", "test point": "name", "name": "name", "leg": "leg", "pin": "leg", "net": "net", "node": "net",
    "follows mains": "follows_mains", "follows": "follows_mains", "tolerance": "tolerance_percent",
    "tol": "tolerance_percent", "source": "source_ohm", "source ohm": "source_ohm", "ripple": "ripple_vpp",
    "ripple vpp": "ripple_vpp", "access": "access", "fed by": "fed_by", "fed from": "fed_by", "from": "fed_by",
    "relay delay": "relay_delay_s", "photo": "photo", "at": "at", **{key: key for key in POINT},
}  # fmt: skip
PART_HEADINGS = {
    "part": "name", "name": "name", "kind": "kind", "type": "kind", "value": "value", "nets": "nets",
    "between": "nets", "tolerance": "tolerance_percent", "tol": "tolerance_percent", "weight": "weight",
    "closed in": "closed_in", "contact in": "contact_in", "current": "current_a", "ohm": "ohm", "ohms": "ohm",
    "inner ohm": "inner_ohm", "dc ohm": "dc_ohm", "dropout": "dropout_v", "follows mains": "follows_mains",
    **{key: key for key in PART},
}  # fmt: skip
HEAD_WORDS = {
    "unit": "unit", "modes": "modes", "mode": "modes", "nominal mains": "nominal_mains_v", "mains": "nominal_mains_v",
    "nominal_mains_v": "nominal_mains_v", "meter": "meter_ohm", "meter_ohm": "meter_ohm",
    "tolerance": "tolerance_percent", "tolerance_percent": "tolerance_percent",
}  # fmt: skip
ONLY_VOLTS = frozenset({"printed", "volts", "voltage", "v", "dc v", "printed v", "volt"})
STARTS = frozenset({"point", "test point", "part"})
ONE_MODE = "ON"
ARROW = re.compile(r"\s*(?:->|→)\s*")


def sheet_from_table(text: str) -> Sheet:
    """The sheet that a text means; what cannot be understood stands in its ``mistakes``, and nothing is left out."""
    return _Reader(text).read()


class _Reader:
    """Takes line by line; a heading decides what the rows after it are."""

    def __init__(self, text: str) -> None:
        self._text = text.lstrip("\N{ZERO WIDTH NO-BREAK SPACE}")
        self._sheet = Sheet()
        self._keys: list[str] = []
        self._table = ""
        self._arrows: list[tuple[int, list[str]]] = []

    def read(self) -> Sheet:
        for number, cells in _lines(self._text):
            if any(cells):
                self._take(number, cells)
        self._feed()
        if not self._sheet.points:
            self._wrong("", None, "", "no row begins with `point`: head the table with point, leg and the modes")
        return self._sheet

    def _take(self, number: int, cells: list[str]) -> None:
        first = _word(cells[0])
        if first in STARTS or (first == "name" and not self._table):
            self._take_heading(number, cells, first)
        elif _is_arrows(cells):
            self._arrows.append((number, ARROW.split(" ".join(filter(None, cells)))))
        elif not self._table and first in HEAD_WORDS:
            self._take_head(number, cells, first)
        elif not self._table:
            self._stray(number, cells)
        else:
            self._take_row(number, cells)

    def _take_heading(self, number: int, cells: list[str], first: str) -> None:
        self._table = "part" if first == "part" else "point"
        known = PART_HEADINGS if self._table == "part" else HEADINGS
        self._keys = [known.get(_word(cell)) or self._column(number, cell, known) for cell in cells]

    def _column(self, number: int, heading: str, known: dict[str, str]) -> str:
        """A column that is no known one: a mode, or a word that was mistyped."""
        if not heading:
            return ""
        mode = re.sub(r"^printed\s+|\s*[\[(]V[\])]$", "", heading, flags=re.IGNORECASE).strip()
        mode = ONE_MODE if _word(mode) in ONLY_VOLTS else mode
        near = difflib.get_close_matches(_word(heading), known, 1, 0.8)
        said = self._sheet.modes
        if self._table == "part" or (near and mode not in said):
            meant = f"did you mean {near[0]!r}?" if near else f"the columns are {', '.join(sorted(known))}"
            self._sheet.lines["", None, heading] = number
            self._wrong("", None, heading, f"column {heading!r} is not known: {meant}")
            return heading
        if mode not in said:
            self._sheet.head["modes"] = "; ".join([*said, mode])
        return PRINTED + mode

    def _take_head(self, number: int, cells: list[str], first: str) -> None:
        key = HEAD_WORDS[first]
        self._sheet.head[key] = "; ".join(filter(None, cells[1:]))
        self._sheet.lines["drawing", None, key] = number

    def _stray(self, number: int, cells: list[str]) -> None:
        words = " ".join(filter(None, cells))
        self._sheet.lines["", None, f"line {number}"] = number
        cure = "say unit, modes, nominal mains, meter or tolerance before the heading that begins with point"
        self._wrong("", None, f"line {number}", f"{words[:60]!r} is not understood: {cure}")

    def _take_row(self, number: int, cells: list[str]) -> None:
        rows = self._sheet.parts if self._table == "part" else self._sheet.points
        row = {key: cell for key, cell in zip(self._keys, cells, strict=False) if key and cell}
        self._sheet.lines[self._table, len(rows), ""] = number
        beyond = [cell for cell in cells[len(self._keys) :] if cell]
        if beyond:
            cure = "put quotation marks around what holds the separator"
            said = f"{', '.join(beyond)!r} stands beyond the last column: {cure}"
            self._wrong(self._table, len(rows), "name", said)
        rows.append(row)

    def _feed(self) -> None:
        """What the arrows say, nearest first, in the cells of the points that are fed."""
        names = {row.get("name", "").casefold(): n for n, row in enumerate(self._sheet.points)}
        for number, chain in self._arrows:
            for source, fed in pairwise(chain):
                at = names.get(fed.casefold())
                if at is None:
                    self._sheet.lines["", None, fed] = number
                    self._wrong("", None, fed, f"{fed!r} in the arrows is no point of this table")
                    continue
                row = self._sheet.points[at]
                known = [each for each in row.get("fed_by", "").split("; ") if each]
                row["fed_by"] = "; ".join(dict.fromkeys([*known, *(each.strip() for each in source.split(","))]))
                self._sheet.lines["point", at, "fed_by"] = number

    def _wrong(self, table: str, row: int | None, key: str, sentence: str) -> None:
        self._sheet.mistakes.append(Mistake(table, row, key, sentence))


def _lines(text: str) -> Iterator[tuple[int, list[str]]]:
    """Number and cells of each line, whatever parts the cells: tabs, semicolons, bars, commas, or wide gaps."""
    separator = _separator(text)
    if separator == "gap":
        yield from _aligned(text)
        return
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, skipinitialspace=True)
    for row in reader:
        cells = [cell.strip() for cell in row]
        if separator == "|":
            cells = cells[1:] if cells and not cells[0] else cells
            if all(re.fullmatch(r":?-+:?|", cell) for cell in cells):
                continue
        yield reader.line_num, _of_head(cells)


def _aligned(text: str) -> Iterator[tuple[int, list[str]]]:
    """Cells that stand under their headings, so that an empty one is seen as empty."""
    starts: list[int] = []
    for number, line in enumerate(text.expandtabs().splitlines(), 1):
        found = [(match.start(), match[0]) for match in re.finditer(r"\S+(?: \S+)*", line)]
        cells = [words for _, words in found]
        if cells and _word(cells[0]) in STARTS and len(cells) > 1:
            starts = [start for start, _ in found]
        elif starts and len(cells) > 1 and not _is_arrows(cells):
            cells = [""] * len(starts)
            for start, words in found:
                at = max((n for n, begin in enumerate(starts) if begin <= start + 1), default=0)
                cells[at] = f"{cells[at]}  {words}".strip()
        yield number, _of_head(cells)


def _separator(text: str) -> str:
    headings = [line for line in text.splitlines() if re.match(r'\W*"?(test point|point|part|name)\b', line, re.I)]
    line = headings[0] if headings else text
    return next((mark for mark in "\t;|," if mark in line), "gap")


def _of_head(cells: list[str]) -> list[str]:
    """``unit: mixer`` is two cells, however the rest of the text is parted."""
    word, colon, said = cells[0].partition(":") if cells else ("", "", "")
    return [word.strip(), said.strip(), *cells[1:]] if colon and _word(word) in HEAD_WORDS else cells or [""]


def _is_arrows(cells: list[str]) -> bool:
    filled = [cell for cell in cells if cell]
    return bool(ARROW.search(" ".join(filled))) and (len(filled) == 1 or bool(ARROW.search(cells[0])))


def _word(cell: str) -> str:
    return re.sub(r"\s*[\[(](%|V|ohm|s|Vpp)[\])]", "", cell).strip().strip(":%").strip().casefold()
