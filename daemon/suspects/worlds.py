"""Hypotheses and their worlds: each world one draw of tolerances and of how far the fault goes, solved in every mode.

A table of worlds is all that the inference knows, whether it comes from a network or from printed volts.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from daemon.drawing import Drawing
from daemon.suspects.dc import Solver, Test
from daemon.suspects.faults import SHARES, Fault, faults_of, put_in, tolerances
from daemon.suspects.net import OPEN_S, Floats, Ints, Net, build_net

WORLDS = 48  # of each fault
HEALTHY_WORLDS = 96
PAIR_WORLDS = 24
SEED = 20  # the same drawing gives the same worlds, and so the same answer, every time
NOTHING = "nothing that DC volts show"
HEALTHY_PRIOR = 0.05  # the unit is on the bench because somebody found it faulty
TEST_V, TEST_OHM = 0.2, 1e3  # an ohm-meter whose volts leave junctions at rest


@dataclass(frozen=True, slots=True)
class Hypothesis:
    """What may be wrong: ``part`` and ``fault`` ("" both: nothing). ``prior`` sums to 1 over a table."""

    part: str
    fault: str
    prior: float
    parts: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Table:
    """Worlds side by side. ``volts`` (modes, nodes, worlds) as a 10 Mohm meter reads them.

    ``of`` (worlds,) is each world's hypothesis; ``prior`` (worlds,) sums to 1; ``healthy`` (worlds,) is the world that
    each becomes once its fault is mended; ``mains`` (worlds,) of nominal. ``current`` and ``ohms`` answer for
    all worlds, or None where a drawing cannot say; NaN volts mean that anything may be read.
    """

    modes: tuple[str, ...]
    nodes: Mapping[str, int]
    hypotheses: tuple[Hypothesis, ...]
    volts: Floats
    of: Ints
    prior: Floats
    healthy: Ints
    mains: Floats
    current: Callable[[str, int], Floats | None] = field(default=lambda _source, _mode: None)
    ohms: Callable[[str, str], Floats | None] = field(default=lambda _one, _other: None)

    def of_world(self, values: Sequence[float] | Floats) -> Floats:
        """A number of each hypothesis, spread over its worlds."""
        return np.asarray(values, dtype=float)[self.of]


Solved = Callable[[Callable[[], Floats]], Floats]


def _solve(solve: Callable[[], Floats]) -> Floats:
    return solve()


class Unit:
    """A drawing's network, solved in its healthy state, ready to be drawn in worlds."""

    def __init__(self, drawing: Drawing, shares: Mapping[str, Mapping[str, float]] = SHARES) -> None:
        self.drawing = drawing
        self.net: Net = build_net(drawing)
        self.solver = Solver(self.net)
        self.nominal_v = self.solver.solve(self.net.nominal.copy()).volts
        self.faults = [fault for part in drawing.parts for fault in faults_of(self.net, part, shares)]

    def table(self, worlds: int = WORLDS, seed: int = SEED, solved: Solved = _solve) -> Table:
        """Worlds of no fault and of every single fault; ``solved`` may know their volts from before."""
        weight = {part.name: part.weight for part in self.drawing.parts}
        total = sum(fault.share * weight[fault.part] for fault in self.faults)
        hypotheses = [Hypothesis("", NOTHING, HEALTHY_PRIOR)]
        for fault in self.faults:
            prior = (1 - HEALTHY_PRIOR) * fault.share * weight[fault.part] / total
            hypotheses.append(Hypothesis(fault.part, fault.fault, prior, (fault.part,)))
        groups: list[tuple[Fault, ...]] = [(), *((fault,) for fault in self.faults)]
        return self.tabled(hypotheses, groups, worlds, seed, solved)

    def with_pairs(self, chosen: Sequence[tuple[str, str]], seed: int = SEED) -> Table:
        """Worlds of every single fault, and of two at once of the ``chosen`` ones (part and fault)."""
        single = self.table(PAIR_WORLDS, seed)
        prior = {(each.part, each.fault): each for each in single.hypotheses}
        share = {(fault.part, fault.fault): fault for fault in self.faults}
        pairs = [(a, b) for a in chosen for b in chosen if a < b and a[0] != b[0]]
        together = [prior[a].prior * prior[b].prior for a, b in pairs]
        hypotheses = list(single.hypotheses)
        for (a, b), chance in zip(pairs, together, strict=True):
            hypotheses.append(Hypothesis(f"{a[0]} + {b[0]}", f"{a[1]} + {b[1]}", chance, (a[0], b[0])))
        groups: list[tuple[Fault, ...]] = [(), *((fault,) for fault in self.faults)]
        groups += [(share[a], share[b]) for a, b in pairs]
        return self.tabled(hypotheses, groups, PAIR_WORLDS, seed)

    def tabled(
        self,
        hypotheses: Sequence[Hypothesis],
        groups: Sequence[tuple[Fault, ...]],
        worlds: int,
        seed: int,
        solved: Solved = _solve,
    ) -> Table:
        """Worlds of the given sets of faults; the first must be the healthy one."""
        rng = np.random.default_rng(seed)
        counts = [max(worlds, HEALTHY_WORLDS), *[worlds] * (len(groups) - 1)]
        of = np.repeat(np.arange(len(groups)), counts)
        theta = np.repeat(self.net.nominal.T[:, :, None], len(of), axis=2)
        mains = tolerances(self.net, theta, rng)
        first = 0
        for group, count in zip(groups, counts, strict=True):
            for fault in group:
                put_in(self.net, fault, theta[:, :, first : first + count], rng)
            first += count
        volts = solved(lambda: np.stack([self._loaded(theta[mode], mode) for mode in range(len(self.net.modes))]))
        prior = np.array([each.prior for each in hypotheses])[of] / np.array(counts)[of]
        lost = ~np.isfinite(volts).all(axis=(0, 1))
        prior[lost] = 0
        volts[:, :, lost] = 0
        return Table(
            self.net.modes,
            self.net.nodes,
            tuple(hypotheses),
            volts,
            of,
            prior / prior.sum(),
            np.arange(len(of)) % counts[0],
            mains,
            lambda source, mode: self._current(theta[mode], volts[mode], source),
            lambda one, other: self._ohms(theta[0], one, other, rng),
        )

    def _loaded(self, theta: Floats, mode: int) -> Floats:
        solved = self.solver.solve(theta, self.nominal_v[:, mode])
        meter_ohm = self.drawing.meter_ohm
        return solved.volts * meter_ohm / (meter_ohm + np.maximum(solved.source_ohm, 0))

    def _current(self, theta: Floats, volts: Floats, source: str) -> Floats | None:
        part = next((p for p in self.net.parts if p.name == source and p.kind == "source"), None)
        if part is None:
            return None
        plus, minus = (volts[self.net.nodes[n]] if n in self.net.nodes else np.zeros(volts.shape[1]) for n in part.nets)
        slots = self.net.slots[part.name]
        return np.asarray((theta[slots["v"]] - (plus - minus)) * theta[slots["g"]])

    def _ohms(self, theta: Floats, one: str, other: str, rng: np.random.Generator) -> Floats:
        """Power off, capacitors empty: sources are open, and what a load is at rest nobody knows."""
        dead = theta.copy()
        for part in self.net.parts:
            slots = self.net.slots[part.name]
            if part.kind == "source":
                dead[slots["v"]], dead[slots["g"]] = 0.0, OPEN_S
            elif part.kind == "regulator":
                dead[slots["limit"]] = 0.0
            elif "i" in slots:
                at_rest_s = np.exp(-rng.uniform(np.log(300), np.log(1e5), dead.shape[1]))
                dead[slots["g"]] = np.maximum(dead[slots["g"]], np.where(dead[slots["i"]] > 0, at_rest_s, 0))
                dead[slots["i"]] = 0.0
        return self._injected(dead, one, other)

    def _injected(self, dead: Floats, one: str, other: str) -> Floats:
        pair = [self.net.nodes.get(name, -1) for name in (one, other)]
        volts = np.nan_to_num(Solver(self.net, Test(pair[0], pair[1], TEST_V, TEST_OHM)).solve(dead).volts)
        across = (volts[pair[0]] if pair[0] >= 0 else 0.0) - (volts[pair[1]] if pair[1] >= 0 else 0.0)
        return np.asarray(TEST_OHM * across / np.maximum(TEST_V - across, 1e-9))
