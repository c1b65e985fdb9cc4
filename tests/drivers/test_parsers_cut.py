"""Answers that are cut anywhere, followed by anything, or are anything: a value, or one error of the tree.

Clauses of IEEE 488.2 and SCPI-99 are cited from memory.
"""

import struct
from decimal import Decimal

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers import scpi
from drivers.clock import SystemClock
from drivers.dialects import generator_dialect, scope_dialect
from drivers.errors import AnswerError, DriverError, LinkError, LinkTimeout
from drivers.links.hislip import HEADER, HislipLink, Kind
from drivers.links.stream import StreamLink
from drivers.links.vxi11 import CORE_PROGRAM, CORE_VERSION, Rpc, Vxi11Link
from drivers.plain_talk import PlainTalk, proof_of
from drivers.preambles import read_key_values, read_keys, read_ten_fields
from drivers.readings import Flag, Quantity
from drivers.streaming import StreamPattern
from drivers.template_generator import TemplateGenerator

CLOCK = SystemClock()
SOON_S = 5.0
PRINTABLE = st.characters(min_codepoint=32, max_codepoint=126)
DIGITS = "[0-9]{1,9}"
NR1 = rf"[+-]?{DIGITS}"  # IEEE 488.2, 8.7.2
NR2 = rf"[+-]?{DIGITS}\.{DIGITS}"  # 8.7.3
NR3 = rf"[+-]?{DIGITS}\.{DIGITS}E[+-][0-2]?[0-9]"  # 8.7.4
CUTS = st.lists(st.integers(1, 40), max_size=40)


def pieces(data, cuts):
    """``data`` in pieces of these sizes, the rest byte by byte where they do not reach."""
    at, cut = 0, iter(cuts)
    while at < len(data):
        size = next(cut, 1)
        yield data[at : at + size]
        at += size


class Wire(StreamLink):
    """A stream whose bytes come in given pieces; after the last one it is silent."""

    def __init__(self, arriving):
        super().__init__(CLOCK)
        self._arriving = list(arriving)

    def _send(self, data, deadline_s): ...

    def _receive(self, deadline_s):
        if not self._arriving:
            raise LinkTimeout("silent")
        return self._arriving.pop(0)

    def _receive_waiting(self, quiet_s):
        return self._arriving.pop(0) if self._arriving else b""

    def _connect(self, deadline_s): ...

    def _disconnect(self): ...


# ---- framing

LINES = st.tuples(st.just(False), st.binary(max_size=30).map(lambda line: line.replace(b"\n", b"").replace(b"\r", b"")))
BLOCKS = st.tuples(st.just(True), st.binary(max_size=60))


@given(st.lists(LINES | BLOCKS, max_size=6), CUTS)
def test_lines_and_blocks_are_the_same_however_the_stream_is_cut(messages, cuts):
    """IEEE 488.2, 8.5: NL ends a response; 8.7.9: NL inside of a block is data."""
    sent = b"".join((scpi.format_block(data) if is_block else data) + b"\n" for is_block, data in messages)
    link = Wire(pieces(sent, cuts))
    deadline_s = CLOCK.monotonic_s() + SOON_S
    for is_block, data in messages:
        assert (link.read_block if is_block else link.read_line)(deadline_s) == data
    assert link.drain(0.0) == b""


@given(st.binary(max_size=60), st.binary(min_size=1, max_size=20), CUTS)
def test_bytes_after_a_block_are_an_answer_error_and_never_data(payload, extra, cuts):
    """IEEE 488.2, 8.5: after the block comes the terminator."""
    sent = scpi.format_block(payload) + extra.replace(b"\n", b" ") + b"\n"
    link = Wire(pieces(sent, cuts))
    if extra.replace(b"\n", b" ").strip():
        with pytest.raises(AnswerError):
            link.read_block(CLOCK.monotonic_s() + SOON_S)
    else:
        assert link.read_block(CLOCK.monotonic_s() + SOON_S) == payload


