"""Preambles and samples of a scope, and the dialect files that say what they are called."""

from importlib.resources import files

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.dialects import read_scope_dialect, scope_dialect, scope_dialects
from drivers.errors import AnswerError, DriverError
from drivers.waveform import Preamble, read_preamble, read_samples

FORM_A = scope_dialect("form_a")
BYTES, WORDS, TEXT = 0, 1, 2


def preamble(format_, reference=0.0, step_v=0.01, offset_v=0.0):
    return Preamble(format_, 4, 1e-3, 0.0, 0.0, step_v, offset_v, reference)


def volts(samples):
    return samples.codes * samples.scale_v + samples.offset_v


def test_ten_fields_are_read():
    read = read_preamble("1,0,1000,1,+2.0E-03,-1.0E+00,10,+4.0E-02,+1.5E+00,128")
    assert read == Preamble(1, 1000, 2e-3, -1.0, 10.0, 0.04, 1.5, 128.0)
    assert read.start_s == pytest.approx(-1.02)


@pytest.mark.parametrize(
    "text",
    ["", "1,2,3", "0,0,4,1,1e-3,0,0,0.04,0,x", "0,0,4,1,0,0,0,0.04,0,128", "0,0,4,1,1e-3,0,0,9.9E37,0,128", "," * 9],
)
def test_what_is_no_preamble_is_an_answer_error(text):
    with pytest.raises(AnswerError):
        read_preamble(text)


@pytest.mark.parametrize(
    ("signed", "codes", "ends"),
    [(False, [0, 64, 128, 255], (0, 255)), (True, [-128, -1, 0, 127], (-128, 127))],
)
def test_eight_bits(signed, codes, ends):
    data = np.array(codes, np.int8 if signed else np.uint8).tobytes()
    samples = read_samples(data, preamble(BYTES), FORM_A, signed, False)
    assert samples.codes.dtype == np.int16
    assert samples.codes.tolist() == codes
    assert (samples.lowest_code, samples.highest_code) == ends


@pytest.mark.parametrize("high_byte_first", [True, False])
@pytest.mark.parametrize("signed", [True, False])
def test_sixteen_bits_in_both_byte_orders_give_the_same_volts(signed, high_byte_first):
    codes = [-32768, -1, 0, 32767] if signed else [0, 1, 32768, 65535]
    data = b"".join(code.to_bytes(2, "big" if high_byte_first else "little", signed=signed) for code in codes)
    samples = read_samples(data, preamble(WORDS, reference=100.0, offset_v=0.5), FORM_A, signed, high_byte_first)
    np.testing.assert_allclose(volts(samples), [(code - 100) * 0.01 + 0.5 for code in codes])


def test_text_keeps_volts_to_half_a_step_and_never_counts_as_clipped():
    samples = read_samples(b"-1.004,0,+2.5E-01, 3.0\n", preamble(TEXT, offset_v=0.25), FORM_A, False, False)
    np.testing.assert_allclose(volts(samples), [-1.004, 0, 0.25, 3.0], atol=0.005)
    assert samples.highest_code > 32767


def test_text_beyond_the_steps_that_fit_is_kept_in_coarser_ones():
    samples = read_samples(b"1000,-1000,0", preamble(TEXT), FORM_A, False, False)
    np.testing.assert_allclose(volts(samples), [1000, -1000, 0], atol=samples.scale_v)


def test_half_a_word_is_an_answer_error():
    with pytest.raises(AnswerError):
        read_samples(b"\x00\x01\x02", preamble(WORDS), FORM_A, True, True)


def test_a_format_that_the_dialect_does_not_have_is_named():
    with pytest.raises(AnswerError, match="format 7"):
        read_samples(b"", preamble(7), FORM_A, True, True)


@given(st.binary(max_size=64), st.sampled_from([BYTES, WORDS, TEXT, 4, 9]), st.booleans(), st.booleans())
def test_any_bytes_are_samples_or_an_answer_error(data, format_, signed, high_byte_first):
    try:
        samples = read_samples(data, preamble(format_), FORM_A, signed, high_byte_first)
    except AnswerError:
        return
    assert np.isfinite(volts(samples)).all()


def test_the_dialects_that_ship_are_read_whole():
    assert scope_dialects() == ["form_a"]
    assert FORM_A.choose.format(channel=2).endswith("2")


@pytest.mark.parametrize("name", ["", "form_b", "../secret", "form a"])
def test_an_unknown_dialect_names_those_that_exist(name):
    with pytest.raises(DriverError, match="form_a"):
        scope_dialect(name)


@pytest.mark.parametrize(
    ("change", "mistake"),
    [
        (lambda text: text.replace("stop =", "halt ="), "halt: unknown"),
        (lambda text: text.replace("stop =", "halt ="), "stop: missing"),
        (lambda text: text.replace("channels = 4", 'channels = "four"'), "channels: 'four' is of the wrong kind"),
        (lambda text: text.replace('data = ":WAV:DATA?"', 'data = ""'), "data: cannot be empty"),
        (lambda text: text.replace("SOUR CHAN{channel}", "SOUR CHAN{number}"), "choose: only"),
        (lambda text: text.replace("SOUR CHAN{channel}", "SOUR CHAN{channel"), "choose: only"),
        (lambda text: text.replace("[2, 4]", "[2, true]").replace("[1]", '["1"]'), "words_formats"),
        (lambda text: text + "]", "not TOML"),
    ],
)
def test_each_mistake_in_a_dialect_file_is_named_with_file_and_key(change, mistake):
    text = files("drivers.dialects").joinpath("scope_form_a.toml").read_text(encoding="utf-8")
    with pytest.raises(DriverError) as caught:
        read_scope_dialect(change(text), "mine.toml")
    assert mistake in str(caught.value)
    assert all(line.startswith("mine.toml:") for line in str(caught.value).splitlines())
