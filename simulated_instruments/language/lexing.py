"""Program messages taken apart (IEEE 488.2-1992, clause 7): bytes to headers and parameters."""

import re
from collections.abc import Iterator
from dataclasses import dataclass
from enum import Enum, auto

from simulated_instruments.language.errors import LanguageError

_NUMBER = re.compile(r"([+-]?(?:\d+\.?\d*|\.\d+))(?:\s*[Ee]\s*([+-]?\d+))?\s*([A-Za-z/][A-Za-z0-9./]*)?")
_BASED = re.compile(r"#(?:[Hh]([0-9A-Fa-f]+)|[Qq]([0-7]+)|[Bb]([01]+))")
_HEADER = re.compile(r"\s*(\*[A-Za-z][A-Za-z0-9_]*|:?[A-Za-z][A-Za-z0-9_]*(?::[A-Za-z][A-Za-z0-9_]*)*)(\??)")


class Kind(Enum):
    """The kinds of program data (IEEE 488.2, 7.7)."""

    NAME = auto()
    NUMBER = auto()
    STRING = auto()
    BLOCK = auto()
    EXPRESSION = auto()


@dataclass(frozen=True, slots=True)
class Parameter:
    """One piece of program data: text for names and strings, number with its suffix, or a block."""

    kind: Kind
    text: str = ""
    number: float = 0.0
    suffix: str = ""
    block: bytes = b""


@dataclass(frozen=True, slots=True)
class ProgramUnit:
    """One command or query: its header as typed, and its parameters."""

    header: str
    query: bool
    parameters: tuple[Parameter, ...]


def _after_block(text: str, at: int) -> int:
    """Index after the block that begins at ``at``; a number such as #H1F is left alone."""
    kind = text[at + 1 : at + 2]
    if kind == "0":
        return len(text)
    if not kind or kind not in "123456789":
        return at + 1
    digits = text[at + 2 : at + 2 + int(kind)]
    if len(digits) < int(kind) or not re.fullmatch("[0-9]+", digits):
        raise LanguageError(-161)
    end = at + 2 + int(kind) + int(digits)
    if end > len(text):
        raise LanguageError(-161, "block is shorter than its count")
    return end


def _after_quoted(text: str, at: int) -> int:
    end = text.find(text[at], at + 1)
    if end < 0:
        raise LanguageError(-151, "quote is not closed")
    return end + 1


def _after_expression(text: str, at: int) -> int:
    end = text.find(")", at)
    if end < 0:
        raise LanguageError(-171)
    return end + 1


_SKIP = {'"': _after_quoted, "'": _after_quoted, "#": _after_block, "(": _after_expression}


def _split(text: str, separator: str) -> Iterator[str]:
    """Split at ``separator`` outside of strings, blocks and expressions."""
    start = at = 0
    while at < len(text):
        if text[at] == separator:
            yield text[start:at]
            start = at = at + 1
        elif text[at] in _SKIP:
            at = _SKIP[text[at]](text, at)
        else:
            at += 1
    yield text[start:]


def parameter(text: str) -> Parameter:
    """One program data element. Raises ``LanguageError``."""
    text = text.lstrip() if text.lstrip().startswith("#") else text.strip()
    if not text:
        raise LanguageError(-109)
    if text[0] in "\"'":
        return _string(text)
    if text[0] == "#":
        return _block_or_based(text)
    if text[0] == "(":
        return Parameter(Kind.EXPRESSION, text=text)
    if re.fullmatch(r"[A-Za-z][A-Za-z0-9_]*", text):
        return Parameter(Kind.NAME, text=text)
    return _decimal(text)


def _string(text: str) -> Parameter:
    quote, inner = text[0], text[1:-1]
    if len(text) < 2 or text[-1] != quote or quote in inner.replace(quote * 2, ""):
        raise LanguageError(-151)
    return Parameter(Kind.STRING, text=inner.replace(quote * 2, quote))


def _block_or_based(text: str) -> Parameter:
    based = _BASED.fullmatch(text.rstrip())
    if based:
        value = next(int(d, b) for d, b in zip(based.groups(), (16, 8, 2), strict=True) if d)
        return Parameter(Kind.NUMBER, number=float(value))
    if text[1:2] == "0":
        return Parameter(Kind.BLOCK, block=text[2:].encode("latin-1"))
    end = _after_block(text, 0)
    if end == 1 or text[end:].strip():
        raise LanguageError(-161)
    return Parameter(Kind.BLOCK, block=text[2 + int(text[1]) : end].encode("latin-1"))


def _decimal(text: str) -> Parameter:
    found = _NUMBER.fullmatch(text)
    if not found:
        raise LanguageError(-120 if text[0] in "+-.0123456789" else -102, text[:20])
    mantissa, exponent, suffix = found.groups()
    if exponent and abs(int(exponent)) > 32000:
        raise LanguageError(-120, "exponent")
    return Parameter(Kind.NUMBER, number=float(f"{mantissa}e{exponent or 0}"), suffix=(suffix or "").upper())


def _unit(text: str) -> ProgramUnit:
    found = _HEADER.match(text)
    if not found:
        raise LanguageError(-102, text.strip()[:20])
    header, query = found.groups()
    rest = text[found.end() :]
    if rest.strip() and not rest[0].isspace():
        raise LanguageError(-101 if not rest[0].isascii() else -103, rest[:10])
    if any(len(name) > 12 for name in header.strip("*:").split(":")):
        raise LanguageError(-112)
    data = tuple(parameter(piece) for piece in _split(rest, ",")) if rest.strip() else ()
    return ProgramUnit(header.upper(), bool(query), data)


def program_units(message: bytes) -> Iterator[ProgramUnit]:
    """The units of one program message, one after the other; empty ones are skipped (7.3.1)."""
    for piece in _split(message.decode("latin-1"), ";"):
        if piece.strip():
            yield _unit(piece)
