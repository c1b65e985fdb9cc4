"""Numbers to bytes and back, bit for bit. Pure; ``FORMAT.md`` says what each byte is.

A plane is what one column of a chunk becomes: differences, zigzag, the narrowest unsigned
integer that holds them all, byte planes (all lowest bytes first), zlib.
"""

import struct
import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from daemon.store.schema import BLOCK
from drivers.errors import DamagedSession

CODEC = "planes-1"
RAW, DECIMAL = 0, 1
_LEVEL = 4  # a quarter of the time of 6, for 1 % more bytes
_WAVE_LEVEL = 1  # a long record must not hold up the next commit
_HIGHEST_EXPONENT = 18
_EXACT = 2.0**53
_INTS = struct.Struct("<qB")
_DECIMAL_HEAD = struct.Struct("<BBI")

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Bytes = NDArray[np.uint8]

ENVELOPE = np.dtype([("t", "<i8"), ("low", "<f8"), ("high", "<f8"), ("mean", "<f4"), ("n", "u1")])
WAVE_ENVELOPE = np.dtype([("low", "<i2"), ("high", "<i2")])


@dataclass(frozen=True, slots=True, eq=False)
class Stretch:
    """Readings of one series in order: times (us), values, flags; all of shape (n,)."""

    t: Ints
    v: Floats
    flags: Bytes

    def __len__(self) -> int:
        return len(self.t)

    def between(self, start_us: int, end_us: int) -> "Stretch":
        """Those with ``start_us <= t <= end_us``, as views."""
        first, stop = np.searchsorted(self.t, start_us, "left"), np.searchsorted(self.t, end_us, "right")
        return Stretch(self.t[first:stop], self.v[first:stop], self.flags[first:stop])


def joined(stretches: list[Stretch]) -> Stretch:
    """One stretch of several that follow each other; an empty one of none."""
    if not stretches:
        return Stretch(np.empty(0, np.int64), np.empty(0), np.empty(0, np.uint8))
    return Stretch(
        np.concatenate([each.t for each in stretches]),
        np.concatenate([each.v for each in stretches]),
        np.concatenate([each.flags for each in stretches]),
    )


def encode_tail(t: Sequence[int], v: Sequence[float], flags: Sequence[int]) -> bytes:
    """The three planes as they are: quick to write, small for a short time."""
    n = len(t)
    return struct.pack(f"<{n}q{n}d{n}B", *t, *v, *flags)


def decode_tail(body: bytes, n: int) -> Stretch:
    """Inverse of ``encode_tail``. Raises ``DamagedSession``."""
    if len(body) != 17 * n:
        raise DamagedSession(f"a stretch of {n} readings has {len(body)} bytes, {17 * n} belong there")
    return Stretch(
        np.frombuffer(body, "<i8", n).astype(np.int64),
        np.frombuffer(body, "<f8", n, 8 * n).astype(np.float64),
        np.frombuffer(body, np.uint8, n, 16 * n),
    )


def encode_times(t: Ints) -> bytes:
    """Times, microseconds, as one plane."""
    return zlib.compress(_pack_ints(t), _LEVEL)


def decode_times(body: bytes, n: int) -> Ints:
    """Inverse of ``encode_times``. Raises ``DamagedSession``."""
    return _unpack_ints(_inflate(body), n)


def encode_flags(flags: Bytes) -> bytes:
    """Flags, one byte each, as one plane."""
    return zlib.compress(flags.tobytes(), _LEVEL)


def decode_flags(body: bytes, n: int) -> Bytes:
    """Inverse of ``encode_flags``. Raises ``DamagedSession``."""
    return _whole(_inflate(body), n)


def decode_planes(times: bytes, values: bytes, flags: bytes, n: int) -> Stretch:
    """The three planes of a chunk. Raises ``DamagedSession``."""
    return Stretch(decode_times(times, n), decode_values(values, n), decode_flags(flags, n))


def encode_values(v: Floats) -> bytes:
    """Values as scaled decimal integers where that is bit-exact for most, else as raw byte planes."""
    exponent, wrong = _best_exponent(v)
    if len(v) == 0 or np.count_nonzero(wrong) > len(v) // 2:
        return zlib.compress(bytes([RAW]) + _byte_planes(v.astype("<f8").view("<u8")), _LEVEL)
    return zlib.compress(_pack_decimals(v, exponent, wrong), _LEVEL)


