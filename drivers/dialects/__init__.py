"""Words that differ between families of instruments, each family in a TOML file of its own."""

import string
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, fields
from importlib.resources import files
from typing import Any, get_args, get_origin

from drivers.errors import DriverError


@dataclass(frozen=True, slots=True)
class ScopeDialect:
    """What one family of scopes calls things; an empty word means that the family has none.

    ``{channel}`` in a word stands for the number of a channel.
    """

    name: str
    channels: int
    shown: str
    coupling: str
    choose: str
    preamble: str
    data: str
    byte_order: str
    unsigned: str
    time_base_mode: str
    state: str
    stop: str
    run: str
    rolling: tuple[str, ...]
    stopped: tuple[str, ...]
    waiting: tuple[str, ...]
    high_byte_first: tuple[str, ...]
    bytes_formats: tuple[int, ...]
    words_formats: tuple[int, ...]
    text_formats: tuple[int, ...]


NEEDED = ("name", "choose", "preamble", "data", "stop", "run")


def scope_dialect(name: str) -> ScopeDialect:
    """The dialect of a file ``scope_NAME.toml`` in this folder. Raises ``DriverError``."""
    file_name = f"scope_{name}.toml"
    source = files("drivers.dialects").joinpath(file_name)
    if not name.isidentifier() or not source.is_file():
        raise DriverError(f"there is no scope dialect {name!r}: write one of {', '.join(scope_dialects())}.")
    return read_scope_dialect(source.read_text(encoding="utf-8"), file_name)


def scope_dialects() -> list[str]:
    """Names of the scope dialects that come with the program."""
    names = (entry.name for entry in files("drivers.dialects").iterdir())
    return sorted(name[6:-5] for name in names if name.startswith("scope_") and name.endswith(".toml"))


def read_scope_dialect(text: str, file_name: str) -> ScopeDialect:
    """A dialect file's content, checked whole. Raises ``DriverError`` with one line a mistake."""
    try:
        table = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise DriverError(f"{file_name}: not TOML: {error}.") from error
    mistakes = list(_mistakes(table, file_name))
    if mistakes:
        raise DriverError("\n".join(mistakes))
    content: dict[str, Any] = {key: tuple(value) if isinstance(value, list) else value for key, value in table.items()}
    return ScopeDialect(**content)


def _mistakes(table: Mapping[str, Any], file_name: str) -> list[str]:
    known = {field.name: field.type for field in fields(ScopeDialect)}
    found = [f"{file_name}: {key}: unknown; keys are {', '.join(known)}." for key in table.keys() - known.keys()]
    for key, type_ in known.items():
        if key not in table:
            found.append(f'{file_name}: {key}: missing; write "" where the family has no such word.')
        elif not _fits(table[key], type_):
            found.append(f"{file_name}: {key}: {table[key]!r} is of the wrong kind.")
        elif key in NEEDED and not table[key]:
            found.append(f"{file_name}: {key}: cannot be empty.")
        elif isinstance(table[key], str) and not _places(table[key]) <= {"channel"}:
            found.append(f"{file_name}: {key}: only {{channel}} may stand in braces.")
    return found


def _fits(value: object, type_: Any) -> bool:
    if get_origin(type_) is tuple:
        return isinstance(value, list) and all(isinstance(part, get_args(type_)[0]) for part in value)
    return isinstance(value, type_) and not isinstance(value, bool)


def _places(word: str) -> set[str]:
    try:
        return {place for _, place, _, _ in string.Formatter().parse(word) if place is not None}
    except ValueError:
        return {word}
