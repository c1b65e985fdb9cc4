"""Rows of the small tables as dictionaries, their JSON columns opened."""

import json
import sqlite3
from collections.abc import Sequence
from typing import Any

_JSON = ("judgement", "data", "before", "after")


def read_rows(
    connection: sqlite3.Connection,
    table: str,
    where: str = "",
    values: tuple[object, ...] = (),
    columns: Sequence[str] = ("*",),
) -> list[dict[str, Any]]:
    """All rows of ``table`` (those that meet ``where``) in the order of their numbers."""
    cursor = connection.execute(f"SELECT {', '.join(columns)} FROM {table} {where} ORDER BY id", values)
    names = [column[0] for column in cursor.description]
    return [_opened(dict(zip(names, row, strict=True))) for row in cursor.fetchall()]


def _opened(row: dict[str, Any]) -> dict[str, Any]:
    for name in _JSON:
        if isinstance(row.get(name), str):
            row[name] = json.loads(row[name])
    return row