def decode_values(body: bytes, n: int) -> Floats:
    """Inverse of ``encode_values``, NaN bits and the sign of zero included. Raises ``DamagedSession``."""
    plain = _inflate(body)
    if plain[:1] == bytes([RAW]):
        return _from_planes(plain[1:], n, 8).view(np.float64)
    if plain[:1] == bytes([DECIMAL]) and len(plain) >= _DECIMAL_HEAD.size:
        return _unpack_decimals(plain, n)
    raise DamagedSession("a plane of values begins with no known kind")


def encode_wave(codes: NDArray[np.int16]) -> bytes:
    """Converter codes as one plane."""
    return zlib.compress(_pack_ints(codes.astype(np.int64)), _WAVE_LEVEL)


def decode_wave(body: bytes, n: int) -> NDArray[np.int16]:
    """Inverse of ``encode_wave``. Raises ``DamagedSession``."""
    return _unpack_ints(_inflate(body), n).astype(np.int16)


def envelope(stretch: Stretch) -> NDArray[np.void]:
    """Lowest, highest and mean of every ``BLOCK`` readings, as ``ENVELOPE`` rows.

    ``t`` is the time of a block's first reading, ``n`` its finite values; NaN where there are none.
    """
    starts = np.arange(0, len(stretch), BLOCK)
    rows = np.zeros(len(starts), ENVELOPE)
    if not len(starts):
        return rows
    finite = np.isfinite(stretch.v)
    counts = np.add.reduceat(finite, starts, dtype=np.int64)
    rows["t"], rows["n"] = stretch.t[starts], counts
    rows["low"] = np.fmin.reduceat(stretch.v, starts)
    rows["high"] = np.fmax.reduceat(stretch.v, starts)
    # Each value is divided before it is added, so that huge ones do not overflow the sum.
    shares = np.where(finite, stretch.v, 0.0) / np.repeat(np.maximum(counts, 1), _lengths(starts, len(stretch)))
    means = np.where(counts > 0, np.add.reduceat(shares, starts), np.nan)
    limit = float(np.finfo(np.float32).max)
    rows["mean"] = np.clip(means, -limit, limit)
    return rows


