"""Asking a scope for the waveform of a channel in the form that its dialect says."""

import re
from collections.abc import Callable
from dataclasses import dataclass, replace

from drivers import scpi
from drivers.conversation import Answer, Conversation
from drivers.dialects import ScopeDialect, scope_dialect, scope_dialects
from drivers.dialects.scope_words import FormA, FormB, FormC
from drivers.errors import AnswerError, DriverError
from drivers.preambles import questions_b, read_descriptor, read_key_values, read_keys, read_ten_fields, read_values
from drivers.waveform import Layout, Samples, read_samples

BLOCK_TIMEOUT_S = 5.0  # a scope may finish drawing before it begins to answer

Word = Callable[[str], str | None]  # the answer to an optional question, capitals


@dataclass(frozen=True, slots=True)
class Waveform:
    """The samples of one channel and what was said about them."""

    layout: Layout
    samples: Samples


def fetch(talk: Conversation, words: FormA | FormB | FormC, channel: int, word: Word) -> Answer[Waveform]:
    """The waveform of ``channel``, dated by the question that latched it."""
    if isinstance(words, FormC):
        return _fetch_c(talk, words, channel)
    about = _about_a(talk, words, word) if isinstance(words, FormA) else _about_b(talk, words)
    samples = read_samples(_data(talk, words.data.format(channel=channel), about.value), about.value)
    return Answer(Waveform(about.value, samples), about.t_us, about.half_width_us)


def _about_a(talk: Conversation, words: FormA, word: Word) -> Answer[Layout]:
    """Ten fields; how the codes are written is asked for apart, once it is known that they are codes."""
    about = talk.ask(words.preamble, lambda text: read_ten_fields(text, words))
    layout = about.value
    if layout.bytes_a_sample == 0:
        return about
    unsigned = word(words.unsigned)
    if unsigned not in (None, "0", "1", "ON", "OFF"):
        raise AnswerError(f"{unsigned!r}: neither on nor off, asked whether samples are unsigned ({words.unsigned}).")
    signed = unsigned in ("0", "OFF")
    high = layout.bytes_a_sample == 2 and word(words.byte_order) in words.high_byte_first
    return Answer(replace(layout, signed=signed, high_byte_first=high), about.t_us, about.half_width_us)


def _about_b(talk: Conversation, words: FormB) -> Answer[Layout]:
    whole = talk.ask(words.preamble, read_keys)
    if whole.value:
        return Answer(read_key_values(whole.value, words), whole.t_us, whole.half_width_us)
    # The scope answers without keys, in an order of its own: ask for each field by its key.
    answers = [talk.ask(question, str) for question in questions_b(words)]
    values = read_values([answer.value for answer in answers], words)
    return Answer(read_key_values(values, words), whole.t_us, whole.half_width_us)


def _data(talk: Conversation, query: str, layout: Layout) -> bytes:
    if layout.bytes_a_sample:
        return talk.ask_block(query, BLOCK_TIMEOUT_S).value
    return talk.ask(query, _text_samples, BLOCK_TIMEOUT_S).value


def _text_samples(text: str) -> bytes:
    """Samples as text come bare, behind a response header, or inside of a block."""
    data = text.encode("ascii")
    header = scpi.block_header(data) if b"#" in data[:80] else None
    if header is None:
        return data if not data[:1].isalpha() and data[:1] != b":" else data.partition(b" ")[2]
    return data[header.start :]


def _fetch_c(talk: Conversation, words: FormC, channel: int) -> Answer[Waveform]:
    block = talk.ask_block(words.data.format(channel=channel), BLOCK_TIMEOUT_S)
    layout, data = read_descriptor(block.value, words)
    return Answer(Waveform(layout, read_samples(data, layout)), block.t_us, block.half_width_us)


def find_dialect(talk: Conversation) -> ScopeDialect:
    """The first dialect that the scope understands, asked one after the other, never by its maker's name."""
    tried = []
    for name in scope_dialects():
        dialect = scope_dialect(name)
        if dialect.recognise and talk.try_ask(dialect.recognise, _matching(dialect.recognised_by)) is not None:
            return dialect
        tried.append(f"{dialect.name} ({dialect.recognise})")
    raise DriverError(
        f"{talk.identity} understands none of {', '.join(tried)}: write a dialect file with its words and "
        'name it in the bench file, dialect = "mine.toml".'
    )


def _matching(pattern: str) -> Callable[[str], str]:
    def read(text: str) -> str:
        if re.fullmatch(pattern, text) is None:
            raise AnswerError(f"{text[:80]!r}: another answer than this dialect has.")
        return text

    return read
