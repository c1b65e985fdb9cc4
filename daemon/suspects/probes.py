"""The next probe: what teaches most for the least effort, and why, in one sentence.

Gain is the mutual information between the faulty part and the reading, in bits. Cost is access plus a change of mode.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from daemon.drawing import GROUND, Drawing, Point
from daemon.suspects.infer import Posterior
from daemon.suspects.net import Floats, Ints
from daemon.suspects.readings import ABSOLUTE_V, RELATIVE, WRONG_POINT
from daemon.suspects.worlds import Table

ACCESS_COST = {"easy": 1.0, "hard": 3.0}
MODE_COST = 1.5
ACROSS_COST = 0.5  # two probes to place instead of one
ENOUGH_BITS = 0.1
SOME_WORLDS = 1500
LOOK_WORLDS = 300
LOOK_AT = 6
TOUCH_V = 60.0
CAUTION = "Above the touch limit: clip on with power off."


@dataclass(frozen=True, slots=True)
class Candidate:
    """Something that can be measured: a point, or across two; ``access`` is what it costs to reach."""

    point: str
    mode: int
    plus: int
    minus: int
    access: float

    @property
    def quantity(self) -> str:
        """As the readings file calls it."""
        return "across_v" if self.minus >= 0 else "dc_v"


@dataclass(frozen=True, slots=True)
class Probe:
    """A candidate with what it is worth."""

    candidate: Candidate
    gain_bits: float
    cost: float
    reason: str = ""

    @property
    def worth(self) -> float:
        """Bits for each unit of effort."""
        return self.gain_bits / self.cost


def candidates(table: Table, drawing: Drawing) -> list[Candidate]:
    """Every named point, and across every part that has a named point at both ends, in every mode."""
    places: dict[int, Point] = {}
    for point in drawing.points:
        column = table.nodes.get(point.net or point.name)
        if column is not None and (column not in places or point.access == "easy"):
            places[column] = point
    pairs = set()
    for part in drawing.parts:
        ends = sorted({table.nodes[net] for net in part.nets if net != GROUND})
        pairs |= {(a, b) for a in ends for b in ends if a < b and a in places and b in places}
    found = []
    for mode in range(len(table.modes)):
        for column, point in places.items():
            found.append(Candidate(_named(point, drawing), mode, column, -1, ACCESS_COST[point.access]))
        for a, b in sorted(pairs):
            access = max(ACCESS_COST[places[a].access], ACCESS_COST[places[b].access]) + ACROSS_COST
            name = f"{_named(places[a], drawing)} - {_named(places[b], drawing)}"
            found.append(Candidate(name, mode, a, b, access))
    return found


def _named(point: Point, drawing: Drawing) -> str:
    alone = sum(p.name == point.name for p in drawing.points) == 1
    return point.name if alone or not point.leg else f"{point.name} {point.leg}"


def rank(
    posterior: Posterior,
    mode: str | None = None,
    most: int = 5,
    look_ahead: bool = False,
    among: Sequence[Candidate] | None = None,
) -> list[Probe]:
    """The best next probes, best first; ``mode`` is the one that the unit is in. Greedy, or refined by two steps."""
    table, drawing = posterior.table, posterior.drawing
    listed = list(candidates(table, drawing) if among is None else among)
    some = _Some.of_posterior(posterior, SOME_WORLDS)
    in_mode = table.modes.index(mode) if mode in table.modes else None
    costs = np.array([c.access + (MODE_COST if in_mode is not None and c.mode != in_mode else 0) for c in listed])
    gains = some.gains(listed)
    worth = gains / costs
    if look_ahead:
        worth = _looked_ahead(some, listed, gains, costs, worth)
    best = np.argsort(-worth)[:most]
    return [
        Probe(listed[i], float(gains[i]), float(costs[i]), reason(posterior, some, listed[i], float(gains[i])))
        for i in best
        if gains[i] > 0.005
    ]


def _looked_ahead(some: "_Some", listed: list[Candidate], gains: Floats, costs: Floats, worth: Floats) -> Floats:
    """Worth of the best few with the best step after each outcome counted in."""
    better = worth.copy() - worth.max()  # those not looked at stay behind those that were
    few = some.fewer(LOOK_WORLDS)
    follow = [int(i) for i in np.argsort(-worth)[:40]]
    for i in np.argsort(-worth)[:LOOK_AT]:
        later_gain, later_cost = 0.0, 0.0
        for share, outcome in few.outcomes(listed[i]):
            next_gains = outcome.gains([listed[j] for j in follow])
            next_costs = costs[follow] + 0.0
            k = int(np.argmax(next_gains / next_costs))
            later_gain += share * float(next_gains[k])
            later_cost += share * float(next_costs[k]) * (next_gains[k] > ENOUGH_BITS / 2)
        better[i] = (gains[i] + later_gain) / (costs[i] + later_cost)
    return np.asarray(better)


@dataclass(frozen=True, slots=True)
class _Some:
    """The worlds that matter, few enough to be quick: volts (modes, nodes, worlds), part of each, weights."""

    volts: Floats
    part: Ints
    weights: Floats

    @classmethod
    def of_posterior(cls, posterior: Posterior, most: int) -> "_Some":
        weights = posterior.weights
        keep = np.argsort(-weights)[:most]
        keep = keep[weights[keep] > 1e-7 * weights.max()]
        names = {name: index for index, name in enumerate(posterior.by_part)}
        of_hypothesis = np.array([names[(e.parts or (e.part,))[0]] for e in posterior.table.hypotheses])
        part = of_hypothesis[posterior.table.of[keep]]
        part = np.unique(part, return_inverse=True)[1]
        kept = weights[keep]
        return cls(posterior.volts_now[:, :, keep], part, kept / kept.sum())

    def fewer(self, most: int) -> "_Some":
        keep = np.argsort(-self.weights)[:most]
        return self._chosen(keep, self.weights[keep])

    def _chosen(self, keep: Ints, weights: Floats) -> "_Some":
        part = np.unique(self.part[keep], return_inverse=True)[1]
        return _Some(self.volts[:, :, keep], part, weights / weights.sum())

    def read(self, candidate: Candidate) -> Floats:
        plus = self.volts[candidate.mode, candidate.plus]
        minus = self.volts[candidate.mode, candidate.minus] if candidate.minus >= 0 else 0.0
        return np.asarray(plus - minus)

    def gains(self, listed: Sequence[Candidate]) -> Floats:
        """Bits that each candidate is expected to teach about the part."""
        modes = np.array([c.mode for c in listed])
        plus, minus = np.array([c.plus for c in listed]), np.array([c.minus for c in listed])
        read = self.volts[modes, plus] - np.where((minus >= 0)[:, None], self.volts[modes, minus], 0.0)
        scaled = _scaled(read)
        bins = np.floor(scaled - scaled.min(axis=1, keepdims=True)).astype(np.int64)
        parts = int(self.part.max()) + 1
        wide = bins.max(axis=1) + 1
        found = np.zeros(len(listed))
        # Candidates of like width together: a matrix of them is one numpy call and no wider than it must be.
        for width in sorted(set((-(-wide // 24) * 24).tolist())):
            these = np.flatnonzero(-(-wide // 24) * 24 == width)
            found[these] = self._information(bins[these], parts, width)
        return found

    def _information(self, bins: Ints, parts: int, width: int) -> Floats:
        count = len(bins)
        flat = (np.arange(count)[:, None] * parts + self.part) * width + bins
        counted = np.bincount(flat.ravel(), np.tile(self.weights, count), count * parts * width)
        spread = (counted.reshape(-1, width) @ _kernel(width)).reshape(count, parts, width + 8)
        part = np.bincount(self.part, self.weights, parts).astype(float)
        joint: Floats = (1 - WRONG_POINT) * spread + WRONG_POINT * part[None, :, None] / (width + 8)
        own = _entropy(joint.sum(axis=1)) + float(_entropy(part[None])[0])
        return np.asarray(own - _entropy(joint.reshape(count, -1)))

    def outcomes(self, candidate: Candidate) -> "list[tuple[float, _Some]]":
        """What may be read, each as its share and what would be left."""
        scaled = _scaled(self.read(candidate))
        group = np.zeros(len(scaled), dtype=np.int64)
        order = np.argsort(scaled)
        group[order] = np.concatenate([[0], np.cumsum(np.diff(scaled[order]) > 2.0)])
        found = []
        for which in np.unique(group):
            keep = np.flatnonzero(group == which)
            share = float(self.weights[keep].sum())
            if share > 0.01:
                found.append((share, self._chosen(keep, self.weights[keep])))
        return found


def _scaled(volts: Floats) -> Floats:
    """Volts on a scale on which a reading's spread is 1 everywhere."""
    return np.asarray(np.sign(volts) * np.log1p(np.abs(volts) * RELATIVE / ABSOLUTE_V) / RELATIVE)


