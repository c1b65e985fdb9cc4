"""Inner products of one shape, laid at every origin in turn, with what a record is modelled of.

A tone that begins somewhere needs no transform for each place: sum_n e^(iwn) s(n - o) is e^(iwo) times a running
sum over the shape alone. Only records with gaps go through the FFT.
"""

from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from daemon.judge.hum import Mask, Tones, Volts, tones_of
from daemon.judge.whiten import Whitener

Number = TypeVar("Number", np.float64, np.complex128)


@dataclass(frozen=True, slots=True)
class Shape:
    """``volts`` sampled like the record; ``lead`` samples of it lie before its own switch-on."""

    volts: Volts
    lead: int


@dataclass(frozen=True, slots=True, eq=False)
class Frame:
    """What all shapes slide over: n samples from ``first`` on, which of them count, the tones' turn a sample."""

    n: int
    first: int
    seen: Mask
    turn_hz_s: float  # mains frequency times sample distance
    harmonics: tuple[int, ...]

    @property
    def whole(self) -> bool:
        """No gap: the running sums hold."""
        return bool(self.seen[self.first :].all())


class Slider:
    """One shape, whitened, at all ``origins`` (consecutive samples, shape (m,))."""

    def __init__(self, shape: Shape, origins: NDArray[np.int64], frame: Frame, whitener: Whitener) -> None:
        self.starts = origins - shape.lead
        self._frame = frame
        # A shape longer than the record can reach back from its earliest origin: its last value goes on.
        length = max(frame.n - int(self.starts[0]), len(shape.volts), 1)
        padded = np.concatenate([shape.volts, np.full(length - len(shape.volts), shape.volts[-1])])
        self.volts = np.convolve(padded, whitener.weights)[:length]
        self._size = fast_size(frame.n + length - 1)
        self._spectrum = np.conj(np.fft.rfft(self.volts, self._size))
        self._ends = frame.n - self.starts
        self._from = np.clip(frame.first - self.starts, 0, length)
        self._turned = tones_of(self.starts, frame.turn_hz_s, frame.harmonics)
        turning = tones_of(np.arange(length), frame.turn_hz_s, frame.harmonics)
        self._sums = _running(turning * self.volts[:, None])
        self._whole_sums = self._sums[self._ends]

    @property
    def neighbours_correlate(self) -> float:
        """Correlation of the shape with itself one sample later."""
        power = float(self.volts @ self.volts)
        return float(self.volts[1:] @ self.volts[:-1]) / power if power > 0 else 0.0

    @property
    def power(self) -> float:
        """Energy of the whole shape, V^2 x samples."""
        return float(self.volts @ self.volts)

    def placed(self, where: int) -> Volts:
        """The whitened shape at one origin (its index) in the record, shape (n,)."""
        start = int(self.starts[where])
        laid = np.zeros(self._frame.n)
        at = max(start, self._frame.first)
        laid[at:] = self.volts[at - start : self._frame.n - start]
        return laid

    def series(self, volts: Volts) -> Volts:
        """With any series of n samples, shape (m,)."""
        slid: Volts = np.fft.irfft(np.fft.rfft(volts, self._size) * self._spectrum, self._size)
        return slid[self.starts % self._size]

    def energy(self) -> Volts:
        """With itself, over the samples that count."""
        if self._frame.whole:
            total = _running(self.volts**2)
            whole: Volts = total[self._ends] - total[self._from]
            return whole
        squared = np.conj(np.fft.rfft(self.volts**2, self._size))
        counted = np.fft.rfft(self._frame.seen.astype(np.float64), self._size)
        slid: Volts = np.fft.irfft(counted * squared, self._size)
        return slid[self.starts % self._size]

    def powers(self, columns: Volts) -> Volts:
        """With powers of a line from -1 to 1 (as ``polynomial_columns``), shape (m, degree + 1)."""
        if not self._frame.whole:
            return np.stack([self.series(column) for column in columns.T], axis=1)
        scale = 2 / max(self._frame.n - 1, 1)
        line, offset = scale * np.arange(len(self.volts)), scale * self.starts - 1
        totals = [_running(self.volts * line**k) for k in range(columns.shape[1])]
        moments = [total[self._ends] - total[self._from] for total in totals]
        expanded = [moments[0]]
        if len(moments) > 1:
            expanded.append(moments[1] + offset * moments[0])
        if len(moments) > 2:
            expanded.append(moments[2] + 2 * offset * moments[1] + offset**2 * moments[0])
        return np.stack(expanded, axis=1)

    def tones(self, first: int) -> Tones:
        """With unit tones from sample ``first`` on; whole records only. Shape (m, harmonics)."""
        begin = np.clip(max(first, self._frame.first) - self.starts, 0, len(self.volts))
        return self._turned * (self._whole_sums - self._sums[begin])

    def edge(self, first: int, columns: Tones) -> Tones:
        """With columns that are there for a few samples from ``first`` on only."""
        at = first + np.arange(len(columns)) - self.starts[:, None]
        inside = (at >= 0) & (at < len(self.volts))
        laid: Tones = np.where(inside, self.volts[np.clip(at, 0, len(self.volts) - 1)], 0.0) @ columns
        return laid

    def columns(self, columns: Tones) -> Tones:
        """With any complex columns of n samples, through the FFT."""
        spectrum = np.fft.fft(self.volts, self._size).conj()
        slid: Tones = np.fft.ifft(np.fft.fft(columns.T, self._size) * spectrum).T
        return slid[self.starts % self._size]


def _running(values: NDArray[Number]) -> NDArray[Number]:
    """Sums of the first 0, 1, ... values along the first axis."""
    total = np.zeros((len(values) + 1, *values.shape[1:]), values.dtype)
    np.cumsum(values, axis=0, out=total[1:])
    return total


def fast_size(least: int) -> int:
    """The smallest product of twos, threes and fives that is not less: where the FFT is quick."""
    best, five = 1 << max(least - 1, 1).bit_length(), 1
    while five < best:
        three = five
        while three < best:
            two = three << max(0, -(-least // three) - 1).bit_length()
            best = min(best, two)
            three *= 3
        five *= 5
    return best


def place_shape(shape: Shape, origin: int, n: int) -> Volts:
    """The shape in a record of n samples with its switch-on at ``origin``; its last value goes on."""
    indices = np.arange(n) - origin + shape.lead
    inside = np.clip(indices, 0, len(shape.volts) - 1)
    return np.where(indices >= 0, shape.volts[inside], 0.0)
