"""Words that differ between families of instruments, each family in a TOML file of its own.

A dialect is named by one of the files that lie here (``form_a``), or by the path of a user's own file,
which ends in ``.toml``. Mistakes come one line each: file, key, cure.
"""

import re
import string
import tomllib
from collections.abc import Callable, Iterator
from dataclasses import fields
from importlib.resources import files
from pathlib import Path
from typing import Any, TypeVar

from drivers.dialects.checking import filled
from drivers.dialects.generator_words import GeneratorDialect, generator_mistakes
from drivers.dialects.scope_words import KINDS_OF_FIELD, FormC, Place, ScopeDialect, SlowRoll, Window
from drivers.errors import DriverError

__all__ = [
    "GeneratorDialect",
    "ScopeDialect",
    "dialect_names",
    "generator_dialect",
    "read_generator_dialect",
    "read_scope_dialect",
    "scope_dialect",
    "scope_dialects",
]

T = TypeVar("T")

SUFFIX = ".toml"
LONGEST_DESCRIPTOR = 1_000_000
NEEDED = ("name", "stop", "run")
NEEDED_OF_A_FORM = ("preamble", "data")


def scope_dialect(name: str) -> ScopeDialect:
    """The dialect of that name or path. Raises ``DriverError``."""
    return read_scope_dialect(*_text("scope", name))


def generator_dialect(name: str) -> GeneratorDialect:
    """The dialect of that name or path. Raises ``DriverError``."""
    return read_generator_dialect(*_text("generator", name))


def scope_dialects() -> list[str]:
    """Names of the scope dialects that come with the program."""
    return dialect_names("scope")


def dialect_names(kind: str) -> list[str]:
    """Names of the dialects that come with the program for ``scope`` or ``generator``."""
    names = (entry.name for entry in files("drivers.dialects").iterdir())
    start = f"{kind}_"
    return sorted(
        name[len(start) : -len(SUFFIX)] for name in names if name.startswith(start) and name.endswith(SUFFIX)
    )


def read_scope_dialect(text: str, file_name: str) -> ScopeDialect:
    """A dialect file's content, checked whole. Raises ``DriverError`` with one line a mistake."""
    return _read(ScopeDialect, text, file_name, _scope_mistakes)


def read_generator_dialect(text: str, file_name: str) -> GeneratorDialect:
    """A dialect file's content, checked whole. Raises ``DriverError`` with one line a mistake."""
    return _read(GeneratorDialect, text, file_name, generator_mistakes)


def _read(kind: type[T], text: str, file_name: str, check: Callable[[T], Iterator[str]]) -> T:
    try:
        table: dict[str, Any] = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise DriverError(f"{file_name}: not TOML: {error}.") from error
    mistakes: list[str] = []
    dialect = filled(kind, table, file_name, mistakes)
    if dialect is not None:
        mistakes += [f"{file_name}: {mistake}" for mistake in check(dialect)]
    if mistakes or dialect is None:
        raise DriverError("\n".join(mistakes))
    return dialect


def _text(kind: str, name: str) -> tuple[str, str]:
    """Content and name of a dialect's file."""
    if name.endswith(SUFFIX):
        try:
            return Path(name).read_text(encoding="utf-8"), Path(name).name
        except (OSError, UnicodeDecodeError) as error:
            raise DriverError(f"the dialect file {name} cannot be read as text ({error}).") from error
    file_name = f"{kind}_{name}{SUFFIX}"
    source = files("drivers.dialects").joinpath(file_name)
    if not name.isidentifier() or not source.is_file():
        names = ", ".join(dialect_names(kind))
        raise DriverError(
            f"there is no {kind} dialect {name!r}: write one of {names}, or the path of your own {SUFFIX} file."
        )
    return source.read_text(encoding="utf-8"), file_name


