"""The codec gives back every bit, and names what is torn."""

import zlib

import hypothesis.extra.numpy as hnp
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.store import codec
from daemon.store.codec import Stretch
from drivers.errors import DamagedSession

INT64 = st.integers(-(2**63), 2**63 - 1)
DECIMALS = st.builds(lambda k, e: float(f"{k}e-{e}"), st.integers(-(10**7), 10**7), st.integers(0, 12))
ANY_BITS = st.integers(0, 2**64 - 1).map(lambda bits: np.uint64(bits).view(np.float64))
ODD = st.sampled_from([np.nan, np.inf, -np.inf, -0.0, 0.0, 5e-324, 1.7976931348623157e308, -1e300, 2.0**53])


def same_bits(a, b):
    return a.dtype == b.dtype and a.tobytes() == b.tobytes()


@given(st.lists(INT64, max_size=300))
def test_times_come_back_whatever_they_are(times):
    """Differences that overflow 64 bits wrap around on the way there and back."""
    t = np.array(times, np.int64)
    assert same_bits(codec.decode_times(codec.encode_times(t), len(t)), t)


@given(st.lists(st.one_of(DECIMALS, ANY_BITS, ODD), max_size=300))
def test_values_come_back_bit_for_bit(values):
    """NaN payloads, both zeros, infinities, subnormals and decimals, in any mixture."""
    v = np.array(values, np.float64)
    assert same_bits(codec.decode_values(codec.encode_values(v), len(v)), v)


@given(st.lists(DECIMALS, min_size=40, max_size=200), st.lists(st.one_of(ANY_BITS, ODD), max_size=10))
def test_decimals_with_few_exceptions_are_not_stored_raw(decimals, odd):
    """One overload in a stretch must not make all its neighbours cost eight bytes."""
    v = np.array([*decimals, *odd], np.float64)
    body = codec.encode_values(v)
    assert zlib.decompress(body)[0] == codec.DECIMAL
    assert same_bits(codec.decode_values(body, len(v)), v)


@given(hnp.arrays(np.uint8, st.integers(0, 300)))
def test_flags_come_back(flags):
    assert same_bits(codec.decode_flags(codec.encode_flags(flags), len(flags)), flags)


@given(hnp.arrays(np.int16, st.integers(0, 400)))
def test_waves_come_back(codes):
    assert same_bits(codec.decode_wave(codec.encode_wave(codes), len(codes)), codes)


@given(st.lists(st.tuples(INT64, st.one_of(ANY_BITS, ODD), st.integers(0, 255)), max_size=50))
def test_tail_bodies_come_back(readings):
    t, v, flags = zip(*readings, strict=True) if readings else ((), (), ())
    stretch = Stretch(np.array(t, np.int64), np.array(v, np.float64), np.array(flags, np.uint8))
    body = codec.encode_tail(stretch.t.tolist(), stretch.v.tolist(), stretch.flags.tolist())
    back = codec.decode_tail(body, len(stretch))
    assert same_bits(back.t, stretch.t) and same_bits(back.v, stretch.v) and same_bits(back.flags, stretch.flags)


def test_zigzag_is_that_of_the_published_table():
    """0, -1, 1, -2, 2147483647, -2147483648 become 0, 1, 2, 3, 4294967294, 4294967295.

    Source: the table under "Signed Integers" of the Protocol Buffers encoding page (from memory).
    """
    steps = [0, -1, 1, -2, 2147483647, -2147483648]
    folded = []
    for step in steps:
        plain = zlib.decompress(codec.encode_times(np.array([0, step], np.int64)))
        folded.append(int.from_bytes(plain[9:], "little"))
    assert folded == [0, 1, 2, 3, 4294967294, 4294967295]


def test_a_day_like_ours_costs_under_four_bytes_a_reading():
    """50 readings a second of a meter with 5 decimals, jittered: far below the 17 bytes of raw planes."""
    rng = np.random.default_rng(1)
    t = 1_700_000_000_000_000 + np.arange(8192) * 20_000 + rng.integers(-300, 300, 8192)
    v = np.round(12.34 + rng.normal(0, 2e-4, 8192), 5)
    size = len(codec.encode_times(t)) + len(codec.encode_values(v)) + len(codec.encode_flags(np.zeros(8192, np.uint8)))
    assert size < 4 * 8192


DECODERS = [codec.decode_times, codec.decode_values, codec.decode_flags, codec.decode_wave, codec.decode_tail]


@pytest.mark.parametrize("decode", DECODERS)
@given(body=st.binary(max_size=200), n=st.integers(0, 60), packed=st.booleans())
def test_junk_is_a_valid_result_or_damage_and_nothing_else(decode, body, n, packed):
    try:
        result = decode(zlib.compress(body) if packed else body, n)
    except DamagedSession:
        return
    assert len(result) == n


@given(st.lists(DECIMALS, min_size=1, max_size=60), st.data())
def test_a_cut_or_flipped_plane_is_never_taken_for_whole(values, data):
    """zlib's Adler-32 (RFC 1950) finds every single flipped bit, its length every cut."""
    v = np.array(values)
    body = codec.encode_values(v)
    cut = data.draw(st.integers(0, len(body) - 1))
    with pytest.raises(DamagedSession):
        codec.decode_values(body[:cut], len(v))
    bit = data.draw(st.integers(8 * 2, 8 * len(body) - 1))
    flipped = bytearray(body)
    flipped[bit // 8] ^= 1 << bit % 8
    try:
        back = codec.decode_values(bytes(flipped), len(v))
    except DamagedSession:
        return
    assert same_bits(back, v)  # a bit that deflate itself does not look at


@given(hnp.arrays(np.float64, st.integers(1, 500), elements=st.one_of(DECIMALS, ODD)))
def test_the_envelope_of_a_block_is_that_of_a_plain_loop(v):
    stretch = Stretch(np.arange(len(v), dtype=np.int64), v, np.zeros(len(v), np.uint8))
    for place, row in enumerate(codec.envelope(stretch)):
        block = v[place * 128 : (place + 1) * 128]
        known, finite = block[~np.isnan(block)], block[np.isfinite(block)]
        assert row["t"] == place * 128 and row["n"] == len(finite)
        if len(known):
            assert row["low"] == known.min() and row["high"] == known.max()
        else:
            assert np.isnan(row["low"]) and np.isnan(row["high"])
        if len(finite) and np.abs(finite).max() < 1e30:
            assert row["mean"] == pytest.approx(sum(finite) / len(finite), rel=1e-6, abs=1e-6)
