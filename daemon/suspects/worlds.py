"""Hypotheses and their worlds: each world one step of how far a fault goes, solved in every mode.

What differs from one sound unit to the next (tolerances, the mains) is not drawn: each world carries how its volts
sway with it. A table of worlds is all that the inference knows, from a network or from printed volts alike.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from daemon.drawing import Drawing
from daemon.suspects.dc import Solver
from daemon.suspects.faults import SHARES, Fault, faults_of, levels_of, put_in, spreads
from daemon.suspects.net import Floats, Halves, Ints, Net, build_net
from daemon.suspects.ohms import ohms_between
from daemon.suspects.sway import sway

PAIR_LEVELS = 3
MODEL = 2  # counts up with whatever changes a solution, so that kept ones are not believed any more
UNSURE = (0.003, 0.008)  # what is left between a drawing's network and a unit: a share, and volts
NOTHING = "nothing that DC volts show"
HEALTHY_PRIOR = 0.02  # the unit is on the bench because somebody found it faulty
METER_UNSURE = 0.7
SECOND_FAULT = 0.05  # chance that a second fault is independent of the first
IN_STEP = 0.35  # standard deviation within a step of how far a fault goes, of its width; sqrt(1/12) and a little over
Solution = dict[str, Halves]
Keep = Callable[[Callable[[], Solution]], Solution]


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

    ``sway`` (worlds, modes x nodes, spreads) is how far they move with one standard deviation of each thing that
    differs from unit to unit; the first of these is the mains. ``amps`` (modes, sources, worlds) and ``amps_sway``
    are the same for the current of each of ``sources``. ``of`` (worlds,) is each world's hypothesis; ``prior``
    (worlds,) sums to 1; ``healthy`` (worlds,) is the world that each becomes once its fault is mended; ``mains``
    (worlds,) of nominal, with ``mains_sd`` as its standard deviation. ``unsure`` is what a world's volts may be off
    by: a share, and volts. ``ohms`` answers with (draws, worlds), or None where a drawing cannot say.
    """

    modes: tuple[str, ...]
    nodes: Mapping[str, int]
    hypotheses: tuple[Hypothesis, ...]
    volts: Floats
    sway: Halves
    of: Ints
    prior: Floats
    healthy: Ints
    mains: Floats
    mains_sd: float
    unsure: tuple[float, float]
    sources: tuple[str, ...] = ()
    amps: Floats = field(default_factory=lambda: np.zeros((0, 0, 0)))
    amps_sway: Halves = field(default_factory=lambda: np.zeros((0, 0, 0), dtype=np.float32))
    ohms: Callable[[str, str], Floats | None] = field(default=lambda _one, _other: None)
    memory: dict[str, Floats] = field(default_factory=dict)  # sums over candidates, made once

    def of_world(self, values: Sequence[float] | Floats) -> Floats:
        """A number of each hypothesis, spread over its worlds."""
        return np.asarray(values, dtype=float)[self.of]

    def rows(self, mode: int, plus: int, minus: int = -1) -> Floats:
        """The sway of a node, or of the difference of two, (worlds, spreads)."""
        width = len(self.nodes)
        own = self.sway[:, mode * width + plus]
        return np.asarray(own - self.sway[:, mode * width + minus] if minus >= 0 else own, dtype=float)


def _not_kept(solve: Callable[[], Solution]) -> Solution:
    return solve()


