"""Samples of a scope, and the preambles of the three forms; all of it pure.

Sources: for form A the programmer's formula (code - y reference) * y increment + y origin, for form B
(code - y offset) * y multiplier + y zero, for form C code * gain - offset: common practice of the three
families, written out beside the dialect files; the worked numbers below are made by hand from them.
"""

import struct
import tracemalloc
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.dialects import scope_dialect
from drivers.errors import AnswerError
from drivers.preambles import (
    questions_b,
    read_descriptor,
    read_key_values,
    read_keys,
    read_ten_fields,
    read_values,
)
from drivers.waveform import Layout, read_samples

A = scope_dialect("form_a").transfer.form_a
B = scope_dialect("form_b").transfer.form_b
C = scope_dialect("form_c").transfer.form_c
BYTES, WORDS, TEXT = 1, 2, 0
KEYED = (
    ":WFMP:BYT_NR 2;BIT_NR 16;ENCDG BIN;BN_FMT RI;BYT_OR MSB;NR_PT 4;WFID \"Ch1; DC coupling\";PT_FMT Y;"
    "XINCR 1.0E-3;PT_OFF 2;XZERO -5.0E-1;XUNIT \"s\";YMULT 4.0E-2;YZERO 1.5E0;YOFF 2.0E1"
)


def layout(size, **more):
    return Layout(size, 4, 1e-3, 0.0, 0.01, more.pop("offset_v", 0.0), **more)


def volts(samples):
    return samples.codes.astype(np.float64) * samples.scale_v + samples.offset_v


# ---- form A


def test_ten_fields_are_read():
    read = read_ten_fields("1,0,1000,1,+2.0E-03,-1.0E+00,10,+4.0E-02,+1.5E+00,128", A)
    assert (read.bytes_a_sample, read.points, read.dt_s, read.scale_v) == (2, 1000, 2e-3, 0.04)
    assert read.start_s == pytest.approx(-1.02)
    assert read.offset_v == pytest.approx(1.5 - 128 * 0.04)


@pytest.mark.parametrize(
    "text",
    ["", "1,2,3", "0,0,4,1,1e-3,0,0,0.04,0,x", "0,0,4,1,0,0,0,0.04,0,128", "0,0,4,1,1e-3,0,0,9.9E37,0,128", "," * 9,
     "7,0,4,1,1e-3,0,0,0.04,0,128", "0,0,-4,1,1e-3,0,0,0.04,0,128", "0,0,4,1,1e-3,0,0,0.04,0,128,trailing"],
)  # fmt: skip
def test_what_is_no_preamble_of_form_a_is_an_answer_error(text):
    with pytest.raises(AnswerError):
        read_ten_fields(text, A)


# ---- form B


def test_keys_and_values_are_read_whatever_stands_between_them():
    read = read_key_values(read_keys(KEYED), B)
    assert (read.bytes_a_sample, read.signed, read.high_byte_first, read.points) == (2, True, True, 4)
    assert read.start_s == pytest.approx(-0.502)
    assert read.offset_v == pytest.approx(1.5 - 20 * 0.04)


def test_a_preamble_without_keys_is_asked_for_field_by_field_and_means_the_same():
    bare = ["2", "BIN", "RI", "MSB", "4", "1.0E-3", ":WFMP:XZERO -5.0E-1", "2", "4.0E-2", "1.5E0", "2.0E1"]
    assert read_keys(";".join(bare[:6])) == {}
    assert questions_b(B)[0] == ":WFMP:BYT_NR?" and len(questions_b(B)) == len(bare)
    assert read_key_values(read_values(bare, B), B) == read_key_values(read_keys(KEYED), B)
    with pytest.raises(AnswerError):
        read_values(bare[:-1], B)


@pytest.mark.parametrize("lost", ["BYT_NR", "ENCDG", "BN_FMT", "XINCR", "YMULT", "YOFF", "NR_PT", "PT_OFF", "BYT_OR"])
def test_a_key_that_is_missing_is_named(lost):
    with pytest.raises(AnswerError, match=lost):
        read_key_values(read_keys(KEYED.replace(lost, "OTHER")), B)


