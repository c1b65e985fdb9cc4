"""Every row of a damaged session file that can still be had, by SQL and then straight from its pages.

Rows of ``chunk``, ``tail`` and ``wave`` are taken only where their checksums fit; of the others, which have none, those
that SQL can still reach come before those that only lie on some page.
"""

import contextlib
import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from daemon.store import codec
from daemon.store.checksums import check
from daemon.store.log import sound_pages
from daemon.store.pages import Pages, Value, index_rows, table_rows
from daemon.store.schema import MIGRATIONS
from drivers.errors import DamagedSession

Row = dict[str, Any]
_KINDS: dict[str, tuple[type, ...]] = {"INTEGER": (int,), "REAL": (int, float), "TEXT": (str,), "BLOB": (bytes,)}


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a table: what it may hold; ``counts`` where it is the number of the row."""

    name: str
    kinds: tuple[type, ...]
    needed: bool
    counts: bool


@dataclass(slots=True)
class Salvaged:
    """Rows by table and then by key; ``unsure`` names the tables that SQL could not read to the end."""

    rows: dict[str, dict[Any, Row]] = field(default_factory=dict)
    unsure: set[str] = field(default_factory=set)
    old_tails: list[Row] = field(default_factory=list)  # from pages: some may be sealed since
    numbers: dict[str, set[int]] = field(default_factory=dict)  # where they are more than those of the rows

    def take(self, table: str, row: Row) -> None:
        """Keep a row that is not there yet."""
        self.rows.setdefault(table, {}).setdefault(key_of(table, row), row)


def key_of(table: str, row: Row) -> Any:
    """What tells the rows of a table apart."""
    if table == "meta":
        return row["key"]
    return (row["capture"], row["part"]) if table == "wave" else row["id"]


def salvaged(copy: Path, version: int) -> Salvaged:
    """All rows of ``copy``, a file of that version with its log beside it, which this uses up."""
    layout = _layout(version)
    # Read before SQLite sees the log, which it takes into the file and deletes.
    body, newer = copy.read_bytes(), sound_pages(copy)
    found = Salvaged({table: {} for table in layout})
    _take_by_sql(found, copy, layout)
    _take_from_pages(found, Pages(body, _page_size(body), newer), layout)
    return found


def is_whole(table: str, row: Row) -> bool:
    """True where the checksum of a row fits, or it needs none; without one, where its bytes can be decoded."""
    numbers, decode, *names = _SUMS.get(table, ((), None))
    if decode is None:
        return True
    try:
        bodies = [row[name] for name in names]
        check(row.get("crc"), tuple(row.get(name) for name in numbers), *bodies)
        if row.get("crc") is None:
            decode(*bodies, row["n"])
    except DamagedSession:
        return False
    return True


_PLACE = ("series", "t0", "t1", "first", "n")
_SUMS: Mapping[str, tuple[Any, ...]] = {
    "tail": (_PLACE, codec.decode_tail, "body"),
    "chunk": (_PLACE, codec.decode_planes, "tb", "vb", "fb"),
    "wave": (("capture", "part", "n"), codec.decode_wave, "body"),
}


def _layout(version: int) -> dict[str, list[Column]]:
    """The tables of a file of that version, as SQLite itself tells them."""
    sql = sqlite3.connect(":memory:")
    try:
        sql.executescript("\n".join(MIGRATIONS[:version]))
        names = [name for (name,) in sql.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
        return {name: [_column(*row) for row in sql.execute(f"PRAGMA table_info({name})")] for name in names}
    finally:
        sql.close()


def _column(_: int, name: str, kind: str, needed: int, default: object, key: int) -> Column:
    return Column(name, _KINDS[kind], bool(needed), counts=bool(key) and kind == "INTEGER")


def _page_size(body: bytes) -> int:
    size = int.from_bytes(body[16:18], "big")
    return size if size in (512, 1024, 2048, 4096, 8192, 16384, 32768) else 4096


def _row(columns: Sequence[Column], number: int, values: Sequence[Value]) -> Row | None:
    """Values as a row of a table; None where they cannot be one. Columns added later may be missing at the end."""
    if len(values) > len(columns):
        return None
    padded = [*values, *[None] * (len(columns) - len(values))]
    row = {}
    for column, value in zip(columns, padded, strict=True):
        if column.counts:
            if value not in (None, number):
                return None
            value = number
        elif not isinstance(value, column.kinds) and (column.needed or value is not None):
            return None
        row[column.name] = value
    return row


def _take_by_sql(found: Salvaged, copy: Path, layout: Mapping[str, list[Column]]) -> None:
    _fill_up(copy)
    with contextlib.closing(sqlite3.connect(copy, isolation_level=None)) as sql:
        for table, columns in layout.items():
            key = "key" if table == "meta" else "rowid"
            for order in ("ASC", "DESC"):  # behind a torn page it goes on from the other end
                try:
                    for number, *values in sql.execute(f"SELECT {key}, * FROM {table} ORDER BY {key} {order}"):
                        row = _row(columns, number, values)
                        if row is not None and is_whole(table, row):
                            found.take(table, row)
                    break
                except sqlite3.DatabaseError:
                    found.unsure.add(table)


def _fill_up(copy: Path) -> None:
    """SQLite refuses a file that is shorter than it says; empty pages make it read the others."""
    with copy.open("r+b") as file:
        head = file.read(100)
        length = int.from_bytes(head[28:32], "big") * _page_size(head)
        if copy.stat().st_size < length < 1 << 40:
            file.truncate(length)


def _take_from_pages(found: Salvaged, pages: Pages, layout: Mapping[str, list[Column]]) -> None:
    lookup = {table: columns for table, columns in layout.items() if table in found.unsure}
    if "meta" in found.unsure:
        del lookup["meta"]
        for values in index_rows(pages):
            if (row := _row(layout["meta"], 0, values)) is not None:
                found.take("meta", row)
    for table, row in _matching(pages, lookup):
        if table == "tail":
            found.old_tails.append(row)
        else:
            found.take(table, row)


def _matching(pages: Pages, lookup: Mapping[str, list[Column]]) -> Iterator[tuple[str, Row]]:
    for number, values in table_rows(pages):
        for table, columns in lookup.items():
            row = _row(columns, number, values)
            if row is not None and is_whole(table, row) and _is_sure(table, row):
                yield table, row
                break


def _is_sure(table: str, row: Row) -> bool:
    """Of rows that are on no tree any more, only those with a checksum can be told from chance."""
    return table != "tail" or row.get("crc") is not None


