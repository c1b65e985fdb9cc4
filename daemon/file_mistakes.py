"""Reading tables of a user's TOML file while collecting every mistake with file, line, table and key."""

import math
import re
from collections.abc import Iterable
from typing import Any


class Text:
    """A file's name and text, and the mistakes found in it so far."""

    def __init__(self, file_name: str, text: str) -> None:
        self.file_name = file_name
        self.mistakes: list[str] = []
        self._lines = text.splitlines()
        self._names: dict[tuple[str, int], str] = {}

    def mistake(self, sentence: str) -> None:
        """Note a mistake that belongs to the file as a whole."""
        self.mistakes.append(f"{self.file_name}: {sentence}")

    def mistake_in(self, table: str, number: int | None, key: str, own_name: str, sentence: str) -> None:
        """Note a mistake at a key of a table."""
        line = self.line(table, number, key)
        head = f"[{table}]" if number is None else f"[[{table}]]"
        at = f"line {line}, " if line else ""
        self.mistake(f"{at}{head} {own_name}".strip() + f", {key}: {sentence}")

    def table(self, content: dict[str, Any], name: str) -> "Table":
        """The single table ``[name]``; a missing one is a mistake and reads as empty."""
        found = content.get(name)
        if not isinstance(found, dict):
            self.mistake(f"the table [{name}] is missing: begin the file with it")
            found = {}
        return Table(self, name, None, found)

    def tables(self, content: dict[str, Any], name: str) -> list["Table"]:
        """All tables ``[[name]]`` in their order."""
        found = content.get(name, [])
        if not isinstance(found, list) or not all(isinstance(each, dict) for each in found):
            self.mistake(f"[{name}] must be written with double brackets: [[{name}]]")
            return []
        return [self._named(name, number, each) for number, each in enumerate(found)]

    def at(self, name: str, number: int) -> "Table":
        """The table ``[[name]]`` with this number, for mistakes that are found later."""
        return Table(self, name, number, {"name": self._names.get((name, number), "")})

    def _named(self, name: str, number: int, content: dict[str, Any]) -> "Table":
        self._names[name, number] = str(content.get("name", ""))
        return Table(self, name, number, content)

    def line(self, name: str, number: int | None, key: str) -> int | None:
        """Line of a key in a table, else of the table's head, counted from 1."""
        head = re.compile(rf"\s*\[{{1,2}}\s*{re.escape(name)}\s*\]{{1,2}}")
        starts = [i for i, line in enumerate(self._lines) if head.match(line)]
        if len(starts) <= (number or 0):
            return None
        start = starts[number or 0]
        wanted = re.compile(rf"\s*\"?{re.escape(key)}\"?\s*[=.]")
        for i in range(start + 1, len(self._lines)):
            if wanted.match(self._lines[i]):
                return i + 1
            if re.match(r"\s*\[{1,2}[\w\s\".]+\]", self._lines[i]):
                break
        return start + 1


class Table:
    """One table; each getter returns a usable value and notes a mistake where the file has none."""

    def __init__(self, text: Text, name: str, number: int | None, content: dict[str, Any]) -> None:
        self._text, self._name, self._number = text, name, number
        self.content = content

    def mistake(self, key: str, sentence: str) -> None:
        """Note a mistake at a key of this table."""
        own_name = str(self.content.get("name") or ("" if self._number is None else f"number {self._number + 1}"))
        self._text.mistake_in(self._name, self._number, key, own_name, sentence)

    def only(self, *keys: str) -> None:
        """Every other key is a mistake."""
        for key in self.content.keys() - set(keys):
            self.mistake(key, f"unknown key; the keys here are {', '.join(keys)}")

    def text(self, key: str, default: str = "", *, needed: bool = False) -> str:
        """A text; a needed one must not be empty."""
        value = self.content.get(key, default)
        if not isinstance(value, str):
            self.mistake(key, f"{value!r} is not a text: put it in quotation marks")
            return default
        if needed and not value.strip():
            self.mistake(key, "is missing: give it a text")
        return value.strip()

    def flag(self, key: str) -> bool:
        """True or false; false where nothing is said."""
        value = self.content.get(key, False)
        if not isinstance(value, bool):
            self.mistake(key, f"{value!r} is neither true nor false")
            return False
        return value

    def number(
        self,
        key: str,
        default: float | None,
        *,
        above: float = -math.inf,
        least: float = -math.inf,
        most: float = math.inf,
        cure: str = "write a number",
    ) -> float | None:
        """A finite number above ``above`` and from ``least`` to ``most``."""
        value = self.content.get(key, default)
        if value is None:
            return None
        if not _is_number(value):
            self.mistake(key, f"{value!r} is not a number: {cure}")
            return default
        if not (value > above and least <= value <= most):
            self.mistake(key, f"{value!r} is out of range: {_range_words(above, least, most)}")
            return default
        return float(value)

    def words(self, key: str, *, needed: bool = False) -> tuple[str, ...]:
        """A list of texts."""
        value = self.content.get(key, [])
        listed = list(value) if isinstance(value, list | tuple) else None
        if listed is None or not all(isinstance(each, str) and each.strip() for each in listed):
            self.mistake(key, f'{value!r} is not a list of texts such as ["A", "B"]')
            return ()
        if needed and not listed:
            self.mistake(key, "is missing: give at least one text in square brackets")
        return tuple(each.strip() for each in listed)

    def numbers(self, key: str) -> dict[str, float]:
        """A table of numbers by name."""
        value = self.content.get(key, {})
        if not isinstance(value, dict) or not all(_is_number(each) for each in value.values()):
            self.mistake(key, f'{value!r} is not a table of numbers such as {{ "MODE" = 15.0 }}')
            return {}
        return {name.strip(): float(each) for name, each in value.items()}

    def texts(self, key: str) -> dict[str, str]:
        """A table of texts by name."""
        value = self.content.get(key, {})
        if not isinstance(value, dict) or not all(isinstance(each, str) for each in value.values()):
            self.mistake(key, f'{value!r} is not a table of texts such as {{ "MODE" = "net" }}')
            return {}
        return {name.strip(): each.strip() for name, each in value.items()}

    def known_modes(self, key: str, used: Iterable[str], modes: tuple[str, ...]) -> None:
        """Every mode used must be one of the drawing's."""
        for mode in used:
            if mode not in modes:
                self.mistake(key, f"{mode!r} is none of the modes {list(modes)} of [drawing]")


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


def _range_words(above: float, least: float, most: float) -> str:
    if most < math.inf:
        return f"from {least:g} to {most:g}"
    return f"more than {above:g}" if above > -math.inf else f"{least:g} or more"