class Unit:
    """A drawing's network, solved in its healthy state, ready for its worlds."""

    def __init__(self, drawing: Drawing, shares: Mapping[str, Mapping[str, float]] = SHARES) -> None:
        self.drawing = drawing
        self.net: Net = build_net(drawing)
        self.solver = Solver(self.net)
        self.spreads = spreads(self.net)
        self.faults = [fault for part in drawing.parts for fault in faults_of(self.net, part, shares)]
        self.sources = tuple(part.name for part in drawing.parts if part.kind == "source")

    def _hypotheses(self) -> list[Hypothesis]:
        weight = {part.name: part.weight for part in self.drawing.parts}
        total = sum(fault.share * weight[fault.part] for fault in self.faults)
        found = [Hypothesis("", NOTHING, HEALTHY_PRIOR)]
        for fault in self.faults:
            prior = (1 - HEALTHY_PRIOR) * fault.share * weight[fault.part] / total
            found.append(Hypothesis(fault.part, fault.fault, prior, (fault.part,)))
        return found

    def table(self, keep: Keep = _not_kept) -> Table:
        """Worlds of no fault and of every single fault; ``keep`` may know their solution from before."""
        groups: list[tuple[Fault, ...]] = [(), *((fault,) for fault in self.faults)]
        return self._tabled(self._hypotheses(), groups, keep)

    def with_pairs(self, chosen: Sequence[tuple[str, str]]) -> Table:
        """Worlds of every single fault, and of two at once of the ``chosen`` ones (part and fault)."""
        single = self._hypotheses()
        prior = {(each.part, each.fault): each for each in single}
        share = {(fault.part, fault.fault): fault for fault in self.faults}
        pairs = [(a, b) for a in chosen for b in chosen if a < b and a[0] != b[0]]
        together = [SECOND_FAULT * prior[a].prior * prior[b].prior for a, b in pairs]
        hypotheses = list(single)
        for (a, b), chance in zip(pairs, together, strict=True):
            hypotheses.append(Hypothesis(f"{a[0]} + {b[0]}", f"{a[1]} + {b[1]}", chance, (a[0], b[0])))
        groups: list[tuple[Fault, ...]] = [(), *((fault,) for fault in self.faults)]
        groups += [(share[a], share[b]) for a, b in pairs]
        return self._tabled(hypotheses, groups, _not_kept)

    def _tabled(self, hypotheses: Sequence[Hypothesis], groups: Sequence[tuple[Fault, ...]], keep: Keep) -> Table:
        steps = [self._steps(group) for group in groups]
        counts = [each.shape[1] for each in steps]
        of = np.repeat(np.arange(len(groups)), counts)
        theta, far = self._broken(groups, steps)
        found = keep(lambda: self._solved(theta, far))
        prior = np.array([each.prior for each in hypotheses])[of] / np.array(counts)[of]
        volts = found["volts"].astype(float)
        lost = ~np.isfinite(volts).all(axis=(0, 1)) | ~np.isfinite(found["sway"]).all(axis=(1, 2))
        prior[lost] = 0
        volts[:, :, lost] = 0
        found["sway"][lost] = 0
        found["amps"][:, :, lost] = 0
        found["amps_sway"][lost] = 0
        return Table(
            self.net.modes,
            self.net.nodes,
            tuple(hypotheses),
            volts,
            found["sway"],
            of,
            prior / prior.sum(),
            np.zeros(len(of), dtype=np.int64),
            np.ones(len(of)),
            self.spreads[0].relative,
            UNSURE,
            self.sources,
            found["amps"].astype(float),
            found["amps_sway"],
            lambda one, other: ohms_between(self.net, theta[0], one, other),
        )

    def _steps(self, group: tuple[Fault, ...]) -> Floats:
        """How far each fault of a group goes in each of its worlds, (faults, worlds)."""
        counts = [levels_of(self.net, fault) for fault in group]
        if len(group) > 1:
            counts = [min(PAIR_LEVELS, count) for count in counts]
        grids = np.meshgrid(*[(np.arange(count) + 0.5) / count for count in counts], indexing="ij")
        return np.array([grid.ravel() for grid in grids]).reshape(len(group), -1) if group else np.zeros((0, 1))

    def _broken(self, groups: Sequence[tuple[Fault, ...]], steps: Sequence[Floats]) -> tuple[Floats, list[Floats]]:
        """Theta (modes, rows, worlds) of every world, and what a little more of each fault does to it."""
        worlds = sum(each.shape[1] for each in steps)
        theta = np.repeat(self.net.nominal.T[:, :, None], worlds, axis=2)
        far = [np.zeros_like(theta) for _ in range(max(1, *(len(group) for group in groups)))]
        first = 0
        for group, step in zip(groups, steps, strict=True):
            some = slice(first, first + step.shape[1])
            for number, fault in enumerate(group):
                half = 0.25 / len(set(step[number]))
                ends = []
                for at in (step[number] - half, step[number] + half):
                    end = theta[:, :, some].copy()
                    put_in(self.net, fault, end, at)
                    ends.append(end)
                far[number][:, :, some] = (ends[1] - ends[0]) * IN_STEP / 0.5
                put_in(self.net, fault, theta[:, :, some], step[number])
            first = some.stop
        return theta, far

    def _solved(self, theta: Floats, far: Sequence[Floats]) -> Solution:
        nominal_v = self.solver.solve(self.net.nominal.copy()).volts
        volts, swayed, amps, amps_sway = [], [], [], []
        for mode in range(len(self.net.modes)):
            own_far = [each[mode] for each in far]
            read, moves, current, current_moves = self._solved_in(theta[mode], own_far, nominal_v[:, mode])
            volts.append(read)
            swayed.append(moves)
            amps.append(current)
            amps_sway.append(current_moves)
        return {
            "volts": np.stack(volts).astype(np.float32),
            "sway": np.concatenate(swayed, axis=1),
            "amps": np.stack(amps).astype(np.float32),
            "amps_sway": np.concatenate(amps_sway, axis=1),
        }

    def _solved_in(
        self, theta: Floats, far: Sequence[Floats], start_v: Floats
    ) -> tuple[Floats, Halves, Floats, Halves]:
        solved = self.solver.solve(theta, start_v)
        good = np.where(solved.failed, 0.0, solved.volts)
        slopes = self.solver.slopes(theta, good)
        moves = sway(self.net, self.spreads, theta, good, slopes, far)
        meter_ohm = self.drawing.meter_ohm
        seen = meter_ohm / (meter_ohm + np.maximum(np.diagonal(slopes, axis1=1, axis2=2), 0))
        amps, amps_moves = self._currents(theta, good, moves)
        # The slope is that of small currents: a meter's own may be none, and the load less than the slope says.
        loading = (METER_UNSURE * (1 - seen) * good.T).astype(np.float32)[:, :, None]
        moved = np.concatenate([moves * seen[:, :, None].astype(np.float32), loading], axis=2)
        still = np.zeros((*amps_moves.shape[:2], 1), dtype=np.float32)
        return solved.volts * seen.T, moved, amps, np.concatenate([amps_moves, still], axis=2)

    def _currents(self, theta: Floats, volts: Floats, moves: Halves) -> tuple[Floats, Halves]:
        """Amperes out of each source, (sources, worlds), and how they sway, (worlds, sources, spreads)."""
        amps, swayed = [], []
        for name in self.sources:
            slots, nets = self.net.slots[name], self.net.part(name).nets
            ends = [self.net.nodes.get(net, -1) for net in nets]
            at = [volts[end] if end >= 0 else 0.0 for end in ends]
            moved = [moves[:, end] if end >= 0 else 0.0 for end in ends]
            lacking = theta[slots["v"]] - (at[0] - at[1])
            amps.append(theta[slots["g"]] * lacking)
            own = np.zeros(moves[:, 0].shape)
            for column, spread in enumerate(self.spreads):
                if slots["v"] in spread.rows:
                    own[:, column] = spread.relative * theta[slots["v"]] * theta[slots["g"]]
                if slots["g"] in spread.rows:
                    own[:, column] = spread.relative * theta[slots["g"]] * lacking
            swayed.append(own - theta[slots["g"]][:, None] * (moved[0] - moved[1]))
        worlds = volts.shape[1]
        moved_by = np.stack(swayed, axis=1) if swayed else np.zeros((worlds, 0, moves.shape[2]))
        return np.array(amps).reshape(-1, worlds), moved_by.astype(np.float32)
