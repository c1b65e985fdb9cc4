"""What a scope says in front of its samples, in each of the three forms, to a ``Layout``. Pure, no I/O.

Every reader gives a value or raises ``AnswerError``.
"""

import math
import re
import struct
from collections.abc import Mapping, Sequence

from drivers import scpi
from drivers.dialects.scope_words import FormA, FormB, FormC, Place
from drivers.errors import AnswerError
from drivers.waveform import Layout

POINTS_AT_MOST = 1_000_000_000
_KEY = re.compile(r"[A-Za-z:][A-Za-z0-9_:]*")
_STRUCT = {
    "int8": "b",
    "uint8": "B",
    "int16": "h",
    "uint16": "H",
    "int32": "i",
    "uint32": "I",
    "float32": "f",
    "float64": "d",
}


def read_ten_fields(text: str, words: FormA, signed: bool = False, high_byte_first: bool = False) -> Layout:
    """The preamble of form A; byte order and sign are asked for apart."""
    parts = text.split(",")
    if len(parts) != 10:
        raise AnswerError(f"{text[:80]!r}: a preamble of form A has 10 fields, this one has {len(parts)}.")
    # Only in front of the first field a response header may stand (IEEE 488.2, 8.4).
    numbers = [scpi.read_finite(scpi.last_word(parts[0])), *map(scpi.read_finite, parts[1:])]
    format_, points = round(numbers[0]), round(numbers[2])
    dt_s, first_s, first_number, scale_v, origin_v, reference = numbers[4:]
    sizes = [(words.bytes_formats, 1), (words.words_formats, 2), (words.text_formats, 0)]
    size = next((size for formats, size in sizes if format_ in formats), None)
    if size is None:
        raise AnswerError(f"format {format_} of the waveform is unknown: set the scope to bytes, words or text.")
    return checked(
        Layout(
            bytes_a_sample=size,
            points=points,
            dt_s=dt_s,
            start_s=first_s - first_number * dt_s,
            scale_v=scale_v,
            offset_v=origin_v - reference * scale_v,
            signed=signed,
            high_byte_first=high_byte_first,
            text_is_volts=True,
        ),
        text,
    )


def read_keys(text: str) -> dict[str, str]:
    """Keys (last node, capitals) and values of a preamble of form B; one without keys gives none."""
    pairs = [part.strip().partition(" ") for part in scpi.split_outside_quotes(text, ";")]
    return {
        key.rpartition(":")[2].upper(): scpi.unquoted(value).upper()
        for key, _, value in pairs
        if value and _KEY.fullmatch(key)
    }


def questions_b(words: FormB) -> list[str]:
    """What is asked one by one where a preamble comes without its keys, in the order of ``read_values``."""
    return [words.one_field.format(key=spellings[0]) for spellings in _needed(words)]


def read_values(answers: Sequence[str], words: FormB) -> dict[str, str]:
    """Keys and values from the answers to ``questions_b``, each with or without its header."""
    keys = [spellings[0] for spellings in _needed(words)]
    if len(answers) != len(keys):
        raise AnswerError(f"{len(keys)} fields of the preamble were asked for, {len(answers)} came.")
    return {key: scpi.last_word(answer).upper() for key, answer in zip(keys, answers, strict=True)}


def _needed(words: FormB) -> list[tuple[str, ...]]:
    return [
        words.bytes_a_sample, words.encoding, words.number_form, words.byte_order, words.points, words.dt_s,
        words.start_s, words.first_number, words.scale_v, words.offset_v, words.reference_code,
    ]  # fmt: skip


def read_key_values(values: Mapping[str, str], words: FormB) -> Layout:
    """The preamble of form B from its keys and values."""
    is_text = _word(values, words.encoding) in words.text_encodings
    size = 0 if is_text else round(_number(values, words.bytes_a_sample))
    if size not in (0, 1, 2):
        raise AnswerError(f"{size} bytes a sample: set the scope to 1 or 2.")
    dt_s, scale_v = _number(values, words.dt_s), _number(values, words.scale_v)
    layout = Layout(
        bytes_a_sample=size,
        points=round(_number(values, words.points)),
        dt_s=dt_s,
        start_s=_number(values, words.start_s) - dt_s * _number(values, words.first_number),
        scale_v=scale_v,
        offset_v=_number(values, words.offset_v) - _number(values, words.reference_code) * scale_v,
        signed=not is_text and _word(values, words.number_form) in words.signed,
        high_byte_first=size == 2 and _word(values, words.byte_order) in words.high_byte_first,
    )
    return checked(layout, str(dict(values)))


def _word(values: Mapping[str, str], spellings: tuple[str, ...]) -> str:
    for spelling in spellings:
        if spelling in values:
            return values[spelling]
    raise AnswerError(f"the preamble has no {' or '.join(spellings)}: it holds {', '.join(values)[:80] or 'no keys'}.")


def _number(values: Mapping[str, str], spellings: tuple[str, ...]) -> float:
    return scpi.read_finite(_word(values, spellings))


def read_descriptor(block: bytes, words: FormC) -> tuple[Layout, memoryview]:
    """The layout of form C's block, and its samples without copying them."""
    start = block.find(words.signature.encode("ascii"), 0, 64)
    if start < 0:
        raise AnswerError(f"{bytes(block[:24])!r}: the block does not begin with the descriptor {words.signature}.")
    view = memoryview(block)[start:]
    low_first = _field(view, Place(words.byte_order_at, "int16"), "<") == words.low_byte_first
    order = "<" if low_first else ">"

    def number(place: Place) -> float:
        return _field(view, place, order)

    size = 2 if number(Place(words.sample_size_at, "int16")) == words.words else 1
    lengths = [number(place) for place in words.before_data]
    first, count = round(sum(lengths)), round(number(words.data_bytes))
    if min(*lengths, count) < 0 or first + count > len(view):
        raise AnswerError(f"the descriptor announces {first} + {count} bytes, the block has {len(view)}.")
    dt_s, factor = number(words.dt_s), number(words.probe_factor) if words.probe_factor else None
    gain = factor if factor and not words.probe_in_scale else 1.0
    layout = Layout(
        bytes_a_sample=size,
        points=count // size,
        dt_s=dt_s,
        start_s=number(words.start_s),
        scale_v=number(words.scale_v) * gain,
        offset_v=-number(words.offset_v) * gain,
        signed=words.signed,
        high_byte_first=not low_first,
        lowest_code=round(number(words.lowest_code)) if words.lowest_code else None,
        highest_code=round(number(words.highest_code)) if words.highest_code else None,
        probe_factor=factor or None,
    )
    return checked(layout, words.signature), view[first : first + count]


def _field(view: memoryview, place: Place, order: str) -> float:
    try:
        (value,) = struct.unpack_from(order + _STRUCT[place.kind], view, place.at)
    except struct.error as error:
        raise AnswerError(f"the descriptor ends at {len(view)} bytes, before its field at {place.at}.") from error
    if not math.isfinite(value):
        raise AnswerError(f"the descriptor's field at {place.at} is {value}.")
    return float(value)


def checked(layout: Layout, text: str) -> Layout:
    """The layout, where its numbers can be those of a waveform. Raises ``AnswerError``."""
    if layout.dt_s <= 0 or layout.scale_v == 0 or not 0 <= layout.points <= POINTS_AT_MOST:
        raise AnswerError(f"{text[:80]!r}: time increments must be above zero, volt increments not zero.")
    if not all(map(math.isfinite, (layout.start_s, layout.offset_v, layout.dt_s * layout.points))):
        raise AnswerError(f"{text[:80]!r}: numbers beyond every scope.")
    return layout
