"""Command headers: short and long forms, default nodes, and the path between units of one message."""

import re
from collections.abc import Callable
from typing import Any, TypeVar

_NODE = re.compile(r"(\[)?:([A-Z]+)([a-z]*)(#)?\]?")
_MARK = "_header_patterns"
_Method = TypeVar("_Method", bound=Callable[..., Any])


def header_pattern(written: str) -> re.Pattern[str]:
    """``[:SENSe]:VOLTage[:DC]:RANGe`` or ``:CHANnel#:SCALe`` as an expression for upper-case headers.

    Brackets are default nodes, ``#`` a numeric suffix (captured; empty means 1), as SCPI-99
    vol. 1 writes them. A common command (``*IDN``) is taken as it stands.
    """
    if written.startswith("*"):
        return re.compile(re.escape(written))
    return re.compile("".join(_node(*found.groups()) for found in _NODE.finditer(written)))


def _node(optional: str | None, short: str, rest: str, suffix: str | None) -> str:
    body = ":" + short + (f"(?:{rest.upper()})?" if rest else "") + (r"(\d*)" if suffix else "")
    return f"(?:{body})?" if optional else body


class Path:
    """Where in the tree the next header of a message begins (SCPI-99 vol. 1, 6.2.4).

    A message begins at the root; a header without leading colon continues at the level of the
    one before; a leading colon goes back to the root; common commands leave the path alone.
    """

    def __init__(self) -> None:
        self._level = ""

    def whole(self, header: str) -> str:
        """The header from the root on, and the path moved to its level."""
        if header.startswith("*"):
            return header
        whole = header if header.startswith(":") else f"{self._level}:{header}"
        self._level = whole.rpartition(":")[0]
        return whole


def command(*patterns: str) -> Callable[[_Method], _Method]:
    """Say which headers a method of an instrument serves; a ``?`` at the end makes it a query."""

    def mark(method: _Method) -> _Method:
        setattr(method, _MARK, patterns)
        return method

    return mark


def marked(owner: object) -> list[tuple[re.Pattern[str], bool, Callable[..., Any]]]:
    """All (pattern, is a query, bound method) of an instrument."""
    found = []
    for name in dir(type(owner)):
        for written in getattr(getattr(type(owner), name), _MARK, ()):
            found.append((header_pattern(written.rstrip("?")), written.endswith("?"), getattr(owner, name)))
    return found
