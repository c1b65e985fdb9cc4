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

from daemon.judge.hum import Volts, polynomial_columns
from daemon.judge.noise import robust_sigma
from daemon.judge.trial import Record, Shape, Trial, orthonormal, place_shape
from daemon.judge.whiten import Whitener

FALSE_ALARM = 1e-3
KEPT_ENERGY = 0.6  # of the shape that a drift term may not eat below


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


def search(
    record: Record,
    shapes: Sequence[Shape],
    origins: NDArray[np.int64],
    step_places: Sequence[int],
    whitener: Whitener,
) -> Search:
    """The best place, shape and size. ``origins`` are samples, consecutive."""
    degree = min(_drift_degree(record, shape, origins, whitener) for shape in shapes)
    trial = Trial(record, shapes, origins, whitener, degree)
    for place in list(step_places) or [-1]:
        trial.at(place)
    if len(step_places) > 1:
        _refine(trial, step_places)
    return _found(record, shapes, origins, whitener, degree, trial)


def _refine(trial: Trial, step_places: Sequence[int]) -> None:
    """Closer and closer around the best place: half a period of unfitted hum would pass for a kick."""
    reach = max(1, (step_places[1] - step_places[0]) // 2)
    while reach >= 1:
        middle = min(trial.nulls, key=lambda place: trial.nulls[place])
        for place in (middle - reach, middle + reach):
            if step_places[0] <= place <= step_places[-1] and place not in trial.nulls:
                trial.at(place)
        reach //= 2


def _found(
    record: Record,
    shapes: Sequence[Shape],
    origins: NDArray[np.int64],
    whitener: Whitener,
    degree: int,
    trial: Trial,
) -> Search:
    best = trial.best
    place, number, where, inner, energy = best.place, best.number, best.where, best.inner, best.energy
    sizes = np.where(energy > 0, inner / np.where(energy > 0, energy, 1), 0.0)
    placed = place_shape(shapes[number], int(origins[where]), record.n) * sizes[where]
    hum = np.hstack([record.hum, record.hum_from(place)])
    base = np.hstack([polynomial_columns(record.n, degree), hum])
    seen = record.seen
    left = record.volts - placed
    weights = np.linalg.lstsq(base[seen], left[seen], rcond=None)[0]
    residual = whitener.apply(left - base @ weights)[whitener.clear(seen)]
    sigma = robust_sigma(residual, record.lsb_v, record.least_sigma_v)
    return Search(
        math.sqrt(max(0.0, min(trial.nulls.values()) - best.rss)) / sigma,
        threshold(len(origins) * len(shapes)),
        int(origins[where]),
        float(sizes[where]),
        sigma / math.sqrt(energy[where]) if energy[where] > 0 else math.inf,
        sigma,
        origins,
        sizes,
        np.sqrt(np.maximum(energy, 0)) / sigma,
        base[:, : degree + 1] @ weights[: degree + 1],
        hum @ weights[degree + 1 :],
        placed,
    )


def _drift_degree(record: Record, shape: Shape, origins: NDArray[np.int64], whitener: Whitener) -> int:
    """The highest parabola, line or constant that leaves the shape most of its energy."""
    placed = whitener.apply(place_shape(shape, int(origins[len(origins) // 2]), record.n))
    whole = float(placed @ placed)
    for degree in (2, 1):
        columns = orthonormal(whitener.apply(polynomial_columns(record.n, degree)))
        if whole - float(np.sum((columns.T @ placed) ** 2)) >= KEPT_ENERGY * whole:
            return degree
    return 0
