"""Program messages taken apart. Source of the syntax: IEEE 488.2-1992, clause 7 (clause numbers from memory)."""

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from simulated_instruments.language.errors import LanguageError
from simulated_instruments.language.framing import LONGEST_MESSAGE, MessageSplitter
from simulated_instruments.language.lexing import Kind, parameter, program_units


def units(message):
    return [(unit.header, unit.query, len(unit.parameters)) for unit in program_units(message)]


def refusal(call):
    with pytest.raises(LanguageError) as caught:
        call()
    return caught.value.code


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("12", 12.0),
        ("-1.2", -1.2),
        ("+.5", 0.5),
        ("3.", 3.0),
        ("1.5E3", 1500.0),
        ("1.5 e +3", 1500.0),
        ("#H1F", 31.0),
        ("#q17", 15.0),
        ("#B101", 5.0),
    ],
)
def test_numbers_of_every_form_of_488_2_are_read(text, value):
    """IEEE 488.2, 7.7.2 (white space around E is allowed) and 7.7.4 (hexadecimal, octal, binary)."""
    assert parameter(text).number == value


def test_a_suffix_is_kept_apart_from_the_exponent():
    found = parameter("1.2E2 MHZ")
    assert (found.number, found.suffix) == (120.0, "MHZ")


@pytest.mark.parametrize(
    ("text", "code"),
    [("1.2.3", -120), ("1E99999", -120), ("'open", -151), ("#3", -161), ("#15ab", -161)],
)
def test_what_is_no_datum_gets_its_own_error(text, code):
    assert refusal(lambda: list(program_units(f"A {text}".encode()))) == code


def test_a_doubled_quote_stands_for_one():
    """IEEE 488.2, 7.7.5."""
    assert parameter("'it''s'").text == "it's"
    assert parameter('"a;b,c"').text == "a;b,c"


def test_separators_inside_strings_blocks_and_expressions_separate_nothing():
    message = b"A 'x;y,z',#15a;,b\x0a,(@1,2);B?"
    assert units(message) == [("A", False, 3), ("B", True, 0)]
    kinds = [datum.kind for datum in next(program_units(message)).parameters]
    assert kinds == [Kind.STRING, Kind.BLOCK, Kind.EXPRESSION]


def test_a_block_keeps_all_its_bytes():
    """IEEE 488.2, 7.7.6: any 8-bit byte, the newline included."""
    data = bytes(range(256))
    (unit,) = program_units(b"DATA #3256" + data)
    assert unit.parameters[0].block == data


def test_empty_units_are_skipped_and_headers_are_not_case_sensitive():
    assert units(b" ;*idn?;; :Syst:Err? ") == [("*IDN", True, 0), (":SYST:ERR", True, 0)]


def test_a_relative_header_of_several_nodes_is_one_header():
    assert units(b"MEAS:CURR?;VOLT?") == [("MEAS:CURR", True, 0), ("VOLT", True, 0)]


@pytest.mark.parametrize(
    ("text", "code"),
    [("1A", -102), ("A!", -103), ("A\xe9", -101), ("ABCDEFGHIJKLM", -112), ("A ,1", -109)],
)
def test_a_broken_header_or_separator_gets_its_own_error(text, code):
    """SCPI-99 vol. 2, 21.8.9 (from memory); 12 characters is the longest mnemonic, IEEE 488.2, 7.6.1.2."""
    assert refusal(lambda: list(program_units(text.encode("latin-1")))) == code


@given(st.binary(max_size=60))
@example(b"#\xb2")
def test_any_bytes_give_units_or_one_named_error(message):
    try:
        list(program_units(message))
    except LanguageError as error:
        assert error.code < 0


@pytest.mark.parametrize("size", [1, 2, 7, 1000])
def test_messages_are_the_same_however_the_bytes_arrive(size):
    """A newline ends a message, except inside a definite block (IEEE 488.2, 7.5 and 7.7.6)."""
    stream = b"*IDN?\nDATA #14a\nb\n;*OPC?\n'#1';A?\n"
    splitter = MessageSplitter()
    found = []
    for at in range(0, len(stream), size):
        found += splitter.feed(stream[at : at + size])
    assert found == [b"*IDN?", b"DATA #14a\nb\n;*OPC?", b"'#1';A?"]


def test_a_message_without_end_is_thrown_away_and_the_next_one_is_heard():
    splitter = MessageSplitter()
    assert splitter.feed(b"x" * (LONGEST_MESSAGE + 1)) == []
    assert splitter.feed(b"xx\n*IDN?\n") == [None, b"*IDN?"]


def test_a_mangled_block_does_not_swallow_the_newline():
    assert MessageSplitter().feed(b"A #9\nB\n") == [b"A #9", b"B"]
