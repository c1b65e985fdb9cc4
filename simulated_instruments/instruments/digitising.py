"""The scope's converter: volts of one input to 8-bit codes, with the noise and error of its specimen."""

import base64
import random
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from simulated_instruments.asking import Asker

DIVISIONS_V = 8  # the screen's height; 256 codes fill it
MIDDLE = 128  # the code of 0 V
_STRETCH = 1024  # noise is drawn in stretches of so many samples
NOISE_LSB = 0.5


@dataclass(frozen=True, slots=True)
class Timing:
    """Which samples make a record: number ``first`` (counted from the clock's zero), ``count``, distance."""

    first: int
    count: int
    dt_s: float

    @property
    def last_s(self) -> float:
        """When the last sample is taken."""
        return (self.first + self.count - 1) * self.dt_s


@lru_cache(maxsize=256)
def _noise_stretch(seed: int, channel: int, stretch: int) -> NDArray[np.float64]:
    return np.random.default_rng((seed, channel, stretch)).normal(0.0, NOISE_LSB, _STRETCH)


def noise_lsb(seed: int, channel: int, first: int, count: int) -> NDArray[np.float64]:
    """White noise of samples ``first`` on, in steps of the converter: one sample is the same whenever it is read."""
    begin, end = first // _STRETCH, (first + count - 1) // _STRETCH
    whole = np.concatenate([_noise_stretch(seed, channel, stretch) for stretch in range(begin, end + 1)])
    return whole[first - begin * _STRETCH :][:count]


class Converter:
    """One input of the scope: probe, channel number, seed."""

    def __init__(self, probe: str, channel: int, unit: Asker, seed: int) -> None:
        self._probe = probe
        self._channel = channel
        self._unit = unit
        self._seed = seed
        self._gain = 1 + random.Random(f"{probe} converter {seed}").uniform(-0.01, 0.01)

    def codes(self, timing: Timing, v_div: float, coupling: str) -> bytes:
        """One byte a sample; volts beyond the screen clip at 0 and 255."""
        answer = self._unit.ask(
            ask="samples",
            probe=self._probe,
            first=timing.first,
            count=timing.count,
            dt_s=timing.dt_s,
            ac=coupling == "AC",
        )
        volts = np.frombuffer(base64.b64decode(answer["float32"]), np.float32).astype(np.float64)
        steps = volts * self._gain / step_v(v_div)
        steps += noise_lsb(self._seed, self._channel, timing.first, timing.count)
        return bytes(np.clip(np.rint(steps) + MIDDLE, 0, 255).astype(np.uint8))


def step_v(v_div: float) -> float:
    """Volts a code at so many volts a division."""
    return v_div * DIVISIONS_V / 256


def coded(codes: bytes, bits: int, signed: bool, high_byte_first: bool) -> bytes:
    """8-bit codes as they go over the wire: in 8 bits, or as the upper half of 16; signed ones around 0."""
    numbers = np.frombuffer(codes, np.uint8).astype(np.int32) - (MIDDLE if signed else 0)
    kind = f"{'>' if high_byte_first else '<'}{'i' if signed else 'u'}{bits // 8}"
    return (numbers << (bits - 8)).astype(kind).tobytes()
