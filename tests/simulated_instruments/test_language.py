"""Headers, paths, numbers and status, as SCPI-99 and IEEE 488.2 have them (clause numbers from memory)."""

import math

import pytest

from simulated_instruments.language.errors import LanguageError
from simulated_instruments.language.headers import Path, header_pattern
from simulated_instruments.language.lexing import parameter
from simulated_instruments.language.numbers import boolean, definite_block, nr1, nr2, nr3, number, quoted
from simulated_instruments.language.speaker import Speaker

IDENTITY = ("Benchwright", "nothing", "1", "0")


@pytest.fixture
def speaker():
    return Speaker(IDENTITY)


def say(speaker, message):
    return speaker.answer(message.encode()).data.decode().removesuffix("\n")


# ---- headers


@pytest.mark.parametrize(
    ("written", "typed", "fits"),
    [
        ("[:SENSe]:VOLTage[:DC]:RANGe[:UPPer]", ":VOLT:RANG", True),
        ("[:SENSe]:VOLTage[:DC]:RANGe[:UPPer]", ":SENSE:VOLTAGE:DC:RANGE:UPPER", True),
        ("[:SENSe]:VOLTage[:DC]:RANGe[:UPPer]", ":SENS:VOLT:AC:RANG", False),
        (":SYSTem:ERRor[:NEXT]", ":SYST:ERR", True),
        (":SYSTem:ERRor[:NEXT]", ":SYSTE:ERR", False),
        (":CHANnel#:SCALe", ":CHAN2:SCAL", True),
        ("*IDN", "*IDN", True),
    ],
)
def test_only_the_short_and_the_long_form_of_each_node_fit(written, typed, fits):
    """SCPI-99 vol. 1, 6.2.1: exactly two forms; 6.2.2: default nodes may be left out."""
    assert bool(header_pattern(written).fullmatch(typed)) is fits


def test_a_numeric_suffix_is_one_when_left_out():
    """SCPI-99 vol. 1, 6.2.5.2."""
    assert header_pattern(":CHANnel#").fullmatch(":CHANNEL").group(1) == ""
    assert header_pattern(":CHANnel#").fullmatch(":CHAN12").group(1) == "12"


def test_the_path_moves_as_the_standards_example_says():
    """SCPI-99 vol. 1, 6.2.4: FREQ:STAR;STOP is on one level; a colon goes back to the root."""
    path = Path()
    heads = ["FREQ:STAR", "STOP", "*OPC", "STOP", ":POW:STAR", "STOP"]
    whole = [path.whole(head) for head in heads]
    assert whole == [":FREQ:STAR", ":FREQ:STOP", "*OPC", ":FREQ:STOP", ":POW:STAR", ":POW:STOP"]


def test_a_header_that_is_only_right_from_the_root_is_wrong_below(speaker):
    """SCPI-99 vol. 1, 6.2.4: FREQ:STAR 3 MHZ;POW:... looks for FREQ:POW and is undefined."""
    assert say(speaker, "STAT:OPER:ENAB 1;STAT:OPER:ENAB?") == ""
    assert say(speaker, "SYST:ERR?").startswith("-113,")
    assert say(speaker, "STAT:OPER:ENAB 3;ENAB?;:STAT:QUES:ENAB?") == "3;0"


# ---- values


def test_numbers_are_written_in_the_three_forms_of_488_2():
    """IEEE 488.2, 8.7.2 to 8.7.4."""
    assert (nr1(42), nr2(-14.44, 3), nr3(23.37)) == ("42", "-14.440", "+2.337000E+01")


def test_overload_and_not_a_number_are_the_numbers_of_scpi():
    """SCPI-99 vol. 1, 7.2.1.4 and 7.2.1.5."""
    written = [float(nr3(value)) for value in (math.inf, -math.inf, math.nan)]
    assert written == [9.9e37, -9.9e37, 9.91e37]


def test_a_definite_block_counts_its_bytes():
    """IEEE 488.2, 8.7.9."""
    assert definite_block(b"") == b"#10"
    assert definite_block(b"abc\n") == b"#14abc\n"
    assert definite_block(bytes(10000))[:7] == b"#510000"


def test_a_string_answer_doubles_its_quotes():
    assert quoted('a"b') == '"a""b"'