@given(st.binary(max_size=80), CUTS)
def test_any_stream_gives_a_block_or_an_error_of_the_tree(data, cuts):
    for head in (b"", b"#", b"#1", b"#0", b":CURVE #2"):
        try:
            Wire(pieces(head + data, cuts)).read_block(CLOCK.monotonic_s() + SOON_S)
        except DriverError:
            continue


class Answered:
    """In place of a connection: these bytes come, in such pieces, and then nothing."""

    place = "a test"

    def __init__(self, data, cuts=()):
        self._arriving = bytearray(data)
        self._cuts = iter(cuts)

    def send(self, data, deadline_s): ...

    def receive_at_most(self, count, deadline_s):
        return self.take(min(count, next(self._cuts, count), max(1, len(self._arriving))), deadline_s)

    def take(self, count, deadline_s):
        if count > len(self._arriving):
            raise LinkTimeout("silent")
        taken = self._arriving[:count]
        del self._arriving[:count]
        return taken

    def something_waits(self):
        return bool(self._arriving)

    def close(self): ...


def hislip(channel):
    link = HislipLink("127.0.0.1", 1, "hislip0", CLOCK)
    link._sync, link._asked = channel, 0xFFFF_FF00
    return link


def data_message(payload, kind=Kind.DATA_END, number=0xFFFF_FF00):
    return HEADER.pack(b"HS", kind, 0, number, len(payload)) + payload


@given(st.lists(st.binary(min_size=1, max_size=20), min_size=1, max_size=4), CUTS)
def test_a_hislip_answer_in_several_messages_is_whole_however_it_is_cut(parts, cuts):
    """IVI-6.1, 2.4: Data messages, the last of them DataEnd."""
    sent = b"".join(data_message(part, Kind.DATA) for part in parts[:-1]) + data_message(parts[-1])
    assert hislip(Answered(sent, cuts))._receive_message(CLOCK.monotonic_s() + SOON_S) == b"".join(parts)
    for end in range(len(sent)):
        with pytest.raises(LinkTimeout):
            hislip(Answered(sent[:end], cuts))._receive_message(CLOCK.monotonic_s() + SOON_S)


@given(st.binary(max_size=60) | st.builds(lambda rest: b"HS" + rest, st.binary(min_size=14, max_size=60)))
def test_any_bytes_over_hislip_are_an_answer_or_a_link_error(data):
    try:
        hislip(Answered(data)).read_line(CLOCK.monotonic_s() + SOON_S)
    except LinkError:
        return


def vxi11(data, cuts=()):
    link = Vxi11Link("127.0.0.1", 1, "inst0", CLOCK)
    rpc = Rpc("127.0.0.1", 1, CORE_PROGRAM, CORE_VERSION, CLOCK)
    rpc.channel = Answered(data, cuts)
    link._rpc = rpc
    return link


def reply(payload, reason=4, number=1, last=True):
    padded = payload + bytes(-len(payload) % 4)
    body = struct.pack("!6I", number, 1, 0, 0, 0, 0) + struct.pack("!3I", 0, reason, len(payload)) + padded
    return struct.pack("!I", (0x8000_0000 if last else 0) | len(body)) + body


@given(st.binary(max_size=50), CUTS)
def test_a_vxi11_answer_is_whole_however_it_is_cut(payload, cuts):
    """VXI-11.1, B.6.4 over RFC 5531, 11."""
    sent = reply(payload)
    assert vxi11(sent, cuts)._receive_message(CLOCK.monotonic_s() + SOON_S) == payload
    for end in range(len(sent)):
        with pytest.raises(LinkTimeout):
            vxi11(sent[:end], cuts)._receive_message(CLOCK.monotonic_s() + SOON_S)


@given(st.binary(max_size=60) | st.builds(
    lambda body: struct.pack("!I", 0x8000_0000 | len(body)) + body,
    st.builds(lambda rest: struct.pack("!6I", 1, 1, 0, 0, 0, 0) + rest, st.binary(max_size=40)),
))  # fmt: skip
def test_any_bytes_over_vxi11_are_an_answer_or_a_link_error(data):
    try:
        vxi11(data).read_line(CLOCK.monotonic_s() + SOON_S)
    except LinkError:
        return


