"""Syntax of IEEE 488.2-1992 and SCPI-99. Clauses are cited from memory where no example is quoted.

Each reader is held to one sentence: a value, or ``AnswerError``, never another exception.
"""

import math
import string

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers import scpi
from drivers.errors import AnswerError
from drivers.readings import Flag, Identity, Quantity

READERS = [
    scpi.read_integer,
    scpi.read_number,
    scpi.read_finite,
    scpi.read_boolean,
    scpi.read_identity,
    scpi.read_error,
    scpi.read_configuration,
]


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("123", 123.0),  # NR1, 8.7.2
        ("-15", -15.0),
        ("+0", 0.0),
        ("12.3", 12.3),  # NR2, 8.7.3
        ("-0.5", -0.5),
        ("+1.250000E+01", 12.5),  # NR3, 8.7.4
        ("-4.5E-03", -0.0045),
        (" 1.0E+00\r", 1.0),
        (".5", 0.5),  # beyond the letter of 8.7.3, and sent by instruments
        ("5.", 5.0),
        ("1e3", 1000.0),
    ],
)
def test_numbers_of_all_three_forms_are_read(text, value):
    """IEEE 488.2, 8.7.2 to 8.7.4."""
    assert scpi.read_number(text) == (value, Flag.NONE)


@pytest.mark.parametrize(
    "text",
    ["", "-", ".", "12.3.4", "1E", "E5", "1,5", "0x10", "1_000", "1 000", "--1", "1.0V", "\u0661", "infinity", "#12hi"],
)
def test_what_is_no_number_is_an_answer_error(text):
    with pytest.raises(AnswerError):
        scpi.read_number(text)


@pytest.mark.parametrize("text", ["9.9E37", "9.90000000E+37", "+9.9E+37", "-9.9E37", "1E38", "INF", "NINF"])
def test_infinity_is_overload_whatever_its_sign(text):
    """SCPI-99 vol. 1, 7.2.1.4: infinity is 9.9E37, negative infinity -9.9E37."""
    value, flag = scpi.read_number(text)
    assert math.isnan(value)
    assert flag is Flag.OVERLOAD


@pytest.mark.parametrize("text", ["9.91E37", "9.910000E+37", "NAN"])
def test_not_a_number_is_told_from_overload(text):
    """SCPI-99 vol. 1, 7.2.1.5: not-a-number is 9.91E37."""
    value, flag = scpi.read_number(text)
    assert math.isnan(value)
    assert flag is Flag.NOT_A_NUMBER


@pytest.mark.parametrize("text", ["9.8E37", "-9.8E37", "1.0E37"])
def test_large_numbers_below_infinity_are_values(text):
    assert scpi.read_number(text) == (float(text), Flag.NONE)


def test_an_overload_is_no_setting():
    with pytest.raises(AnswerError):
        scpi.read_finite("9.9E37")


@given(st.floats(allow_nan=False, allow_infinity=False, min_value=-9.8e37, max_value=9.8e37))
def test_a_number_that_is_written_reads_back_as_itself(value):
    assert scpi.read_finite(scpi.format_number(value)) == value


@pytest.mark.parametrize("value", [math.nan, math.inf])
def test_what_is_no_number_is_never_sent(value):
    with pytest.raises(ValueError):
        scpi.format_number(value)


@pytest.mark.parametrize(
    ("text", "fields"),
    [
        ("MAKER,MODEL 34,SN 1,1.0-2", ("MAKER", "MODEL 34", "SN 1", "1.0-2")),
        ("MAKER,MODEL,0,0", ("MAKER", "MODEL", "0", "0")),  # 10.14.3: 0 where a field is not available
        ("MAKER, MODEL , S,1,2,3", ("MAKER", "MODEL", "S", "1,2,3")),
        ("ONLY A NAME", ("ONLY A NAME", "", "", "")),
        ('"QUOTED,AS,A,WHOLE"', ("QUOTED", "AS", "A", "WHOLE")),
    ],
)
def test_the_four_fields_of_an_identity(text, fields):
    """IEEE 488.2, 10.14.3."""
    assert scpi.read_identity(text) == Identity(*fields)


@pytest.mark.parametrize("text", ["", "+1.25E+01", "1", '0,"No error"', '"', ",,,", "#15hello", "-113,x"])
def test_a_late_answer_is_not_taken_for_an_identity(text):
    with pytest.raises(AnswerError):
        scpi.read_identity(text)


