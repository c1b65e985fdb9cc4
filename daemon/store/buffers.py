"""What has been read and is not sealed yet: kept in memory, and row by row in ``tail``."""

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from daemon.store import codec
from daemon.store.checksums import checksum
from daemon.store.codec import Floats, Stretch
from daemon.store.schema import CHUNK_AGE_US, CHUNK_READINGS

Row = tuple[object, ...]
Codes = NDArray[np.int16]
NEVER_US = -(2**63)


@dataclass(slots=True)
class Buffer:
    """The unsealed readings of one series; the first ``stored`` of them lie in ``tail`` already.

    ``first`` readings of the series came before these.
    """

    last_us: int = NEVER_US
    first: int = 0
    t: list[int] = field(default_factory=list)
    v: list[float] = field(default_factory=list)
    flags: list[int] = field(default_factory=list)
    stored: int = 0

    def append(self, t_us: int, value: float, flags: int) -> int:
        """Take one reading; its time is moved to 1 us after the one before on a tie or step back."""
        if t_us <= self.last_us:
            t_us = self.last_us + 1
        self.last_us = t_us
        self.t.append(t_us)
        self.v.append(value)
        self.flags.append(flags)
        return t_us

    def refill(self, stretch: Stretch, first: int) -> None:
        """Take what ``tail`` kept, after a start; ``first`` is the number in the series of its first reading."""
        self.first = max(self.first, first - len(self.t))
        self.t += stretch.t.tolist()
        self.v += stretch.v.tolist()
        self.flags += stretch.flags.tolist()
        self.stored = len(self.t)
        self.last_us = max(self.last_us, self.t[-1])

    @property
    def waiting(self) -> bool:
        """True when something is in no table yet."""
        return self.stored < len(self.t)

    def ripe(self, now_us: int, everything: bool = False) -> int:
        """How many readings, from the oldest, are to be sealed now."""
        if self.t and (everything or now_us - self.t[0] >= CHUNK_AGE_US):
            return len(self.t)
        return len(self.t) // CHUNK_READINGS * CHUNK_READINGS

    def stretch(self, first: int, stop: int) -> Stretch:
        """Readings ``first`` to ``stop`` as arrays."""
        return Stretch(
            np.array(self.t[first:stop], np.int64),
            np.array(self.v[first:stop], np.float64),
            np.array(self.flags[first:stop], np.uint8),
        )

    def settle(self, sealed: int) -> None:
        """A commit went through that sealed so many and stored the rest."""
        if sealed:
            del self.t[:sealed], self.v[:sealed], self.flags[:sealed]
            self.first += sealed
        self.stored = len(self.t)


def tail_row(series: int, buffer: Buffer, begin: int) -> Row:
    """``series, t0, t1, first, n, crc, body`` of a row of ``tail``: the readings from place ``begin`` on."""
    t = buffer.t[begin:]
    place = series, t[0], t[-1], buffer.first + begin, len(t)
    body = codec.encode_tail(t, buffer.v[begin:], buffer.flags[begin:])
    return *place, checksum(place, body), body


def chunk_row(series: int, first: int, stretch: Stretch) -> Row:
    """``series, t0, t1, first, n, codec`` and so on, a row of ``chunk`` without its id."""
    place, env = _place(series, first, stretch), codec.envelope(stretch).tobytes()
    planes = codec.encode_times(stretch.t), codec.encode_values(stretch.v), codec.encode_flags(stretch.flags)
    sums = checksum(place, *planes), checksum(place, env)
    return *place, codec.CODEC, *_summed_up(stretch.v), *sums, env, *planes


def wave_row(capture: int, part: int, codes: Codes) -> Row:
    """``capture, part, n, crc, env_crc, env, body``, a row of ``wave``."""
    place = capture, part, len(codes)
    env, body = codec.wave_envelope(codes), codec.encode_wave(codes)
    return *place, checksum(place, body), checksum(place, env), env, body


def _place(series: int, first: int, stretch: Stretch) -> tuple[int, int, int, int, int]:
    return series, int(stretch.t[0]), int(stretch.t[-1]), first, len(stretch)


def _summed_up(v: Floats) -> tuple[float | None, ...]:
    """``vmin, vmax, vsum, vfirst, vlast``."""
    finite = v[np.isfinite(v)]
    with np.errstate(over="ignore"):
        total = _known(float(finite.sum()))
    low, high = (float(finite.min()), float(finite.max())) if len(finite) else (None, None)
    return low, high, total, _known(float(v[0])), _known(float(v[-1]))


def _known(value: float) -> float | None:
    return value if math.isfinite(value) else None