def test_every_beginning_of_a_preamble_of_form_b_is_a_layout_or_an_answer_error():
    """A preamble that came byte by byte and broke off never means something else by an exception."""
    for end in range(len(KEYED)):
        try:
            read_key_values(read_keys(KEYED[:end]), B)
        except AnswerError:
            continue
        assert KEYED[:end].endswith("YOFF 2") or "YOFF 2" in KEYED[:end]


# ---- form C


def descriptor(order, codes, size=1, extra=b"", **more):
    """A descriptor of 346 bytes as ``scope_form_c.toml`` lays it out, written by its offsets alone."""
    head = bytearray(346)
    head[:8] = b"WAVEDESC"
    facts = {"gain": 0.04, "offset": 0.5, "dt": 2e-3, "start": -1.0, "high": 127.0, "low": -128.0, "probe": 10.0} | more
    for kind, at, value in (
        ("h", 32, size - 1), ("h", 34, int(order == "<")), ("i", 36, 346), ("i", 40, len(extra)),
        ("i", 60, len(codes)), ("f", 156, facts["gain"]), ("f", 160, facts["offset"]), ("f", 164, facts["high"]),
        ("f", 168, facts["low"]), ("f", 176, facts["dt"]), ("d", 180, facts["start"]), ("f", 328, facts["probe"]),
    ):  # fmt: skip
        struct.pack_into(order + kind, head, at, value)
    return bytes(head) + extra + codes


@pytest.mark.parametrize("order", ["<", ">"])
def test_a_descriptor_is_read_in_both_byte_orders_and_tables_before_the_samples_are_skipped(order):
    codes = np.array([-128, -1, 0, 127], np.int8).tobytes()
    read, data = read_descriptor(descriptor(order, codes, extra=b"text of the user"), C)
    samples = read_samples(data, read)
    np.testing.assert_allclose(volts(samples), [-5.62, -0.54, -0.5, 4.58], atol=1e-6)
    assert (samples.lowest_code, samples.highest_code, samples.codes.dtype) == (-128, 127, np.int8)
    assert (read.dt_s, read.start_s, read.probe_factor) == (pytest.approx(2e-3), -1.0, 10.0)


@pytest.mark.parametrize("order", ["<", ">"])
def test_a_descriptor_with_words_gives_the_ends_that_it_tells(order):
    codes = np.array([-32512, 0, 32512, 5], order + "i2").tobytes()
    read, data = read_descriptor(descriptor(order, codes, size=2, high=32512.0, low=-32512.0), C)
    samples = read_samples(data, read)
    assert samples.codes.tolist() == [-32512, 0, 32512, 5]
    assert (samples.lowest_code, samples.highest_code) == (-32512, 32512)


def test_a_probe_factor_that_the_gain_does_not_hold_is_multiplied_in():
    block = descriptor("<", b"\x01", offset=0.0)
    read, data = read_descriptor(block, replace(C, probe_in_scale=False))
    assert volts(read_samples(data, read)) == pytest.approx([0.4])


def test_every_beginning_of_a_block_of_form_c_is_an_answer_error():
    block = descriptor(">", bytes(4))
    for end in range(len(block)):
        with pytest.raises(AnswerError):
            read_descriptor(block[:end], C)
    assert len(read_descriptor(block + b"trailing", C)[1]) == 4


@given(st.binary(max_size=400), st.integers(0, 345), st.binary(max_size=8))
def test_any_descriptor_is_a_layout_or_an_answer_error(junk, at, change):
    whole = bytearray(descriptor("<", bytes(16)))
    whole[at : at + len(change)] = change
    for block in (junk, b"WAVEDESC" + junk, bytes(whole)):
        try:
            layout_, data = read_descriptor(block, C)
            read_samples(data, layout_)
        except AnswerError:
            continue


# ---- samples


@pytest.mark.parametrize(
    ("signed", "codes", "ends"),
    [(False, [0, 64, 128, 255], (0, 255)), (True, [-128, -1, 0, 127], (-128, 127))],
)
def test_eight_bits_stay_eight_bits(signed, codes, ends):
    data = np.array(codes, np.int8 if signed else np.uint8).tobytes()
    samples = read_samples(data, layout(BYTES, signed=signed))
    assert samples.codes.itemsize == 1
    assert samples.codes.tolist() == codes
    assert (samples.lowest_code, samples.highest_code) == ends


