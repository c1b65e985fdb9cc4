"""Rows straight from the pages of a database, without the trees that lead to them. Pure.

The layout is that of "B-tree Pages" and "Record Format" in SQLite's documentation of its file format, sections 1.6 and
2.1. What does not parse is left out: it is for the caller to tell rows from chance.
"""

import struct
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

Value = int | float | str | bytes | None
_TABLE_LEAF, _INDEX_LEAF, _INDEX_INTERIOR = 0x0D, 0x0A, 0x02
_WHOLE_NUMBERS = {1: 1, 2: 2, 3: 3, 4: 4, 5: 6, 6: 8}
_LONGEST_PAYLOAD = 1 << 28


@dataclass(frozen=True, slots=True)
class Pages:
    """The pages of a file, number 1 first; those in ``newer`` come from its write-ahead log."""

    body: bytes
    size: int
    newer: Mapping[int, bytes] = field(default_factory=dict)

    def __len__(self) -> int:
        return max([-(-len(self.body) // self.size), *self.newer])

    def __getitem__(self, number: int) -> bytes:
        page = self.newer.get(number) or self.body[(number - 1) * self.size : number * self.size]
        return page.ljust(self.size, b"\0")


def table_rows(pages: Pages) -> Iterator[tuple[int, list[Value]]]:
    """Row number and columns of every row on any page that looks like the leaf of a table."""
    for number in range(1, len(pages) + 1):
        for payload, row in _cells(pages, number, {_TABLE_LEAF}):
            if (columns := _columns(payload)) is not None:
                yield row, columns


def index_rows(pages: Pages) -> Iterator[list[Value]]:
    """The columns of every row of an index, and of a table WITHOUT ROWID, which is laid out as one."""
    for number in range(1, len(pages) + 1):
        for payload, _ in _cells(pages, number, {_INDEX_LEAF, _INDEX_INTERIOR}):
            if (columns := _columns(payload)) is not None:
                yield columns


def _cells(pages: Pages, number: int, kinds: set[int]) -> Iterator[tuple[bytes, int]]:
    """The whole payload of each cell of a page of one of these kinds, and its row number (0 in an index)."""
    page, head = pages[number], 100 if number == 1 else 0
    kind = page[head]
    if kind not in kinds:
        return
    first = head + (12 if kind == _INDEX_INTERIOR else 8)
    count = int.from_bytes(page[head + 3 : head + 5], "big")
    for place in range(first, min(first + 2 * count, pages.size - 1), 2):
        at = int.from_bytes(page[place : place + 2], "big")
        try:
            yield _cell(pages, page, at, kind)
        except (IndexError, ValueError):
            continue


def _cell(pages: Pages, page: bytes, at: int, kind: int) -> tuple[bytes, int]:
    at += 4 if kind == _INDEX_INTERIOR else 0
    length, at = _varint(page, at)
    row = 0
    if kind == _TABLE_LEAF:
        row, at = _varint(page, at)
    if not 0 < length < _LONGEST_PAYLOAD:
        raise ValueError(length)
    local = _local(length, pages.size, kind)
    payload = page[at : at + local]
    if local < length:
        payload += _overflow(pages, int.from_bytes(page[at + local : at + local + 4], "big"), length - local)
    return payload, row


def _local(length: int, size: int, kind: int) -> int:
    """How many bytes of a payload lie on the page itself (section 1.6)."""
    most = size - 35 if kind == _TABLE_LEAF else (size - 12) * 64 // 255 - 23
    if length <= most:
        return length
    least = (size - 12) * 32 // 255 - 23
    fitting = least + (length - least) % (size - 4)
    return fitting if fitting <= most else least


def _overflow(pages: Pages, number: int, missing: int) -> bytes:
    pieces = []
    while missing > 0:
        if not 0 < number <= len(pages):
            raise ValueError(number)
        page = pages[number]
        pieces.append(page[4 : 4 + missing])
        missing -= pages.size - 4
        number = int.from_bytes(page[:4], "big")
    return b"".join(pieces)


def _varint(octets: bytes, at: int) -> tuple[int, int]:
    """A number of 1 to 9 bytes, and where the next thing begins."""
    number = 0
    for count in range(8):
        octet = octets[at + count]
        number = number << 7 | octet & 0x7F
        if octet < 0x80:
            return number, at + count + 1
    number = number << 8 | octets[at + 8]
    return number - (1 << 64) if number >= 1 << 63 else number, at + 9


def _columns(payload: bytes) -> list[Value] | None:
    """The columns of a record; None where it is none."""
    try:
        end, at = _varint(payload, 0)
        kinds = []
        while at < end:
            kind, at = _varint(payload, at)
            kinds.append(kind)
        values: list[Value] = []
        at = end
        for kind in kinds:
            value, at = _value(payload, at, kind)
            values.append(value)
    except (IndexError, ValueError, struct.error):
        return None
    return values if at == len(payload) else None


def _value(payload: bytes, at: int, kind: int) -> tuple[Value, int]:
    if kind in _WHOLE_NUMBERS:
        end = at + _WHOLE_NUMBERS[kind]
        return int.from_bytes(payload[at:end], "big", signed=True), end
    if kind == 7:
        return struct.unpack_from(">d", payload, at)[0], at + 8
    if kind in (0, 8, 9):
        return (None if kind == 0 else kind - 8), at
    if kind < 12:
        raise ValueError(kind)
    end = at + (kind - 12) // 2
    return (payload[at:end].decode() if kind % 2 else payload[at:end]), end