# ---- numbers, identities, entries of the error queue


@given(st.from_regex(f"(?:{NR1}|{NR2}|{NR3})", fullmatch=True))
def test_every_number_of_the_standard_is_that_number(text):
    """IEEE 488.2, 8.7.2 to 8.7.4, against Python's own decimal arithmetic."""
    assert scpi.read_number(text) == (float(Decimal(text)), Flag.NONE)
    assert scpi.read_finite(f" {text}\r") == float(Decimal(text))


@given(st.from_regex(f"(?:{NR1}|{NR2}|{NR3})", fullmatch=True), st.text(PRINTABLE, min_size=1, max_size=5))
def test_a_number_with_anything_behind_it_is_another_number_or_none(text, extra):
    """The rest of an earlier answer is never cut off: 12.5;3 or 12.5 3 is no number at all."""
    try:
        value, flag = scpi.read_number(text + extra)
    except AnswerError:
        return
    assert flag or not extra.strip() or value == float(Decimal((text + extra).strip()))


@pytest.mark.parametrize("read", [scpi.read_number, scpi.read_integer, scpi.read_boolean, scpi.read_finite])
@pytest.mark.parametrize("extra", [";1", ",1", " 1", "\n1", "#", '"', "V", "\x00"])
def test_nothing_may_follow_a_number(read, extra):
    with pytest.raises(AnswerError):
        read(f"1{extra}")


FIELD = st.text(PRINTABLE.filter(lambda letter: letter not in ",;\"'"), max_size=12).map(str.strip)


@given(st.from_regex("[A-Z][A-Z0-9 ]{0,10}", fullmatch=True).map(str.strip), FIELD, FIELD, FIELD)
def test_the_four_fields_of_any_identity_come_back(maker, model, serial, firmware):
    """IEEE 488.2, 10.14.3: four fields between commas."""
    read = scpi.read_identity(f"{maker},{model},{serial},{firmware}")
    assert (read.maker, read.model, read.serial, read.firmware) == (maker, model, serial, firmware)


@given(st.integers(-999, 32767), st.text(PRINTABLE, max_size=30).map(str.strip))
def test_any_entry_of_the_error_queue_comes_back(number, text):
    """SCPI-99 vol. 2, 21.8: a number, then string data (IEEE 488.2, 8.7.8: quotes inside are doubled)."""
    quoted = text.replace('"', '""')
    assert scpi.read_error(f'{number},"{quoted}"') == (number, text)
    assert scpi.read_error(f"{number:+d}, '{text.replace(chr(39), chr(39) * 2)}'") == (number, text)


# ---- preambles

A, B = (getattr(scope_dialect(f"form_{each}").transfer, f"form_{each}") for each in "ab")
STEP = st.floats(1e-12, 1e3)
OFFSET = st.floats(-1e6, 1e6)


@given(st.sampled_from([0, 1, 2, 4]), st.integers(0, 10**7), STEP, OFFSET, STEP, OFFSET, st.integers(0, 65535))
def test_a_preamble_of_ten_fields_means_what_was_written_and_no_beginning_of_it_means_anything(
    format_, points, dt_s, origin_s, step_v, origin_v, reference
):
    text = f"{format_},0,{points},1,{dt_s!r},{origin_s!r},0,{step_v!r},{origin_v!r},{reference}"
    layout = read_ten_fields(text, A)
    assert (layout.points, layout.dt_s, layout.start_s, layout.scale_v) == (points, dt_s, origin_s, step_v)
    assert layout.offset_v == origin_v - reference * step_v
    for end in range(text.rindex(",")):
        with pytest.raises(AnswerError):
            read_ten_fields(text[:end], A)
    for extra in (",0", ",", " 7", ";1"):
        with pytest.raises(AnswerError):
            read_ten_fields(text + extra, A)


KEYS = {
    "BYT_NR": "1", "ENCDG": "BIN", "BN_FMT": "RI", "BYT_OR": "MSB", "NR_PT": "4", "XINCR": "1E-3", "PT_OFF": "0",
    "XZERO": "0.0", "YMULT": "4E-2", "YZERO": "0", "YOFF": "0",
}  # fmt: skip


