"""The sums behind the detector: a record against shapes at every origin, for one hum step after another.

The part of the model that never changes (drift and steady hum) is projected out once; a hum step adds a small
Gram matrix. Everything is whitened alike: a whitened tone is the tone turned and scaled, but for the few
samples at its beginning.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from daemon.judge.hum import Mask, Tones, Volts, harmonics_below, polynomial_columns, tones_of
from daemon.judge.noise import robust_sigma
from daemon.judge.slide import Frame, Shape, Slider
from daemon.judge.whiten import ORDER, Whitener

Places = NDArray[np.int64]

LEAST_PERIODS = 2  # of mains on either side of a hum step, else it is not fitted
LEAST_ENERGY = 0.05  # of the shape that has to lie in the record: a sliver would be blown up to any size
FAR = 4.0  # sigma
NO_STEP = -1
GRID = 64  # samples between sums that are kept
_DEPENDENT = 1e-11  # of the largest eigenvalue: what is less is no direction of its own
_RIDGE = 1e-10


class Record:
    """A record made ready for searches. Volts have shape (n,)."""

    def __init__(self, volts: Volts, dt_s: float, seen: Mask, lsb_v: float, mains_hz: float) -> None:
        self.volts, self.dt_s, self.seen = volts, dt_s, seen
        self.n = len(volts)
        self.lsb_v = lsb_v
        self.least_sigma_v = max(lsb_v / math.sqrt(12), 1e-12)
        self.mains_hz = mains_hz
        self.harmonics = harmonics_below(mains_hz, dt_s)
        self.tones = tones_of(np.arange(self.n), mains_hz * dt_s, self.harmonics)

    def at_mains(self, mains_hz: float) -> "Record":
        """The same record with the hum at another frequency."""
        return Record(self.volts, self.dt_s, self.seen, self.lsb_v, mains_hz)

    def step_range(self, first: int) -> tuple[int, int] | None:
        """Where hum may begin, from ``first`` on; None where neither side has enough periods for it."""
        margin = max(round(LEAST_PERIODS / self.mains_hz / self.dt_s), 2 * ORDER)
        low, high = max(first, margin), self.n - margin
        return (low, high) if low <= high and self.harmonics else None


@dataclass(frozen=True, slots=True, eq=False)
class Sums:
    """For one hum step and one shape: residual without the shape; inner product and energy at each origin."""

    place: int
    shape: int
    null: float
    inner: Volts
    energy: Volts

    @property
    def gain(self) -> Volts:
        """What the shape takes off the residual at each origin."""
        gain: Volts = np.where(self.energy > 0, self.inner**2 / np.where(self.energy > 0, self.energy, 1), 0.0)
        return gain


@dataclass(frozen=True, slots=True, eq=False)
class Step:
    """Hum that begins at sample ``first``: its columns from there on, their part in the fixed ones, what makes
    the rest orthonormal, and their inner product with what is left of the record."""

    first: int
    columns: Tones
    across: Volts
    solving: Volts
    inner: Volts

    @property
    def real(self) -> Volts:
        """The columns as cosines and sines."""
        return as_real(self.columns)


class Trial:
    """One record, some shapes, all origins (consecutive samples)."""

    def __init__(
        self, record: Record, shapes: Sequence[Shape], origins: Places, whitener: Whitener, degree: int
    ) -> None:
        self._record, self._whitener = record, whitener
        self._reach = len(whitener.weights) - 1
        self.seen = whitener.clear(record.seen)
        counts = self.seen[:, None]
        self._response = whitener.response(record.mains_hz * record.dt_s, record.harmonics)
        self._tones = record.tones * self._response * counts
        powers = polynomial_columns(record.n, degree) * counts
        fixed = np.hstack([powers, as_real(self._tones)])
        self._spanning = independent(fixed.T @ fixed)
        self._fixed = fixed @ self._spanning
        x = whitener.apply(record.volts) * self.seen
        self._shares = self._fixed.T @ x
        self._rest = x - self._fixed @ self._shares
        self._beside = np.hstack([as_real(self._tones), self._fixed, self._rest[:, None]])
        self._tails = self._sum_tails()
        frame = Frame(
            record.n, self._reach, self.seen, record.mains_hz * record.dt_s, record.harmonics
        )
        self._whole = frame.whole
        self._last_laid: tuple[tuple[int, int], Volts, Volts] = (NO_STEP, NO_STEP), x, x
        self._frame, self._powers, self._shapes, self._origins = frame, powers, shapes, origins

    @property
    def period(self) -> float:
        """Of the mains, samples."""
        return 1 / (self._record.mains_hz * self._record.dt_s)

    @cached_property
    def _sliders(self) -> list[Slider]:
        return [Slider(shape, self._origins, self._frame, self._whitener) for shape in self._shapes]

    @cached_property
    def _base(self) -> list[tuple[Volts, Volts, Volts]]:
        return [self._without_step(slider, self._powers) for slider in self._sliders]

    @property
    def neighbours_correlate(self) -> float:
        """Of all shapes the least correlation from one origin to the next."""
        return min(slider.neighbours_correlate for slider in self._sliders)

    def at(self, place: int) -> list[Sums]:
        """Hum that begins at a sample (``NO_STEP``: none), with each shape."""
        step = self._step(place)
        weights = step.solving.T @ step.inner
        null = float(self._rest @ self._rest - weights @ weights)
        result = []
        for number, (slider, base) in enumerate(zip(self._sliders, self._base, strict=True)):
            slid = (as_real(self._slide_step(slider, step)) - base[2] @ step.across) @ step.solving
            energy = base[1] - np.einsum("ij,ij->i", slid, slid)
            energy = np.where(energy > LEAST_ENERGY * slider.power, energy, 0.0)
            result.append(Sums(place, number, null, base[0] - slid @ weights, energy))
        return result

    def residual(self, place: int, shape: int = 0, where: int = 0, size: float = 0.0) -> Volts:
        """What is left, whitened, of the samples that count, with ``size`` of a shape at an origin's index."""
        rest = self._rest
        if size:
            placed = self._sliders[shape].placed(where) * self.seen
            rest = rest - size * (placed - self._fixed @ (self._fixed.T @ placed))
        return self._without(self._step(place), rest)[self.seen]

    def _without(self, step: Step, series: Volts) -> Volts:
        """A series that has nothing of the fixed columns, without the step."""
        weights = step.solving @ (step.solving.T @ (step.real.T @ series[step.first :]))
        left: Volts = series + self._fixed @ (step.across @ weights)
        left[step.first :] -= step.real @ weights
        return left

    def mains_error(self, place: int) -> tuple[float, float]:
        """One Gauss-Newton step of the mains frequency, hertz, and what it takes off the residual, in sigma^2.

        What stands far out of the noise is cut short: a kick would turn the frequency its own way.
        """
        record, step = self._record, self._step(place)
        v = step.solving @ (step.solving.T @ step.inner)
        fixed = (self._spanning @ (self._shares - step.across @ v))[self._powers.shape[1] :]
        turning = 2j * np.pi * np.array(record.harmonics)
        slope = np.real(self._tones @ (turning * as_weights(fixed)))
        if len(v):
            slope[step.first :] += np.real(step.columns @ (turning * as_weights(v)))
        slope *= (np.arange(record.n) - record.n / 2) * record.dt_s
        slope = self._without(step, slope - self._fixed @ (self._fixed.T @ slope))
        left = self._without(step, self._rest)
        sigma = robust_sigma(left[self.seen], record.lsb_v, record.least_sigma_v)
        power, inner = float(slope @ slope), float(slope @ np.clip(left, -FAR * sigma, FAR * sigma))
        return (inner / power, inner**2 / power / sigma**2) if power > 0 else (0.0, 0.0)

    def residuals(self, places: Places, shape: int = 0, where: int = -1) -> Volts:
        """Residual sum for each place of the hum step (ascending), with a shape at one origin (-1: without)."""
        k = 2 * self._tones.shape[1]
        sums = self._from_places(places)
        across, inner = sums[:, :, k:-1], sums[:, :, -1:]
        gram = sums[:, :, :k] - across @ across.swapaxes(1, 2)
        gram += (_RIDGE * np.trace(gram, axis1=1, axis2=2) / k)[:, None, None] * np.eye(k)
        if where >= 0:
            placed, tails = self._laid(shape, where)
            inner = np.concatenate([inner, self._with_series(placed, tails, places)], axis=2)
        taken = inner.swapaxes(1, 2) @ np.linalg.solve(gram, inner)
        null: Volts = self._rest @ self._rest - taken[:, 0, 0]
        if where < 0:
            return null
        energy = np.maximum(placed @ placed - taken[:, 1, 1], 1e-300)
        with_shape: Volts = null - (placed @ self._rest - taken[:, 0, 1]) ** 2 / energy
        return with_shape

    def _laid(self, shape: int, where: int) -> tuple[Volts, Volts]:
        """A shape at an origin without the fixed columns, and the tones' sums with it from each sample on."""
        if self._last_laid[0] != (shape, where):
            placed = self._sliders[shape].placed(where) * self.seen
            placed -= self._fixed @ (self._fixed.T @ placed)
            products = as_real(self._tones) * placed[:, None]
            tails = np.zeros((self._record.n + 1, products.shape[1]))
            tails[:-1] = np.cumsum(products[::-1], axis=0)[::-1]
            self._last_laid = (shape, where), placed, tails
        return self._last_laid[1:]

    def _with_series(self, series: Volts, tails: Volts, places: Places) -> Volts:
        """Step columns times one series for each place, shape (places, columns, 1)."""
        sums = tails[places + self._reach]
        if self._reach:
            beside = series[places[:, None] + np.arange(self._reach)]
            sums = sums + np.einsum("pr,prk->pk", beside, as_real(self._edges(places)))
        return sums[:, :, None]

    def _from_places(self, places: Places) -> Volts:
        """Step columns times tones, fixed columns and what is left of the record, for each place."""
        left, k = as_real(self._tones), 2 * self._tones.shape[1]
        cuts = places + self._reach
        ends = np.minimum(-(-cuts // GRID) * GRID, self._record.n)
        total: Volts = np.array([left[a:b].T @ self._beside[a:b] for a, b in zip(cuts, ends, strict=True)])
        total += self._tails[-(-cuts // GRID)]
        if not self._reach:
            return total
        edges = as_real(self._edges(places))
        beside = self._beside[places[:, None] + np.arange(self._reach)]
        beside[:, :, :k] = edges
        total += edges.swapaxes(1, 2) @ beside
        return total

    def _sum_tails(self) -> Volts:
        """The sums from every ``GRID``-th sample to the end, shape (samples / GRID + 2, columns, columns)."""
        left, n = as_real(self._tones), self._record.n
        blocks = [left[a : a + GRID].T @ self._beside[a : a + GRID] for a in range(0, n, GRID)]
        tails = np.zeros((len(blocks) + 2, *blocks[0].shape))
        tails[: len(blocks)] = np.cumsum(np.array(blocks)[::-1], axis=0)[::-1]
        return tails

    def _edges(self, places: Places) -> Tones:
        """The whitened tones' first samples, where the filter still sees silence: (places, reach, tones)."""
        raw, weights = self._record.tones, self._whitener.weights
        edges = np.zeros((len(places), self._reach, raw.shape[1]), complex)
        for e in range(self._reach):
            for q in range(e + 1):
                edges[:, e] += weights[q] * raw[places + e - q]
        counted: Tones = edges * self.seen[places[:, None] + np.arange(self._reach)][:, :, None]
        return counted

    def _step(self, place: int) -> Step:
        if place == NO_STEP:
            none = np.zeros((0, 0), complex)
            return Step(self._record.n, none, np.zeros((self._fixed.shape[1], 0)), np.zeros((0, 0)), np.zeros(0))
        columns = self._tones[place:]
        if self._reach:
            columns = columns.copy()
            columns[: self._reach] = self._edges(np.array([place]))[0]
        sums, k = self._from_places(np.array([place]))[0], 2 * columns.shape[1]
        across = sums[:, k:-1].T
        return Step(place, columns, across, independent(sums[:, :k] - across.T @ across), sums[:, -1])

    def _slide_step(self, slider: Slider, step: Step) -> Tones:
        if not step.columns.shape[1]:
            return np.zeros((len(slider.starts), 0), complex)
        if not self._whole:
            return slider.columns(np.vstack([np.zeros_like(self._tones[: step.first]), step.columns]))
        slid = slider.tones(step.first + self._reach) * self._response
        if self._reach:
            slid = slid + slider.edge(step.first, step.columns[: self._reach])
        return slid

    def _without_step(self, slider: Slider, powers: Volts) -> tuple[Volts, Volts, Volts]:
        """Inner product, energy and the fixed columns' share, without any step."""
        tones = slider.tones(0) * self._response if self._whole else slider.columns(self._tones)
        eaten = np.hstack([slider.powers(powers), as_real(tones)]) @ self._spanning
        energy = slider.energy() - np.einsum("ij,ij->i", eaten, eaten)
        return slider.series(self._rest), energy, eaten


def as_real(columns: Tones) -> Volts:
    """Complex columns as twice as many real ones: real and imaginary part of each."""
    return np.ascontiguousarray(columns).view(np.float64)


def as_weights(weights: Volts) -> Tones:
    """Weights of real and imaginary columns as one complex weight each: the sum is Re(weight x tone)."""
    return weights[0::2] - 1j * weights[1::2]


def independent(gram: Volts) -> Volts:
    """T such that columns @ T are orthonormal, from the columns' Gram matrix; what is dependent is left out."""
    if not len(gram):
        return gram
    scale = 1 / np.sqrt(np.maximum(np.diag(gram), 1e-300))
    values, vectors = np.linalg.eigh(gram * np.outer(scale, scale))
    kept = values > _DEPENDENT * max(values[-1], 1e-300)
    made: Volts = scale[:, None] * vectors[:, kept] / np.sqrt(values[kept])
    return made