def _scope_mistakes(dialect: ScopeDialect) -> Iterator[str]:
    forms = [form for form in (dialect.transfer.form_a, dialect.transfer.form_b, dialect.transfer.form_c) if form]
    if len(forms) != 1:
        yield f"transfer: {len(forms)} forms; write exactly one of form_a, form_b and form_c."
    places = {"run": {"channel", "state"}, "disarm": {"channel", "state"}, "one_field": {"key"}}
    for table in (dialect, *forms):
        for member in fields(table):
            word = getattr(table, member.name)
            if isinstance(word, str) and member.name != "recognised_by":
                yield from _word_mistakes(member.name, word, places.get(member.name, {"channel"}))
    if not dialect.running and "{state}" in dialect.run:
        yield "running: cannot be empty where run has {state} in it; write the word of a scope that runs."
    try:
        re.compile(dialect.recognised_by)
    except re.error as error:
        yield f"recognised_by: not a regular expression ({error}); see the Python documentation of re."
    for form in forms:
        if isinstance(form, FormC):
            yield from _descriptor_mistakes(form)
    if dialect.transfer.window is not None:
        yield from _window_mistakes(dialect.transfer.window)
    if dialect.slow_roll is not None:
        yield from _roll_mistakes(dialect.slow_roll, dialect.time_base_mode)


def _word_mistakes(key: str, word: str, allowed: set[str]) -> Iterator[str]:
    if not word and key in (*NEEDED, *NEEDED_OF_A_FORM):
        yield f"{key}: cannot be empty."
    if not word.isascii():
        yield f"{key}: {word!r} is not ASCII; instruments understand nothing else."
    if not _places(word) <= allowed:
        names = " and ".join(f"{{{name}}}" for name in sorted(allowed)) or "nothing"
        yield f"{key}: only {names} may stand in braces."


def _window_mistakes(window: Window) -> Iterator[str]:
    yield from _word_mistakes("transfer.window.total", window.total, set())
    for number, command in enumerate(window.select, 1):
        yield from _word_mistakes(f"transfer.window.select {number}", command, {"first", "last", "count"})
    if not window.total:
        yield "transfer.window.total: cannot be empty; without it nobody knows where the record ends."
    chosen = set().union(*map(_places, window.select))
    if "first" not in chosen or not chosen & {"last", "count"}:
        yield "transfer.window.select: the commands must hold {first}, and {last} or {count}."
    if window.points_at_most < 1:
        yield f"transfer.window.points_at_most: {window.points_at_most}; write how many points one transfer may have."
    if window.first_number not in (0, 1):
        yield f"transfer.window.first_number: {window.first_number}; the first point is number 0 or 1."


def _roll_mistakes(roll: SlowRoll, time_base_mode: str) -> Iterator[str]:
    for key, allowed in (("scale", set()), ("mode", set()), ("mode_back", {"word"})):
        yield from _word_mistakes(f"slow_roll.{key}", getattr(roll, key), allowed)
    if not roll.scale or "?" in roll.scale:
        yield "slow_roll.scale: write the header that sets seconds a division, without a question mark."
    if not 1 <= roll.divisions <= 100:
        yield f"slow_roll.divisions: {roll.divisions}; write how many divisions its record is long."
    if not time_base_mode:
        yield "slow_roll: needs time_base_mode too, or nobody can tell whether it rolls."


def _descriptor_mistakes(form: FormC) -> Iterator[str]:
    if not form.before_data:
        yield "before_data: cannot be empty; its first entry is the descriptor's own size."
    named = [(member.name, getattr(form, member.name)) for member in fields(form)]
    named += [(f"before_data {number}", place) for number, place in enumerate(form.before_data, 1)]
    for key, value in named:
        if isinstance(value, Place) and value.kind not in KINDS_OF_FIELD:
            yield f"{key}: kind {value.kind!r}; write one of {', '.join(KINDS_OF_FIELD)}."
        at = value.at if isinstance(value, Place) else value if key.endswith("_at") else 0
        if not 0 <= at <= LONGEST_DESCRIPTOR:
            yield f"{key}: {at} is no offset; write bytes from the descriptor's beginning."


def _places(word: str) -> set[str]:
    try:
        return {place for _, place, _, _ in string.Formatter().parse(word) if place is not None}
    except ValueError:
        return {word}