@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [
        ("3 MHZ", "HZ", 3e6),
        ("3 MAHZ", "HZ", 3e6),
        ("5 MV", "V", 5e-3),
        ("10 KOHM", "OHM", 1e4),
        ("2", "HZ", 2.0),
        ("MAX", "HZ", 1e9),
    ],
)
def test_suffix_multipliers_are_those_of_488_2(text, unit, value):
    """IEEE 488.2, 7.7.3, table 7-2: M is milli, but mega before HZ and OHM."""
    assert number(parameter(text), unit, 0, 1e9) == pytest.approx(value)


@pytest.mark.parametrize(("text", "code"), [("3 V", -131), ("-1", -222), ("UP", -224), ("'3'", -104)])
def test_a_number_out_of_place_gets_its_own_error(text, code):
    with pytest.raises(LanguageError) as caught:
        number(parameter(text), "HZ", 0, 10)
    assert caught.value.code == code


def test_a_boolean_is_a_word_or_a_number_that_is_rounded():
    """SCPI-99 vol. 1, 7.3."""
    assert [boolean(parameter(text)) for text in ("ON", "off", "1", "0.4", "-1")] == [True, False, True, False, True]


# ---- status


def test_the_power_on_bit_is_read_once(speaker):
    """IEEE 488.2, 11.5.1.1.2; *ESR? clears, 10.12."""
    assert say(speaker, "*ESR?;*ESR?") == "128;0"


def test_each_class_of_error_sets_its_own_event_bit(bench):
    """IEEE 488.2, 11.5.1.1: command error 32, execution error 16."""
    generator = bench.instrument("generator")
    generator("*CLS")
    generator("NONSENSE")
    assert generator("*ESR?") == "32"
    generator("FREQ 1E12")
    assert generator("*ESR?") == "16"
    assert generator("SYST:ERR:COUN?") == "2"
    assert [generator("SYST:ERR?")[:4] for _ in range(3)] == ["-113", "-222", '0,"N']


def test_the_status_byte_sums_up_and_the_mask_asks_for_service(speaker):
    """IEEE 488.2, 11.2 and 11.3: bit 5 is the event summary, bit 6 the master, bit 2 the SCPI error queue."""
    say(speaker, "*CLS;*ESE 32;*SRE 32")
    assert say(speaker, "*STB?") == "0"
    say(speaker, "NONSENSE")
    assert int(say(speaker, "*STB?")) == 4 + 32 + 64


def test_the_message_bit_is_set_while_an_answer_waits(speaker):
    """IEEE 488.2, 6.1.10.2.1: MAV."""
    assert say(speaker, "*CLS;*OPC?;*STB?") == "1;16"


def test_the_master_bit_cannot_enable_itself(speaker):
    """IEEE 488.2, 11.3.2.3."""
    assert say(speaker, "*SRE 255;*SRE?") == "191"


def test_clearing_leaves_the_masks(speaker):
    """IEEE 488.2, 10.3."""
    assert say(speaker, "*ESE 5;*SRE 6;*CLS;*ESE?;*SRE?;*ESR?") == "5;6;0"


def test_a_full_queue_ends_in_queue_overflow(speaker):
    """SCPI-99 vol. 2, 21.8.1."""
    for _ in range(30):
        say(speaker, "NONSENSE")
    errors = [say(speaker, "SYST:ERR?") for _ in range(21)]
    assert errors[19] == '-350,"Queue overflow"'
    assert errors[20] == '0,"No error"'


def test_a_command_error_ends_the_message_and_keeps_the_answers_before_it(speaker):
    assert say(speaker, "*OPC?;NONSENSE;*OPC?") == "1"


def test_operation_complete_is_a_bit_or_a_one(speaker):
    """IEEE 488.2, 10.18 and 10.19."""
    assert say(speaker, "*CLS;*OPC;*WAI;*ESR?;*OPC?;*TST?") == "1;1;0"


def test_too_long_a_message_is_an_input_buffer_overrun(speaker):
    assert speaker.answer(None).data == b""
    assert say(speaker, "SYST:ERR?").startswith("-363,")


def test_the_mandatory_subsystems_answer(speaker):
    """SCPI-99 vol. 1, 4.2.1."""
    asked = "SYST:VERS?;:STAT:OPER?;:STAT:OPER:COND?;:STAT:QUES?;:STAT:QUES:COND?;:STAT:PRES"
    assert say(speaker, asked) == "1999.0;0;0;0;0"
    assert say(speaker, "*IDN?").split(",") == list(IDENTITY)