def whole_envelope(body: bytes, n: int, kind: "np.dtype[np.void]") -> bytes:
    """``body`` where it is of the length that an envelope of ``n`` has. Raises ``DamagedSession``."""
    if len(body) != -(-n // BLOCK) * kind.itemsize:
        raise DamagedSession(f"an envelope of {n} has {len(body)} bytes")
    return body


def wave_envelope(codes: NDArray[np.int16]) -> bytes:
    """Lowest and highest code of every ``BLOCK`` samples, as ``WAVE_ENVELOPE`` rows."""
    starts = np.arange(0, len(codes), BLOCK)
    rows = np.zeros(len(starts), WAVE_ENVELOPE)
    if len(starts):
        rows["low"] = np.minimum.reduceat(codes, starts)
        rows["high"] = np.maximum.reduceat(codes, starts)
    return rows.tobytes()


def _lengths(starts: Ints, n: int) -> Ints:
    return np.diff(np.append(starts, n))


def _inflate(body: bytes) -> bytes:
    try:
        return zlib.decompress(body)
    except zlib.error as error:
        raise DamagedSession(f"a plane does not unpack ({error})") from None


def _whole(plain: bytes, size: int) -> Bytes:
    if len(plain) != size:
        raise DamagedSession(f"a plane has {len(plain)} bytes, {size} belong there")
    return np.frombuffer(plain, np.uint8)


def _byte_planes(numbers: NDArray[np.unsignedinteger]) -> bytes:
    width = numbers.dtype.itemsize
    return np.ascontiguousarray(numbers).view(np.uint8).reshape(-1, width).T.tobytes()


def _from_planes(plain: bytes, n: int, width: int) -> NDArray[Any]:
    planes = _whole(plain, n * width).reshape(width, n)
    # Plane by plane: many times quicker than one transposed copy.
    numbers = np.empty((n, width), np.uint8)
    for place in range(width):
        numbers[:, place] = planes[place]
    return numbers.view(f"<u{width}").reshape(n)


def _pack_ints(numbers: Ints) -> bytes:
    if not len(numbers):
        return b""
    # Differences of int64 wrap around, and the running sum wraps back: exact for every input.
    steps = np.diff(numbers)
    folded = ((steps << 1) ^ (steps >> 63)).view(np.uint64)
    width = _narrowest(int(folded.max(initial=0)))
    return _INTS.pack(int(numbers[0]), width) + _byte_planes(folded.astype(f"<u{width}"))


def _unpack_ints(plain: bytes, n: int) -> Ints:
    if n == 0 and not plain:
        return np.empty(0, np.int64)
    if len(plain) < _INTS.size:
        raise DamagedSession("a plane of integers is cut off in its first nine bytes")
    first, width = _INTS.unpack_from(plain)
    if width not in (1, 2, 4, 8):
        raise DamagedSession(f"a plane of integers names {width} bytes a number")
    folded = _from_planes(plain[_INTS.size :], n - 1, width)
    one = folded.dtype.type(1)
    numbers = np.empty(n, np.int64)
    numbers[0] = first
    # In the narrow type, whose negative wraps around as that of 64 bits does.
    numbers[1:] = ((folded >> one) ^ np.negative(folded & one)).view(f"<i{width}")
    return np.cumsum(numbers, out=numbers)


def _narrowest(largest: int) -> int:
    return next(width for width in (1, 2, 4, 8) if largest < 1 << (8 * width))


def _best_exponent(v: Floats) -> tuple[int, NDArray[np.bool_]]:
    """The power of ten that scales most values to exact integers, and which it does not."""
    best = (0, np.ones(len(v), np.bool_))
    hopeless = int(np.count_nonzero(~np.isfinite(v) | ((v == 0) & np.signbit(v))))
    fewest = len(v) + 1
    for exponent in range(_HIGHEST_EXPONENT + 1):
        wrong = ~_survives(v, exponent)
        failures = int(np.count_nonzero(wrong))
        if failures < fewest:
            best, fewest = (exponent, wrong), failures
        if failures <= hopeless:
            break
    return best


def _survives(v: Floats, exponent: int) -> NDArray[np.bool_]:
    with np.errstate(over="ignore", invalid="ignore", under="ignore"):
        scaled = np.rint(v * 10.0**exponent)
        back = scaled / 10.0**exponent
    small = np.abs(scaled) < _EXACT
    # An integer has no negative zero, so that one is an exception too.
    survives: NDArray[np.bool_] = small & (back == v) & ~((v == 0) & np.signbit(v))
    return survives


def _pack_decimals(v: Floats, exponent: int, wrong: NDArray[np.bool_]) -> bytes:
    with np.errstate(over="ignore", invalid="ignore"):
        scaled = np.rint(v * 10.0**exponent)
    # An exception repeats the good value before it, so that it costs no difference.
    source = np.maximum.accumulate(np.where(wrong, 0, np.arange(len(v))))
    whole = np.where(wrong[source], 0.0, scaled[source]).astype(np.int64)
    exceptions = v[wrong].astype("<f8")
    mask = np.packbits(wrong).tobytes() if len(exceptions) else b""
    head = _DECIMAL_HEAD.pack(DECIMAL, exponent, len(exceptions))
    return head + mask + exceptions.tobytes() + _pack_ints(whole)


def _unpack_decimals(plain: bytes, n: int) -> Floats:
    _, exponent, count = _DECIMAL_HEAD.unpack_from(plain)
    if exponent > _HIGHEST_EXPONENT or count > n:
        raise DamagedSession("a plane of values has an impossible head")
    ints_at = _DECIMAL_HEAD.size + ((n + 7) // 8 + 8 * count if count else 0)
    values: Floats = _unpack_ints(plain[ints_at:], n) / 10.0**exponent
    if count:
        packed = _whole(plain[_DECIMAL_HEAD.size : _DECIMAL_HEAD.size + (n + 7) // 8], (n + 7) // 8)
        wrong = np.unpackbits(packed, count=n).astype(np.bool_)
        if np.count_nonzero(wrong) != count:
            raise DamagedSession("a plane of values has another number of exceptions than it says")
        values[wrong] = np.frombuffer(plain[ints_at - 8 * count : ints_at], "<f8")
    return values
