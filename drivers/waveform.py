"""Preamble and samples of a scope's channel to codes and volts. Pure, no I/O."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drivers import scpi
from drivers.dialects import ScopeDialect
from drivers.errors import AnswerError

CODES_AT_MOST = 32767


@dataclass(frozen=True, slots=True)
class Preamble:
    """The ten fields of form A; seconds and volts."""

    format: int
    points: int
    dt_s: float
    first_s: float
    first_number: float
    scale_v: float
    offset_v: float
    reference_code: float

    @property
    def start_s(self) -> float:
        """Time of the first sample, seconds from the trigger."""
        return self.first_s - self.first_number * self.dt_s


@dataclass(frozen=True, slots=True)
class Samples:
    """Codes as int16 with the volts they stand for, as in ``drivers.readings.Trace``."""

    codes: NDArray[np.int16]
    scale_v: float
    offset_v: float
    lowest_code: int
    highest_code: int


def read_preamble(text: str) -> Preamble:
    """The ten fields of a form A preamble. Raises ``AnswerError``."""
    parts = text.split(",")
    if len(parts) != 10:
        raise AnswerError(f"{text[:80]!r}: a preamble of form A has 10 fields, this one has {len(parts)}.")
    numbers = [scpi.read_finite(part) for part in parts]
    if numbers[4] <= 0 or numbers[7] <= 0 or numbers[2] < 0:
        raise AnswerError(f"{text[:80]!r}: increments must be above zero and points not below.")
    return Preamble(round(numbers[0]), round(numbers[2]), *numbers[4:])


def samples_from_bytes(data: bytes, preamble: Preamble, signed: bool) -> Samples:
    """8-bit samples."""
    codes = np.frombuffer(data, np.int8 if signed else np.uint8).astype(np.int16)
    lowest, highest = (-128, 127) if signed else (0, 255)
    return _samples(codes, preamble, 0, lowest, highest)


def samples_from_words(data: bytes, preamble: Preamble, signed: bool, high_byte_first: bool) -> Samples:
    """16-bit samples; unsigned ones are moved down by 32768 so that they fit, volts unchanged."""
    if len(data) % 2:
        raise AnswerError(f"{len(data)} bytes are no whole number of 16-bit samples.")
    kind = (">" if high_byte_first else "<") + ("i2" if signed else "u2")
    wide = np.frombuffer(data, kind).astype(np.int32)
    moved = 0 if signed else 32768
    return _samples((wide - moved).astype(np.int16), preamble, moved, -32768, 32767)


def samples_from_text(text: str, preamble: Preamble) -> Samples:
    """Samples as volts in text, turned into codes of the preamble's step, or of a coarser one where
    those would not fit. Text does not tell the converter's ends: none of its samples counts as clipped."""
    volts = np.array([scpi.read_finite(part) for part in text.split(",") if part.strip()], np.float64)
    relative = (volts - preamble.offset_v) / preamble.scale_v
    largest = float(np.max(np.abs(relative), initial=0.0))
    coarser = math.ceil(largest / CODES_AT_MOST) if largest > CODES_AT_MOST else 1
    codes = np.round(relative / coarser).astype(np.int16)
    return Samples(codes, preamble.scale_v * coarser, preamble.offset_v, -32768, 32768)


def read_samples(
    data: bytes, preamble: Preamble, dialect: ScopeDialect, signed: bool, high_byte_first: bool
) -> Samples:
    """Samples in the preamble's format. Raises ``AnswerError``."""
    if preamble.format in dialect.bytes_formats:
        return samples_from_bytes(data, preamble, signed)
    if preamble.format in dialect.words_formats:
        return samples_from_words(data, preamble, signed, high_byte_first)
    if preamble.format in dialect.text_formats:
        return samples_from_text(scpi.decode(data), preamble)
    raise AnswerError(f"{dialect.name}: format {preamble.format} is unknown: set the scope to bytes, words or text.")


def _samples(codes: NDArray[np.int16], preamble: Preamble, moved: int, lowest: int, highest: int) -> Samples:
    offset_v = preamble.offset_v + (moved - preamble.reference_code) * preamble.scale_v
    return Samples(codes, preamble.scale_v, offset_v, lowest, highest)