@pytest.mark.parametrize(
    ("text", "entry"),
    [
        ('0,"No error"', (0, "No error")),
        ('+0,"No error"', (0, "No error")),
        ('-113,"Undefined header"', (-113, "Undefined header")),
        ('-113,"Undefined header;FOO?"', (-113, "Undefined header;FOO?")),
        ('-222,"Data out of range, ""10"""', (-222, 'Data out of range, "10"')),
        ("0,No error", (0, "No error")),
    ],
)
def test_entries_of_the_error_queue(text, entry):
    """SCPI-99 vol. 2, 21.8: number, then text as string data; numbers and words of 21.8.9 and 21.8.11."""
    assert scpi.read_error(text) == entry


@pytest.mark.parametrize("text", ["", "0", "No error", '"0,No error"', "1.5,x"])
def test_what_is_no_entry_of_an_error_queue_is_an_answer_error(text):
    with pytest.raises(AnswerError):
        scpi.read_error(text)


@pytest.mark.parametrize(
    ("text", "quantity", "range_", "resolution"),
    [
        ('"VOLT +1.000000E+01,+3.000000E-06"', Quantity.DC_V, 10.0, 3e-6),
        ("VOLT +1.0E+01,+1.0E-5", Quantity.DC_V, 10.0, 1e-5),
        ('"VOLT:DC"', Quantity.DC_V, None, None),
        ("VOLTAGE:AC", Quantity.AC_V, None, None),
        ('"VOLT:AC +1.0E+00,+1.0E-06"', Quantity.AC_V, 1.0, 1e-6),
        ('"CURR:DC 1,1E-6"', Quantity.DC_A, 1.0, 1e-6),
        ('"CURR:AC"', Quantity.AC_A, None, None),
        ('"RES +1.0E+03,+1.0E-03"', Quantity.OHM, 1000.0, 1e-3),
        ('"FRES"', Quantity.OHM_4W, None, None),
        ('"CONT"', Quantity.CONTINUITY, None, None),
        ("DIODe", Quantity.DIODE, None, None),
        ('"FREQ +2.0E+01,+3.0E-05"', Quantity.FREQUENCY, 20.0, 3e-5),
        ('"PER"', Quantity.PERIOD, None, None),
        ('"CAP +1.0E-06,+1.0E-10"', Quantity.CAPACITANCE, 1e-6, 1e-10),
        ('"TEMP TC,K"', Quantity.TEMPERATURE, None, None),
        ('"TEMP:RTD"', Quantity.TEMPERATURE, None, None),
        ('"VOLT DEF,MIN"', Quantity.DC_V, None, None),
        ('"SENS:VOLT:DC"', Quantity.DC_V, None, None),
        ('"XNONe:VOLTage:DC"', Quantity.DC_V, None, None),
        ('"VOLT:DC","FREQ"', Quantity.DC_V, None, None),
        ('"volt:ac"', Quantity.AC_V, None, None),
        ('"VOLT:DC:RAT"', None, None, None),
        ('"POW:AC"', None, None, None),
    ],
)
def test_functions_and_ranges_of_a_meter(text, quantity, range_, resolution):
    """SCPI-99 vol. 2, 3.1 (CONFigure?) and 18.9 (SENSe:FUNCtion?); the forms seen are common practice."""
    read = scpi.read_configuration(text)
    assert (read.quantity, read.range, read.resolution) == (quantity, range_, resolution)


@pytest.mark.parametrize("text", ["", '""', "12.5", "+1.25E+01", "VOLT::DC", "VOLT;DC", "#0"])
def test_what_is_no_function_is_an_answer_error(text):
    with pytest.raises(AnswerError):
        scpi.read_configuration(text)


@pytest.mark.parametrize(
    ("text", "parts"),
    [
        ("1;2;3", ["1", "2", "3"]),
        ('"a;b";2', ['"a;b"', "2"]),
        ('"it""s;here";2', ['"it""s;here"', "2"]),
        ("'a;\"b';2", ["'a;\"b'", "2"]),
        ("", [""]),
    ],
)
def test_answers_in_one_message_are_parted_outside_of_strings(text, parts):
    """IEEE 488.2, 8.4.1: response message units are separated by ;"""
    assert scpi.split_outside_quotes(text, ";") == parts


@pytest.mark.parametrize(("text", "value"), [("1", True), ("0", False), ("ON", True), ("off", False), (" 1\r", True)])
def test_booleans(text, value):
    assert scpi.read_boolean(text) is value


@pytest.mark.parametrize("text", ["2", "-1", "YES", "1.0", ""])
def test_what_is_no_boolean_is_an_answer_error(text):
    with pytest.raises(AnswerError):
        scpi.read_boolean(text)


# --- blocks


