"""Is a known shape somewhere in a record? Generalised likelihood ratio with hum that may begin anywhere.

Model: x = drift + sum over k of hum_k (1 + step at tau) + a s(n - o) + noise. The statistic is
g^2 = [min RSS without s - min RSS with s] / sigma^2 (S. M. Kay, Fundamentals of Statistical Signal
Processing II, ch. 7), sigma robustly from what is left, never below LSB/sqrt(12).
Hum that begins with the switch-on has to be in the model: without it every hum step is taken for a kick.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from daemon.judge.chance import span_95, threshold
from daemon.judge.hum import Volts, polynomial_columns
from daemon.judge.noise import robust_sigma
from daemon.judge.slide import Shape, place_shape
from daemon.judge.trial import NO_STEP, Places, Record, Sums, Trial
from daemon.judge.whiten import Whitener, whitener_of

FALSE_ALARM = 1e-3
EXPECTED_SHARE = 0.8  # of the false alarms that may fall where the kick is expected
KEPT_ENERGY = 0.6  # of the shape that a drift term may not eat below
COARSE_PLACES, FINE_PLACES, DENSE_PLACES = 48, 16, 128
DENSE_PERIODS = 2.2
MOST_CLOSE = 64
ROUNDS = 3
PLAIN = 6.0  # sigma
TUNINGS = 4
CLEAR_SHARE = 0.5
MISTUNED = 4.0  # sigma^2 that a better mains frequency would take off
HUM_LOOKS = 3  # hum that may begin anywhere lends itself to noise: so many looks more, by the benchmark's empty records
CHI_SQUARE_99 = 6.635  # of one degree of freedom
WIDTHS = (1, 3, 9, 27, 81, 243)
ANY_COURSE_ALARM = 1e-4
LEAST_SIDE = 200  # samples after the switch-on that tell whether noise begins with it


@dataclass(frozen=True, slots=True, eq=False)
class Search:
    """What a search for one shape found.

    ``g`` the statistic and ``threshold`` what noise reaches there once in a thousand records; ``origin`` the
    sample where the shape's switch-on would be, ``origin_low`` and ``origin_high`` its 95 % interval;
    ``size`` its factor with one standard uncertainty ``sd``; ``origins`` all that were tried, the
    ``thresholds`` and ``detectability`` sqrt(energy left of the shape)/sigma at each; ``shape`` which of
    several; ``stands_out``: something of any course lies beyond what drift, hum and noise make; ``hum_begins``
    a sample or -1, ``mains_hz`` its frequency; ``drift``, ``hum`` and ``fitted`` (the shape) add up to the fit,
    shape (n,) each.
    """

    g: float
    threshold: float
    origin: int
    origin_low: float
    origin_high: float
    size: float
    sd: float
    sigma_v: float
    origins: Places
    sizes: Volts
    thresholds: Volts
    detectability: Volts
    shape: int
    stands_out: bool
    hum_begins: int
    mains_hz: float
    drift: Volts
    hum: Volts
    fitted: Volts

    @property
    def found(self) -> bool:
        """True where noise alone does not explain it."""
        return self.g > self.threshold

    @property
    def as_good(self) -> NDArray[np.bool_]:
        """Origins that fit as well as the best one does, 99 % region of the likelihood.

        A kick that began in a gap may have been small and late or large and early: its tail looks alike.
        """
        gain = (self.sizes * self.detectability) ** 2
        near: NDArray[np.bool_] = gain >= gain.max() - CHI_SQUARE_99
        return near

    def at(self, origin: int) -> int:
        """Index into ``origins`` of the nearest one tried."""
        return int(np.argmin(np.abs(self.origins - origin)))


def search(
    record: Record,
    shapes: Sequence[Shape],
    origins: Places,
    hum_from: int | None,
    expected: tuple[int, int] | None = None,
) -> Search:
    """The best place, shape and size. ``origins`` are consecutive samples.

    Hum may begin from sample ``hum_from`` on (None: nowhere). The first and last ``expected`` origin get a
    share of the false alarms of their own, so that a kick in its place needs less to be believed.
    """
    degree = _drift_degree(record, shapes, int(origins[len(origins) // 2]))
    steps = None if hum_from is None else record.step_range(hum_from)
    record, trial, place = _tuned(record, shapes, origins, steps, degree)
    whitener = whitener_of(_without_kick(trial, place))
    # Among many gaps a filter finds nothing to stand on.
    if not whitener.changes_nothing and whitener.clear(record.seen).sum() >= CLEAR_SHARE * record.seen.sum():
        trial = Trial(record, shapes, origins, whitener, degree)
        place = _best_place(trial, steps, near=place)
    else:
        whitener = Whitener.none()
    left = trial.residual(place)
    looks = len(shapes) * (1 if steps is None else HUM_LOOKS)
    limits = _thresholds(origins, expected, looks, trial.neighbours_correlate)
    sigma = robust_sigma(left, record.lsb_v, record.least_sigma_v)
    best, null = _best(trial, steps, place, limits * sigma)
    return _found(record, shapes, origins, trial, best, null, limits, _Fit(record, whitener, degree, hum_from))


def _tuned(
    record: Record, shapes: Sequence[Shape], origins: Places, steps: tuple[int, int] | None, degree: int
) -> tuple[Record, Trial, int]:
    """Mains frequency and beginning of the hum in turns, while that takes more off than noise would."""
    trial = Trial(record, shapes, origins, Whitener.none(), degree)
    place = _best_place(trial, steps)
    for _ in range(TUNINGS):
        if not record.harmonics:
            break
        off_hz, taken = trial.mains_error(place)
        if taken < MISTUNED:
            break
        record = record.at_mains(record.mains_hz + off_hz)
        trial = Trial(record, shapes, origins, Whitener.none(), degree)
        place = _best_place(trial, steps)
    return record, trial, place


def _without_kick(trial: Trial, place: int) -> Volts:
    """What hum and drift leave, and a kick where one is plain: its tail is no noise that remembers."""
    left = trial.residual(place)
    sums = max(trial.at(place), key=lambda each: float(each.gain.max()))
    where = int(np.argmax(sums.gain))
    if sums.gain[where] < (PLAIN * robust_sigma(left, 0.0, 0.0)) ** 2:
        return left
    return trial.residual(place, sums.shape, where, float(sums.inner[where] / sums.energy[where]))


def _best_place(
    trial: Trial, steps: tuple[int, int] | None, shape: int = 0, where: int = -1, near: int = NO_STEP
) -> int:
    """Where hum begins, to the sample: half a period of unfitted hum would pass for a kick.

    Every sample half a period either side of ``near`` is tried too: whitened, the right one stands alone.
    """
    if steps is None:
        return NO_STEP
    low, high = steps
    half = round(trial.period / 2)
    close = np.arange(max(low, near - half), min(high, near + half) + 1)[:: max(1, half // MOST_CLOSE)]
    found = _least(trial, close, shape, where) if near >= 0 and len(close) else (math.inf, NO_STEP)
    count = COARSE_PLACES
    while True:
        places = np.unique(np.linspace(low, high, min(count, high - low + 1)).round().astype(np.int64))
        left = trial.residuals(places, shape, where)
        best = int(np.argmin(left))
        if len(places) > high - low:
            return min(found, (float(left[best]), int(places[best])))[1]
        low, high = int(places[max(best - 1, 0)]), int(places[min(best + 1, len(places) - 1)])
        # Within two periods the residual rises and falls with the hum itself: nothing may be passed over.
        count = DENSE_PLACES if high - low <= DENSE_PERIODS * trial.period else FINE_PLACES


def _least(trial: Trial, places: Places, shape: int, where: int) -> tuple[float, int]:
    left = trial.residuals(places, shape, where)
    best = int(np.argmin(left))
    return float(left[best]), int(places[best])


def _best(
    trial: Trial, steps: tuple[int, int] | None, place: int, limits_v: Volts
) -> tuple[tuple[Sums, int], tuple[float, int]]:
    """Place of the hum step and origin of the shape in turns, until neither moves; and the best null."""
    tried: dict[int, list[Sums]] = {}
    best: tuple[float, Sums, int] | None = None
    for start in dict.fromkeys([place, NO_STEP]):
        at = start
        for _ in range(ROUNDS):
            if at in tried:
                break
            tried[at] = trial.at(at)
            score, sums, where = min((_score(each, limits_v) for each in tried[at]), key=lambda found: found[0])
            if best is None or score < best[0]:
                best = score, sums, where
            at = _best_place(trial, steps, sums.shape, where, place)
    assert best is not None
    return (best[1], best[2]), min((each[0].null, at) for at, each in tried.items())


def _score(sums: Sums, limits_v: Volts) -> tuple[float, Sums, int]:
    """The least residual, counting for each origin what noise alone may take off."""
    scores = sums.null - sums.gain + limits_v**2
    where = int(np.argmin(scores))
    return float(scores[where]), sums, where


def _thresholds(
    origins: Places, expected: tuple[int, int] | None, looks: int, correlation: float
) -> Volts:
    """What noise reaches at each origin, looked at so often; those that are expected have most of the false alarms."""
    everywhere = threshold(len(origins) * looks, FALSE_ALARM, correlation)
    if expected is None:
        return np.full(len(origins), everywhere)
    inside = (origins >= expected[0]) & (origins <= expected[1])
    count = int(inside.sum())
    if count in (0, len(origins)):
        return np.full(len(origins), everywhere)
    near = threshold(count * looks, FALSE_ALARM * EXPECTED_SHARE, correlation)
    far = threshold((len(origins) - count) * looks, FALSE_ALARM * (1 - EXPECTED_SHARE), correlation)
    return np.where(inside, near, far)


@dataclass(frozen=True, slots=True, eq=False)
class _Fit:
    """The whole model as columns, for what is shown and for the noise that is left."""

    record: Record
    whitener: Whitener
    degree: int
    hum_from: int | None

    def parts(self, place: int, placed: Volts) -> tuple[Volts, Volts]:
        """Drift and hum beneath a shape that is taken off first."""
        n = self.record.n
        steady = as_columns(self.record.tones)
        begins = np.where(np.arange(n)[:, None] >= place, steady, 0.0) if place >= 0 else np.empty((n, 0))
        base = np.hstack([polynomial_columns(n, self.degree), steady, begins])
        counted = base if self.record.seen.all() else self.record.seen[:, None] * base
        weights = np.linalg.lstsq(counted.T @ base, counted.T @ (self.record.volts - placed), rcond=1e-12)[0]
        return base[:, : self.degree + 1] @ weights[: self.degree + 1], base[:, self.degree + 1 :] @ weights[
            self.degree + 1 :
        ]


def as_columns(tones: NDArray[np.complex128]) -> Volts:
    """Complex tones as cosine and sine columns."""
    return np.ascontiguousarray(tones).view(np.float64)


def _found(
    record: Record,
    shapes: Sequence[Shape],
    origins: Places,
    trial: Trial,
    best: tuple[Sums, int],
    null: tuple[float, int],
    limits: Volts,
    fit: _Fit,
) -> Search:
    sums, where = best
    energy, size = sums.energy, 0.0
    sizes = np.where(energy > 0, sums.inner / np.where(energy > 0, energy, 1), 0.0)
    size = float(sizes[where])
    left = trial.residual(sums.place, sums.shape, where, size)
    sigma = _noise(left, record, int(origins[where]), trial)
    placed = place_shape(shapes[sums.shape], int(origins[where]), record.n) * size
    drift, hum = fit.parts(sums.place, placed)
    low, high = span_95(sums.gain / sigma**2, energy, origins)
    return Search(
        math.sqrt(max(0.0, null[0] - sums.null + float(sums.gain[where]))) / sigma,
        float(limits[where]),
        int(origins[where]),
        low,
        high,
        size,
        sigma / math.sqrt(energy[where]) if energy[where] > 0 else math.inf,
        sigma,
        origins,
        sizes,
        limits,
        np.sqrt(np.maximum(energy, 0)) / sigma,
        sums.shape,
        _stands_out(trial.residual(null[1]), sigma),
        sums.place,
        record.mains_hz,
        drift,
        hum,
        placed,
    )


def _stands_out(left: Volts, sigma: float) -> bool:
    """Means over 1 to 243 samples of what drift and hum leave: a kick of whatever course shows in one of them."""
    total = np.concatenate([[0.0], np.cumsum(left / sigma)])
    widths = [width for width in WIDTHS if 4 * width <= len(left)]
    if not widths:
        return False
    limit = threshold(len(left) * len(widths), ANY_COURSE_ALARM)
    sums = [float(np.abs(total[width:] - total[:-width]).max()) / math.sqrt(width) for width in widths]
    return max(sums, default=0.0) > limit


def _noise(left: Volts, record: Record, origin: int, trial: Trial) -> float:
    """Of all that is left; where hiss begins with the switch-on, of what follows it."""
    whole = robust_sigma(left, record.lsb_v, record.least_sigma_v)
    after = left[int(trial.seen[: max(origin, 0)].sum()) :]
    if len(after) < LEAST_SIDE:
        return whole
    # Neighbours' differences pass over what another course than the shape's has left.
    return max(whole, robust_sigma(np.diff(after), record.lsb_v, 0.0) / math.sqrt(2))


def _drift_degree(record: Record, shapes: Sequence[Shape], origin: int) -> int:
    """The highest parabola, line or constant that leaves every shape most of its energy."""
    columns = np.linalg.qr(polynomial_columns(record.n, 2))[0]
    lowest = 2
    for shape in shapes:
        placed = place_shape(shape, origin, record.n)
        eaten = np.cumsum((columns.T @ placed) ** 2)
        whole = float(placed @ placed)
        left = [degree for degree in (2, 1) if whole - eaten[degree] >= KEPT_ENERGY * whole]
        lowest = min(lowest, left[0] if left else 0)
    return lowest
