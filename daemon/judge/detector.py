"""Is a known shape somewhere in a record? Generalised likelihood ratio with hum that may begin anywhere.

Model: x = drift + sum over k of hum_k (1 + step at tau) + a s(n - o) + noise. The statistic is
g^2 = [min RSS without s - min RSS with s] / sigma^2 (S. M. Kay, Fundamentals of Statistical Signal
Processing II, ch. 7), sigma robustly from what is left, never below LSB/sqrt(12).
Hum that begins with the switch-on has to be in the model: without it every hum step is taken for a kick.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

from daemon.judge.hum import Mask, Volts, harmonics_below, hum_columns, polynomial_columns
from daemon.judge.noise import robust_sigma
from daemon.judge.whiten import Whitener, whitener_of

FALSE_ALARM = 1e-3
KEPT_ENERGY = 0.6  # of the shape that a drift term may not eat below
LEAST_ENERGY = 0.05  # of the shape that has to lie in the record
STEPS_TRIED = 16
LEAST_PERIODS = 2  # of mains on either side of a hum step, else it is not fitted


@dataclass(frozen=True, slots=True)
class Shape:
    """``volts`` sampled like the record; ``lead`` samples of it lie before its own switch-on."""

    volts: Volts
    lead: int


@dataclass(frozen=True, slots=True, eq=False)
class Search:
    """What a search for one shape found.

    ``g`` the statistic and ``threshold`` what noise reaches once in a thousand records; ``origin`` the
    sample where the shape's switch-on would be; ``size`` its factor with one standard uncertainty ``sd``;
    ``origins`` all that were tried and ``detectability`` sqrt(energy left of the shape)/sigma at each;
    ``drift``, ``hum`` and ``fitted`` (the shape) add up to the fit, shape (n,) each.
    """

    g: float
    threshold: float
    origin: int
    size: float
    sd: float
    sigma_v: float
    origins: NDArray[np.int64]
    sizes: Volts
    detectability: Volts
    drift: Volts
    hum: Volts
    fitted: Volts

    @property
    def found(self) -> bool:
        """True where noise alone does not explain it."""
        return self.g > self.threshold

    def at(self, origin: int) -> int:
        """Index into ``origins`` of the nearest one tried."""
        return int(np.argmin(np.abs(self.origins - origin)))


def threshold(trials: int, false_alarm: float = FALSE_ALARM) -> float:
    """u = Q^-1(Pfa / (2 N)): N independent two-sided looks (5,000 at 1e-3: 5.20)."""
    return -NormalDist().inv_cdf(false_alarm / (2 * trials))


class Record:
    """A record made ready for searches: nuisance terms, noise, whitening. Shapes as in ``hum``."""

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


def search(
    record: Record,
    shapes: Sequence[Shape],
    origins: NDArray[np.int64],
    step_places: Sequence[int],
    whitener: Whitener,
) -> Search:
    """The best place, shape and size. ``origins`` are samples, consecutive."""
    degree = min(_drift_degree(record, shape, origins, whitener) for shape in shapes)
    x = whitener.apply(record.volts) * whitener.clear(record.seen)
    seen = whitener.clear(record.seen).astype(np.float64)
    fixed = np.hstack([polynomial_columns(record.n, degree), record.hum])
    base = whitener.apply(fixed) * seen[:, None]
    best: tuple[float, int, int, int] | None = None
    least_null = math.inf
    results: dict[tuple[int, int], tuple[Volts, Volts]] = {}
    places = list(step_places) or [-1]
    for place in places:
        columns = _orthonormal(np.hstack([base, _step(record, place, whitener) * seen[:, None]]))
        rest = x - columns @ (columns.T @ x)
        null = float(rest @ rest)
        least_null = min(least_null, null)
        for number, shape in enumerate(shapes):
            inner, energy = _correlate(rest, columns, seen, _whitened(shape, whitener), shape.lead, origins)
            gain = np.where(energy > 0, inner**2 / np.where(energy > 0, energy, 1), 0.0)
            where = int(np.argmax(gain))
            results[place, number] = inner, energy
            if best is None or null - gain[where] < best[0]:
                best = (null - float(gain[where]), place, number, where)
    assert best is not None
    return _found(record, shapes, origins, whitener, degree, best, least_null, results)


def _found(
    record: Record,
    shapes: Sequence[Shape],
    origins: NDArray[np.int64],
    whitener: Whitener,
    degree: int,
    best: tuple[float, int, int, int],
    least_null: float,
    results: dict[tuple[int, int], tuple[Volts, Volts]],
) -> Search:
    rss, place, number, where = best
    inner, energy = results[place, number]
    sizes = np.where(energy > 0, inner / np.where(energy > 0, energy, 1), 0.0)
    placed = place_shape(shapes[number], int(origins[where]), record.n) * sizes[where]
    hum_columns_ = np.hstack([record.hum, _step(record, place, Whitener.none())])
    base = np.hstack([polynomial_columns(record.n, degree), hum_columns_])
    seen = record.seen
    left = record.volts - placed
    weights = np.linalg.lstsq(base[seen], left[seen], rcond=None)[0]
    residual = whitener.apply(left - base @ weights)[whitener.clear(seen)]
    sigma = robust_sigma(residual, record.lsb_v, record.least_sigma_v)
    return Search(
        math.sqrt(max(0.0, least_null - rss)) / sigma,
        threshold(len(origins) * len(shapes)),
        int(origins[where]),
        float(sizes[where]),
        sigma / math.sqrt(energy[where]) if energy[where] > 0 else math.inf,
        sigma,
        origins,
        sizes,
        np.sqrt(np.maximum(energy, 0)) / sigma,
        base[:, : degree + 1] @ weights[: degree + 1],
        hum_columns_ @ weights[degree + 1 :],
        placed,
    )


def place_shape(shape: Shape, origin: int, n: int) -> Volts:
    """The shape in a record of n samples with its switch-on at ``origin``; its last value goes on."""
    indices = np.arange(n) - origin + shape.lead
    inside = np.clip(indices, 0, len(shape.volts) - 1)
    return np.where(indices >= 0, shape.volts[inside], 0.0)


def _drift_degree(record: Record, shape: Shape, origins: NDArray[np.int64], whitener: Whitener) -> int:
    """The highest parabola, line or constant that leaves the shape most of its energy."""
    placed = whitener.apply(place_shape(shape, int(origins[len(origins) // 2]), record.n))
    whole = float(placed @ placed)
    for degree in (2, 1):
        columns = _orthonormal(whitener.apply(polynomial_columns(record.n, degree)))
        if whole - float(np.sum((columns.T @ placed) ** 2)) >= KEPT_ENERGY * whole:
            return degree
    return 0


def _step(record: Record, place: int, whitener: Whitener) -> Volts:
    if place < 0:
        return np.empty((record.n, 0))
    return whitener.apply(np.where(np.arange(record.n)[:, None] >= place, record.hum, 0.0))


def _whitened(shape: Shape, whitener: Whitener) -> Volts:
    return whitener.apply(shape.volts)


def _orthonormal(columns: Volts) -> Volts:
    """Orthonormal basis of the columns, leaving out what is dependent."""
    left, sizes, _ = np.linalg.svd(columns, full_matrices=False)
    kept: Volts = left[:, sizes > sizes[0] * 1e-9] if len(sizes) and sizes[0] > 0 else left[:, :0]
    return kept


def _correlate(
    rest: Volts, columns: Volts, seen: Volts, shape: Volts, lead: int, origins: NDArray[np.int64]
) -> tuple[Volts, Volts]:
    """Inner product with ``rest`` and energy outside ``columns`` of the shape at each origin."""
    n, first, last = len(rest), int(origins[0]), int(origins[-1])
    # A shape longer than the record can reach back from its earliest origin: its last value goes on.
    length = max(n - (first - lead), len(shape))
    padded = np.concatenate([shape, np.full(length - len(shape), shape[-1])])
    size = 1 << int(n + length - 1).bit_length()
    spectrum = np.conj(np.fft.rfft(padded, size))
    shifts = (np.arange(first, last + 1) - lead) % size

    def slide(series: Volts, template: NDArray[np.complex128]) -> Volts:
        slid: Volts = np.fft.irfft(np.fft.rfft(series, size, axis=0) * template, size, axis=0)[shifts]
        return slid

    inner = slide(rest, spectrum)
    energy = slide(seen, np.conj(np.fft.rfft(padded**2, size)))
    energy = energy - np.sum(slide(columns, spectrum[:, None]) ** 2, axis=1)
    whole = float(padded @ padded)
    # A sliver of the shape would be blown up to any size: such places are not tried.
    return inner, np.where(energy > LEAST_ENERGY * whole, energy, 0.0)