def test_the_standards_own_example_of_a_block():
    """IEEE 488.2, 8.7.9.2: five bytes as #15<DAB> or, with leading zero, #205<DAB> (from memory)."""
    assert scpi.take_block(b"#15hello") == (b"hello", b"")
    assert scpi.take_block(b"#205hello") == (b"hello", b"")


@pytest.mark.parametrize("payload", [b"", b"\n", b"#", bytes(range(256)), b"x" * 12345])
@pytest.mark.parametrize("trailing", [b"", b"\n", b"\r\n", b";1.0\n", b"#11x"])
def test_a_block_gives_its_payload_and_what_follows(payload, trailing):
    assert scpi.take_block(scpi.format_block(payload) + trailing) == (payload, trailing)


@pytest.mark.parametrize("payload", [b"", b"\n\n\n", bytes(range(256))])
def test_a_block_that_comes_byte_by_byte_is_not_taken_before_it_is_whole(payload):
    data = scpi.format_block(payload)
    for end in range(len(data)):
        assert scpi.take_block(data[:end]) is None
    assert scpi.take_block(data) == (payload, b"")


@pytest.mark.parametrize("data", [b"12.5\n", b"##", b"#x12", b"#1x", b"#2 5hello", b"#3-12", b"\n"])
def test_what_is_no_block_is_an_answer_error_as_soon_as_that_is_certain(data):
    with pytest.raises(AnswerError):
        scpi.take_block(data)


def test_the_indefinite_block_has_no_size():
    """IEEE 488.2, 8.7.10: #0, then bytes until NL with END."""
    assert scpi.block_header(b"#0abc\n") == scpi.BlockHeader(2, None)


@pytest.mark.parametrize("header", [b":CURVE ", b"CURVE ", b"C1:WF ALL,", b":WAV:DATA "])
def test_a_response_header_before_a_block_is_skipped_whole_and_byte_by_byte(header):
    """IEEE 488.2, 8.4: a response may carry its header."""
    data = header + b"#15hello"
    assert scpi.take_block(data + b"\n") == (b"hello", b"\n")
    for end in range(len(data)):
        assert scpi.take_block(data[:end]) is None
    assert scpi.block_header(header + b"#0ab").size is None


@pytest.mark.parametrize("data", [b"VOLT\n", b"CURVE 12.5\n", b"x" * 70 + b"#15hello", b'"text"'])
def test_a_text_answer_is_no_header_of_a_block(data):
    with pytest.raises(AnswerError):
        scpi.take_block(data)


@pytest.mark.parametrize(
    ("text", "word"),
    [
        ("DC", "DC"),
        (":CH1:COUPLING DC", "DC"),
        ('"VOLT DC"', "VOLT DC"),
        ('FUNC "VOLT"', "VOLT"),
        ("12.5 7", "12.5 7"),  # a number is no header: of two, neither is the value
        ("", ""),
    ],
)
def test_the_value_of_an_answer_is_what_follows_its_header(text, word):
    assert scpi.last_word(text) == word


@pytest.mark.parametrize("rest", [b"", b"\n", b"\r\n", b" \n"])
def test_a_terminator_may_follow_a_block(rest):
    scpi.check_after_block(rest)


def test_nothing_else_may_follow_a_block():
    with pytest.raises(AnswerError):
        scpi.check_after_block(b"x\n")


def test_a_block_too_long_for_its_header_is_not_written():
    class Long(bytes):
        def __len__(self):
            return 1_000_000_000

    with pytest.raises(ValueError):
        scpi.format_block(Long())


def test_bytes_that_are_not_ascii_are_an_answer_error():
    with pytest.raises(AnswerError, match="ASCII"):
        scpi.decode(b"12.5\xb5V")


# --- anything at all


@given(st.text() | st.text(alphabet=string.printable) | st.text(alphabet='0123456789+-.Ee,;:"#*VOLTDC '))
def test_any_text_gives_a_value_or_an_answer_error(text):
    for read in READERS:
        try:
            read(text)
        except AnswerError as error:
            assert str(error)


@given(st.binary() | st.builds(lambda head, rest: b"#" + head + rest, st.binary(max_size=3), st.binary()))
def test_any_bytes_give_a_block_or_none_or_an_answer_error(data):
    for read in (scpi.block_header, scpi.take_block, scpi.decode):
        try:
            read(data)
        except AnswerError as error:
            assert str(error)


@given(st.binary(max_size=2000), st.binary(max_size=20))
def test_any_payload_survives_being_written_and_read(payload, trailing):
    assert scpi.take_block(scpi.format_block(payload) + trailing) == (payload, trailing)
