"""Rows that wait for the next commit, with their numbers given out in advance."""

import contextlib
import json
import math
import sqlite3
from collections.abc import Callable, Iterator, Mapping
from typing import Any

from daemon.store.schema import TABLES_WITH_IDS
from drivers.errors import SessionError

_UNFIT = (sqlite3.IntegrityError, sqlite3.InterfaceError, sqlite3.ProgrammingError, OverflowError, UnicodeError)


class Outbox:
    """Statements in order. ``flush`` writes all of them in one transaction, or none."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._sql = connection
        self._waiting: list[tuple[str, tuple[object, ...]]] = []
        self._next = {table: self._first_free(table) for table in TABLES_WITH_IDS}

    def __bool__(self) -> bool:
        return bool(self._waiting)

    def insert(self, table: str, columns: Mapping[str, object]) -> int:
        """A new row; returns its number."""
        number = self._next[table]
        self._next[table] += 1
        marks = ", ".join("?" * (len(columns) + 1))
        self.say(f"INSERT INTO {table}(id, {', '.join(columns)}) VALUES({marks})", number, *columns.values())
        return number

    def update(self, table: str, number: int, columns: Mapping[str, object]) -> None:
        """New contents of some columns of one row."""
        if columns:
            sets = ", ".join(f"{name} = ?" for name in columns)
            self.say(f"UPDATE {table} SET {sets} WHERE id = ?", *columns.values(), number)

    def say(self, statement: str, *values: object) -> None:
        """Any other statement."""
        self._waiting.append((statement, tuple(map(_plain, values))))

    def flush(self, and_then: Callable[[], None]) -> None:
        """Write all that waits, and what ``and_then`` writes, in one transaction.

        Where it fails everything goes on waiting, except a row that no table can take: that one
        is named in a ``SessionError`` and dropped, since it would hold up all others for ever.
        """
        with self._transaction():
            self._send()
            and_then()
        self._waiting.clear()

    def _send(self) -> None:
        for place, (statement, values) in enumerate(self._waiting):
            try:
                self._sql.execute(statement, values)
            except _UNFIT as error:
                del self._waiting[place]
                raise SessionError(f"one row could not be kept ({error}): {statement} {values!r}") from error

    @contextlib.contextmanager
    def _transaction(self) -> Iterator[None]:
        self._sql.execute("BEGIN IMMEDIATE")
        try:
            yield
            self._sql.execute("COMMIT")
        except BaseException:
            if self._sql.in_transaction:
                self._sql.execute("ROLLBACK")
            raise

    def _first_free(self, table: str) -> int:
        (number,) = self._sql.execute(f"SELECT coalesce(max(id), 0) + 1 FROM {table}").fetchone()
        return int(number)


def to_json(data: Mapping[str, Any]) -> str:
    """JSON text of ``data``; numbers that JSON does not know (NaN, infinity) become null."""
    return json.dumps(_sayable(data), ensure_ascii=False)


def _sayable(value: Any) -> Any:
    value = _plain(value)
    if isinstance(value, Mapping):
        return {str(key): _sayable(each) for key, each in value.items()}
    if isinstance(value, list | tuple | set | frozenset):
        return [_sayable(each) for each in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value if isinstance(value, str | int | float | None) else str(value)


def _plain(value: Any) -> Any:
    """A numpy scalar as Python's own number; anything else as it is."""
    return value.item() if hasattr(value, "item") and hasattr(value, "dtype") else value
