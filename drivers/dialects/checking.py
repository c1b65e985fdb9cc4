"""A table of TOML to a dataclass, checked whole: one line a mistake, with file, key and cure."""

import types
from collections.abc import Mapping
from dataclasses import MISSING, Field, fields, is_dataclass
from typing import Any, TypeVar, Union, get_args, get_origin, get_type_hints

T = TypeVar("T")

_CALLED = {str: "text in quotes", int: "a whole number", float: "a number", bool: "true or false"}


def filled(kind: type[T], table: Mapping[str, Any], place: str, mistakes: list[str], known: str = "") -> T | None:
    """``kind`` made of ``table``; None, and lines added to ``mistakes``, where it does not fit.

    ``place`` is the file, ``known`` the path of the table in it (``transfer.``).
    """
    before = len(mistakes)
    hints = get_type_hints(kind)
    members = {member.name: member for member in fields(kind)}  # type: ignore[arg-type] # because T is unbound
    for key in sorted(table.keys() - members.keys()):
        mistakes.append(f"{place}: {known}{key}: unknown; keys are {', '.join(members)}.")
    content: dict[str, Any] = {}
    for key, member in members.items():
        if key in table:
            content[key] = _value(hints[key], table[key], place, f"{known}{key}", mistakes)
        elif _is_needed(member):
            mistakes.append(f"{place}: {known}{key}: missing; {_cure(hints[key])}.")
    return None if len(mistakes) > before else kind(**content)


def _is_needed(member: Field[Any]) -> bool:
    return member.default is MISSING and member.default_factory is MISSING


def _cure(hint: Any) -> str:
    if hint is str:
        return 'write "" where the family has no such word'
    return f"write {_name(hint)}"


def _value(hint: Any, value: Any, place: str, key: str, mistakes: list[str]) -> Any:
    hint = _without_none(hint)
    if is_dataclass(hint) and isinstance(hint, type) and isinstance(value, dict):
        return filled(hint, value, place, mistakes, f"{key}.")
    if get_origin(hint) is tuple and isinstance(value, list):
        inner = get_args(hint)[0]
        return tuple(_value(inner, part, place, f"{key} {n}", mistakes) for n, part in enumerate(value, 1))
    if get_origin(hint) in (dict, Mapping) and isinstance(value, dict):
        inner = get_args(hint)[1]
        return {name: _value(inner, part, place, f"{key}.{name}", mistakes) for name, part in value.items()}
    if hint is float and isinstance(value, int) and not isinstance(value, bool):
        return float(value)
    if isinstance(hint, type) and isinstance(value, hint) and isinstance(value, bool) == (hint is bool):
        return value
    mistakes.append(f"{place}: {key}: {value!r} is of the wrong kind: write {_name(hint)}.")
    return None


def _without_none(hint: Any) -> Any:
    if get_origin(hint) in (Union, types.UnionType):
        return next(part for part in get_args(hint) if part is not type(None))
    return hint


def _name(hint: Any) -> str:
    hint = _without_none(hint)
    if get_origin(hint) is tuple:
        return f"a list of {_name(get_args(hint)[0])}"
    if is_dataclass(hint) or get_origin(hint) is not None:
        return "a table"
    return _CALLED.get(hint, str(hint))
