"""Samples of a scope's channel to codes and volts. Pure, no I/O.

Codes stay as narrow as they came: a record of ten million samples is never turned into floats here.
"""

import math
import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from drivers import scpi
from drivers.errors import AnswerError

CODES_AT_MOST = 32767
TEXT_PIECE = 1 << 20  # characters of text that are turned into numbers at a time
_TEXT = re.compile(r"[0-9eE+\-., \r\n\t]*")


@dataclass(frozen=True, slots=True)
class Layout:
    """What the samples of one channel mean; seconds and volts.

    volts = code * ``scale_v`` + ``offset_v``. ``bytes_a_sample`` is 1 or 2, or 0 for text, which holds
    volts with ``text_is_volts`` and codes otherwise. ``lowest_code`` and ``highest_code`` are the converter's
    ends where they are told; ``start_s`` is the first sample's time from the trigger.
    """

    bytes_a_sample: int
    points: int
    dt_s: float
    start_s: float
    scale_v: float
    offset_v: float
    signed: bool = False
    high_byte_first: bool = False
    text_is_volts: bool = False
    lowest_code: int | None = None
    highest_code: int | None = None
    probe_factor: float | None = None


@dataclass(frozen=True, slots=True)
class Samples:
    """Codes (int8, uint8 or int16) with the volts they stand for, as in ``drivers.readings.Trace``."""

    codes: NDArray[Any]
    scale_v: float
    offset_v: float
    lowest_code: int
    highest_code: int


def read_samples(data: bytes | memoryview, layout: Layout) -> Samples:
    """Samples as the layout says. Raises ``AnswerError``."""
    if layout.bytes_a_sample == 1:
        return _from_bytes(data, layout)
    if layout.bytes_a_sample == 2:
        return _from_words(data, layout)
    return _from_text(scpi.decode(bytes(data)), layout)


def _from_bytes(data: bytes | memoryview, layout: Layout) -> Samples:
    codes = np.frombuffer(data, np.int8 if layout.signed else np.uint8)
    lowest, highest = (-128, 127) if layout.signed else (0, 255)
    return _samples(codes, layout, 0, lowest, highest)


def _from_words(data: bytes | memoryview, layout: Layout) -> Samples:
    """16-bit samples; unsigned ones are moved down by 32768 so that they fit, volts unchanged."""
    if len(data) % 2:
        raise AnswerError(f"{len(data)} bytes are no whole number of 16-bit samples.")
    wide = np.frombuffer(data, ">u2" if layout.high_byte_first else "<u2").astype(np.uint16, copy=False)
    if layout.signed:
        return _samples(wide.view(np.int16), layout, 0, -32768, 32767)
    # Turning the highest bit over is the move down by 32768.
    return _samples((wide ^ np.uint16(32768)).view(np.int16), layout, 32768, -32768, 32767)


def _samples(codes: NDArray[Any], layout: Layout, moved: int, lowest: int, highest: int) -> Samples:
    return Samples(
        codes,
        layout.scale_v,
        layout.offset_v + moved * layout.scale_v,
        _end(layout.lowest_code, moved, lowest, highest, lowest),
        _end(layout.highest_code, moved, lowest, highest, highest),
    )


def _end(told: int | None, moved: int, lowest: int, highest: int, otherwise: int) -> int:
    """An end of the converter's range that was told, where it is one that a code can have."""
    return told - moved if told is not None and lowest <= told - moved <= highest else otherwise


def _from_text(text: str, layout: Layout) -> Samples:
    """Text as codes of the layout's step, or of a coarser one where those would not fit. Text does not tell
    the converter's ends: none of its samples counts as clipped."""
    pieces = [_steps(piece, layout) for piece in _pieces(text)]
    steps = np.concatenate(pieces) if pieces else np.empty(0, np.float32)
    largest = float(np.max(np.abs(steps), initial=0.0))
    if not math.isfinite(largest):
        raise AnswerError(f"{text[:60]!r}: a sample beyond every number of steps.")
    coarser = math.ceil(largest / CODES_AT_MOST) if largest > CODES_AT_MOST else 1
    codes = np.rint(steps / np.float32(coarser), out=steps).astype(np.int16)
    return Samples(codes, layout.scale_v * coarser, layout.offset_v, -32768, 32768)


def _steps(piece: str, layout: Layout) -> NDArray[np.float32]:
    if not _TEXT.fullmatch(piece):
        raise AnswerError(f"{piece[:60]!r}: not numbers between commas.")
    try:
        numbers = np.array([float(part) for part in piece.split(",") if part.strip()], np.float64)
    except ValueError as error:
        raise AnswerError(f"{piece[:60]!r}: not numbers between commas ({error}).") from error
    if np.any(np.abs(numbers) >= scpi.INFINITY * (1 - 1e-5)):
        raise AnswerError(f"{piece[:60]!r}: overload or not-a-number among the samples.")
    if layout.text_is_volts:
        numbers -= layout.offset_v
        with np.errstate(over="ignore"):
            numbers /= layout.scale_v
    with np.errstate(over="ignore"):
        return numbers.astype(np.float32)


def _pieces(text: str) -> Iterator[str]:
    """The text cut at commas into pieces that are short enough to hold as Python numbers."""
    at = 0
    while at < len(text):
        end = len(text) if len(text) - at <= TEXT_PIECE else text.find(",", at + TEXT_PIECE)
        end = len(text) if end < 0 else end
        yield text[at:end]
        at = end + 1