def _kernel(width: int) -> Floats:
    """What a reading's spread does to bins of one spread each, (width, width + 8)."""
    away = np.arange(width + 8)[None, :] - 4 - np.arange(width)[:, None]
    shape = np.exp(-0.5 * away**2 / (1 + 1 / 12))
    return np.asarray(shape / shape.sum(axis=1, keepdims=True))


def _entropy(probability: Floats) -> Floats:
    safe = np.maximum(probability, 1e-300)
    return np.asarray(-(probability * np.log2(safe)).sum(axis=-1))


def reason(posterior: Posterior, some: _Some, candidate: Candidate, gain_bits: float) -> str:
    """Why this probe, in a sentence or two, with the caution where its volts call for one."""
    read, weights = some.read(candidate), some.weights
    groups = sorted(some.outcomes(candidate), key=lambda item: -item[0])[:2]
    highest = float(np.max(np.abs(some.volts[:, [n for n in (candidate.plus, candidate.minus) if n >= 0]])))
    caution = f" {CAUTION}" if highest > TOUCH_V else ""
    how = "halves what is left" if 0.8 <= gain_bits <= 1.3 else f"teaches {gain_bits:.1f} bits"
    if len(groups) < 2:
        middle = float(np.average(read, weights=weights))
        return f"{how}: about {_v(middle)} is expected, and how far off it is tells the suspects apart.{caution}"
    said = []
    for _share, group in groups:
        level = float(np.average(group.read(candidate), weights=group.weights))
        said.append(f"about {_v(level)}: {_leaders(posterior, candidate, level)}")
    return f"{how}: if {said[0]}; if {said[1]}.{caution}"


def _leaders(posterior: Posterior, candidate: Candidate, level: float) -> str:
    """Who is most likely if about this is read."""
    volts = posterior.volts_now[candidate.mode]
    read = volts[candidate.plus] - (volts[candidate.minus] if candidate.minus >= 0 else 0.0)
    near = posterior.weights * np.exp(-0.5 * ((read - level) / (RELATIVE * abs(level) + 10 * ABSOLUTE_V)) ** 2)
    of = np.bincount(posterior.table.of, near, len(posterior.table.hypotheses))
    totals: dict[str, float] = {}
    for each, amount in zip(posterior.table.hypotheses, of, strict=True):
        totals[each.part] = totals.get(each.part, 0.0) + float(amount)
    best = sorted(totals, key=lambda name: -totals[name])[:3]
    whole = sum(totals.values()) or 1.0
    best = [name for name in best if totals[name] > 0.1 * whole] or best[:1]
    return "likely " + " or ".join(name or "none that DC shows" for name in best)


def _v(volts: float) -> str:
    size = abs(volts)
    return "0 V" if size < 0.005 else f"{volts:.2f} V" if size < 1 else f"{volts:.3g} V"
