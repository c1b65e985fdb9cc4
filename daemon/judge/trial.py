"""The sums behind the detector: a record against shapes at every origin, for one hum step after another."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from daemon.judge.hum import Mask, Volts, harmonics_below, hum_columns, polynomial_columns
from daemon.judge.whiten import Whitener, whitener_of

Spectrum = NDArray[np.complex128]

STEPS_TRIED = 16
LEAST_PERIODS = 2  # of mains on either side of a hum step, else it is not fitted
LEAST_ENERGY = 0.05  # of the shape that has to lie in the record: a sliver would be blown up to any size


@dataclass(frozen=True, slots=True)
class Shape:
    """``volts`` sampled like the record; ``lead`` samples of it lie before its own switch-on."""

    volts: Volts
    lead: int


class Record:
    """A record made ready for searches: nuisance terms, noise, whitening. Volts have shape (n,)."""

    def __init__(self, volts: Volts, dt_s: float, seen: Mask, lsb_v: float, mains_hz: float) -> None:
        self.volts, self.dt_s, self.seen = volts, dt_s, seen
        self.n = len(volts)
        self.lsb_v = lsb_v
        self.least_sigma_v = max(lsb_v / math.sqrt(12), 1e-12)
        self.mains_hz = mains_hz
        times_s = np.arange(self.n, dtype=np.float64) * dt_s
        self.hum = hum_columns(times_s, mains_hz, harmonics_below(mains_hz, dt_s))

    def whitener(self, quiet: slice) -> Whitener:
        """How to whiten this record's noise, learnt from a stretch where nothing happens."""
        stretch, seen = self.volts[quiet], self.seen[quiet]
        base = np.hstack([polynomial_columns(len(stretch), 1), self.hum[quiet]])
        if len(stretch) < 10 * base.shape[1] or not seen.all():
            return Whitener.none()
        return whitener_of(stretch - base @ np.linalg.lstsq(base, stretch, rcond=None)[0])

    def step_places(self, first: int, last: int) -> list[int]:
        """Where a hum step is tried; empty where neither side has enough periods for one."""
        margin = round(LEAST_PERIODS / self.mains_hz / self.dt_s)
        low, high = max(first, margin), min(last, self.n - margin)
        if low > high:
            return []
        return sorted({round(place) for place in np.linspace(low, high, STEPS_TRIED)})

    def hum_from(self, place: int) -> Volts:
        """Hum that begins at a sample, shape (n, columns); no column where ``place`` is negative."""
        if place < 0:
            return np.empty((self.n, 0))
        return np.where(np.arange(self.n)[:, None] >= place, self.hum, 0.0)


@dataclass(frozen=True, slots=True, eq=False)
class Best:
    """The least residual so far: which hum step, shape and origin, and that shape's sums at all origins."""

    rss: float
    place: int
    number: int
    where: int
    inner: Volts
    energy: Volts


class Trial:
    """One record, some shapes, all origins. ``nulls`` is the residual without a shape for each hum step."""

    def __init__(
        self,
        record: Record,
        shapes: Sequence[Shape],
        origins: NDArray[np.int64],
        whitener: Whitener,
        degree: int,
    ) -> None:
        self._record, self._whitener = record, whitener
        self._seen = whitener.clear(record.seen).astype(np.float64)
        fixed = whitener.apply(np.hstack([polynomial_columns(record.n, degree), record.hum]))
        self._fixed = orthonormal(fixed * self._seen[:, None])
        x = whitener.apply(record.volts) * self._seen
        self._rest = x - self._fixed @ (self._fixed.T @ x)
        lead, first, last = max(s.lead for s in shapes), int(origins[0]), int(origins[-1])
        # A shape longer than the record can reach back from its earliest origin: its last value goes on.
        self._length = max(record.n - first + lead, *(len(s.volts) for s in shapes), 1)
        self._size = 1 << int(record.n + self._length - 1).bit_length()
        self._spans = [np.arange(first, last + 1) - s.lead for s in shapes]
        self._shapes = [self._padded(whitener.apply(s.volts)) for s in shapes]
        self._spectra = [np.conj(np.fft.rfft(shape, self._size)) for shape in self._shapes]
        self._base = [self._sums_without_step(number) for number in range(len(shapes))]
        self.nulls: dict[int, float] = {}
        self._best: Best | None = None

    @property
    def best(self) -> Best:
        """The best of all places tried; there is one once ``at`` has been called."""
        if self._best is None:
            raise ValueError("no place has been tried")
        return self._best

    def at(self, place: int) -> None:
        """Try a hum step at a sample (negative: none)."""
        step = self._whitener.apply(self._record.hum_from(place)) * self._seen[:, None]
        columns = orthonormal(step - self._fixed @ (self._fixed.T @ step))
        weights = columns.T @ self._rest
        null = float(self._rest @ self._rest - weights @ weights)
        self.nulls[place] = null
        spectra = np.fft.rfft(columns, self._size, axis=0)
        for number in range(len(self._shapes)):
            slid = self._slide(spectra, number)
            inner = self._base[number][0] - slid @ weights
            energy = self._with_floor(self._base[number][1] - np.sum(slid**2, axis=1), number)
            gain = np.where(energy > 0, inner**2 / np.where(energy > 0, energy, 1), 0.0)
            where = int(np.argmax(gain))
            if self._best is None or null - gain[where] < self._best.rss:
                self._best = Best(null - float(gain[where]), place, number, where, inner, energy)

    def _sums_without_step(self, number: int) -> tuple[Volts, Volts]:
        inner = self._slide(np.fft.rfft(self._rest, self._size), number)
        squared = np.conj(np.fft.rfft(self._shapes[number] ** 2, self._size))
        all_energy = np.fft.irfft(np.fft.rfft(self._seen, self._size) * squared, self._size)
        eaten = self._slide(np.fft.rfft(self._fixed, self._size, axis=0), number)
        return inner, all_energy[self._spans[number] % self._size] - np.sum(eaten**2, axis=1)

    def _slide(self, spectra: Spectrum, number: int) -> Volts:
        """Inner products of series (their spectra) with a shape at every origin, shape (origins, ...)."""
        template = self._spectra[number] if spectra.ndim == 1 else self._spectra[number][:, None]
        slid: Volts = np.fft.irfft(spectra * template, self._size, axis=0)
        return slid[self._spans[number] % self._size]

    def _padded(self, shape: Volts) -> Volts:
        return np.concatenate([shape, np.full(self._length - len(shape), shape[-1])])

    def _with_floor(self, energy: Volts, number: int) -> Volts:
        whole = float(self._shapes[number] @ self._shapes[number])
        return np.where(energy > LEAST_ENERGY * whole, energy, 0.0)


def orthonormal(columns: Volts) -> Volts:
    """Orthonormal basis of the columns, leaving out what is dependent."""
    if not columns.shape[1]:
        return columns
    left, sizes, _ = np.linalg.svd(columns, full_matrices=False)
    kept: Volts = left[:, sizes > max(sizes[0] * 1e-9, 1e-300)]
    return kept


def place_shape(shape: Shape, origin: int, n: int) -> Volts:
    """The shape in a record of n samples with its switch-on at ``origin``; its last value goes on."""
    indices = np.arange(n) - origin + shape.lead
    inside = np.clip(indices, 0, len(shape.volts) - 1)
    return np.where(indices >= 0, shape.volts[inside], 0.0)