@pytest.mark.parametrize("high_byte_first", [True, False])
@pytest.mark.parametrize("signed", [True, False])
def test_sixteen_bits_in_both_byte_orders_give_the_same_volts(signed, high_byte_first):
    codes = [-32768, -1, 0, 32767] if signed else [0, 1, 32768, 65535]
    data = b"".join(code.to_bytes(2, "big" if high_byte_first else "little", signed=signed) for code in codes)
    samples = read_samples(data, layout(WORDS, offset_v=-0.5, signed=signed, high_byte_first=high_byte_first))
    assert samples.codes.dtype == np.int16
    np.testing.assert_allclose(volts(samples), [code * 0.01 - 0.5 for code in codes])


def test_text_keeps_volts_to_half_a_step_and_never_counts_as_clipped():
    samples = read_samples(b"-1.004,0,+2.5E-01, 3.0\n", layout(TEXT, offset_v=0.25, text_is_volts=True))
    np.testing.assert_allclose(volts(samples), [-1.004, 0, 0.25, 3.0], atol=0.0051)
    assert samples.highest_code > 32767


def test_text_in_codes_is_exact():
    samples = read_samples(b"-128,0,127", layout(TEXT, offset_v=0.25))
    assert samples.codes.tolist() == [-128, 0, 127]
    assert samples.offset_v == 0.25


def test_text_beyond_the_steps_that_fit_is_kept_in_coarser_ones():
    samples = read_samples(b"1000,-1000,0", layout(TEXT, text_is_volts=True))
    np.testing.assert_allclose(volts(samples), [1000, -1000, 0], atol=samples.scale_v)


def test_long_text_is_the_same_as_short_text_many_times():
    """It is read in pieces of a megabyte; no number is cut in two at their edges."""
    numbers = [n % 251 - 125 for n in range(400_000)]
    samples = read_samples(",".join(f"{n:+d}" for n in numbers).encode(), layout(TEXT))
    assert np.array_equal(samples.codes, np.array(numbers))


@pytest.mark.parametrize("data", [b"1,2,x", b"1,nan", b"inf", b"9.9E37,1", b"1 2", b"1__2", b"0x10", b"1e400", b"\xff"])
def test_text_that_is_no_list_of_numbers_is_an_answer_error(data):
    with pytest.raises(AnswerError):
        read_samples(data, layout(TEXT, text_is_volts=True))


def test_half_a_word_is_an_answer_error():
    with pytest.raises(AnswerError):
        read_samples(b"\x00\x01\x02", layout(WORDS))


@given(st.binary(max_size=64), st.sampled_from([BYTES, WORDS, TEXT]), st.booleans(), st.booleans(), st.booleans())
def test_any_bytes_are_samples_or_an_answer_error(data, size, signed, high_byte_first, text_is_volts):
    about = layout(size, signed=signed, high_byte_first=high_byte_first, text_is_volts=text_is_volts)
    try:
        samples = read_samples(data, about)
    except AnswerError:
        return
    assert np.isfinite(volts(samples)).all()


@given(st.text(max_size=200))
def test_any_text_is_a_preamble_or_an_answer_error(text):
    for read in (lambda: read_ten_fields(text, A), lambda: read_key_values(read_keys(text), B)):
        try:
            read()
        except AnswerError:
            continue


@pytest.mark.parametrize(
    ("size", "signed", "copies"), [(1, False, 0.1), (1, True, 0.1), (2, True, 1.1), (2, False, 2.1)]
)
def test_ten_million_samples_cost_no_more_than_their_own_size(size, signed, copies):
    """Never eight bytes a sample: no float copy is made. Big-endian words are turned once."""
    data = bytes(10_000_000 * size)
    tracemalloc.start()
    samples = read_samples(data, layout(size, signed=signed, high_byte_first=True))
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert len(samples.codes) == 10_000_000
    assert peak < copies * len(data) + 100_000