@given(st.permutations(list(KEYS)), st.sampled_from(["", ":WFMPRE:", ":WFMP:"]), st.sampled_from(["", ";", ";X 1"]))
def test_keys_and_values_mean_the_same_in_any_order_and_with_others_behind(order, header, behind):
    text = ";".join(f"{header}{key} {KEYS[key]}" for key in order) + behind
    usual = read_key_values(read_keys(";".join(f"{key} {value}" for key, value in KEYS.items())), B)
    assert read_key_values(read_keys(text), B) == usual


# ---- lines that a meter sends by itself, answers of a dialect

STREAM = StreamPattern(r"(?P<function>DC|AC) +(?P<value>[-+0-9.]+|OL)(?P<unit>[mk]?V)")


@given(
    st.sampled_from(["DC", "AC"]),
    st.from_regex(r"-?[0-9]{1,4}\.[0-9]{1,3}", fullmatch=True),
    st.sampled_from(["m", "k", ""]),
)
def test_a_streamed_line_means_what_was_written_and_no_beginning_of_it_means_anything(function, number, prefix):
    line = f"{function} {number}{prefix}V".encode()
    read = STREAM.read(line)
    assert read.value == pytest.approx(float(number) * {"m": 1e-3, "k": 1e3, "": 1.0}[prefix])
    assert read.quantity == {"DC": Quantity.DC_V, "AC": Quantity.AC_V}[function]
    for end in range(len(line)):
        with pytest.raises(AnswerError):
            STREAM.read(line[:end])
    for extra in (b" ", b"\r"):
        assert STREAM.read(line + extra).value == read.value
    for extra in (b"V", b" 1", b";", b"\x00"):
        with pytest.raises(AnswerError):
            STREAM.read(line + extra)


LETTERS = generator_dialect("letters")
RIGHT = {"ID": b"SIGNAL SOURCE 3", "QF": b"FR0010.7000MZ", "QA": b"AP-47.0DM", "QR": b"RF0", "QM": b"AM30PC"}


class Talking(Wire):
    """Answers the letters' questions; one of them otherwise."""

    def __init__(self, **other):
        super().__init__([])
        self._answers = RIGHT | other

    def _send(self, data, deadline_s):
        answer = self._answers.get(data.decode().strip())
        if answer is not None:
            self._arriving.append(answer + b"\n")


def read_back(link):
    proof = proof_of(LETTERS.identify, LETTERS.identity, [(ask.query, ask.answer) for ask in LETTERS.ask])
    talk = PlainTalk(link, CLOCK, SOON_S, proof)
    driver = TemplateGenerator(talk, LETTERS, "a test", -20.0, False, lambda: None)
    return {reading.quantity: reading.value for reading in driver.poll().readings}


def test_the_answers_of_a_dialect_are_read_whole():
    values = read_back(Talking())
    assert values[Quantity.FREQUENCY] == pytest.approx(10.7e6)
    assert (values[Quantity.LEVEL], values[Quantity.OUTPUT], values[Quantity.AM_DEPTH]) == (-47.0, 0.0, 30.0)


@pytest.mark.parametrize("query", ["QF", "QA", "QR", "QM"])
def test_no_beginning_of_a_dialects_answer_and_nothing_behind_it_is_a_value(query):
    whole = RIGHT[query]
    wrong = [whole[:end] for end in range(len(whole))] + [whole + extra for extra in (b"0", b"\n1", b" RF1", b";")]
    for answer in wrong:
        with pytest.raises(DriverError):
            read_back(Talking(**{query: answer}))


@given(
    st.sampled_from(["ID", "QF", "QA", "QR", "QM"]),
    st.binary(max_size=20) | st.text("FRAPMZDC0123456789.-").map(str.encode),
)
def test_any_answer_to_a_dialects_question_is_a_value_or_an_error_of_the_tree(query, answer):
    try:
        values = read_back(Talking(**{query: answer}))
    except DriverError:
        return
    assert all(np.isfinite(value) for value in values.values())
