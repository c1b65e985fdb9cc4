"""Hypotheses and their worlds: each world one step of how far a fault goes, solved in every mode.

What differs from one sound unit to the next (tolerances, the mains) is not drawn: each world carries how its volts
sway with it. A table of worlds is all that the inference knows, from a network or from printed volts alike.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from daemon.drawing import Drawing
from daemon.suspects.altered import AS_DRAWN, Altered, alter
from daemon.suspects.dc import Solver
from daemon.suspects.faults import SHARES, Fault, faults_of, levels_of, put_in, spreads
from daemon.suspects.loading import MeterInPlace, Place
from daemon.suspects.net import Floats, Halves, Ints, Net, build_net
from daemon.suspects.ohms import ohms_between
from daemon.suspects.solving import METER_UNSURE, Solution, Solving

PAIR_LEVELS = 3
WARM_STEPS = 20  # few worlds that take longer go round in circles from there, and settle from nothing
MODEL = 5  # counts up with whatever changes a solution, so that kept ones are not believed any more
UNSURE = (0.003, 0.008)  # what is left between a drawing's network and a unit: a share, and volts
SKIRT = (0.05, 3.0)  # share of readings that are off by more than they should be, and how many times as much
BENT = 0.1  # share of its sway by which a world's volts may be off because they do not go in straight lines
OHMS_SPREAD = 0.15  # of the logarithm of ohms in circuit: standard deviation
NOTHING = "nothing that DC volts show"
HEALTHY_PRIOR = 0.02  # the unit is on the bench because somebody found it faulty
SECOND_FAULT = 0.05  # chance that a second fault is independent of the first
IN_STEP = 0.35  # standard deviation within a step of how far a fault goes, of its width; sqrt(1/12) and a little over
Group = tuple[Fault, ...]
Keep = Callable[[Callable[[], Solution]], Solution]


@dataclass(frozen=True, slots=True)
class Hypothesis:
    """What may be wrong: ``part`` and ``fault`` ("" both: nothing). ``prior`` sums to 1 over a table.

    ``parts`` are all that it is a fault of, ``beside`` what it is on too: the point that a broken way leads from.
    """

    part: str
    fault: str
    prior: float
    parts: tuple[str, ...] = ()
    beside: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Table:
    """Worlds side by side. ``volts`` (modes, nodes, worlds) as a 10 Mohm meter reads them.

    ``sway`` (worlds, modes x nodes, spreads) is how far they move with one standard deviation of each thing that
    differs from unit to unit; the first of these is the mains. ``amps`` (modes, sources, worlds) and ``amps_sway``
    are the same for the current of each of ``sources``. ``of`` (worlds,) is each world's hypothesis; ``prior``
    (worlds,) sums to 1; ``healthy`` (worlds,) is the world that each becomes once its fault is mended; ``mains``
    (worlds,) of nominal, with ``mains_sd`` as its standard deviation. ``unsure`` is what a world's volts may be off
    by: a share, and volts; ``skirt`` the share of readings that are off by more, and how many times as much; ``bent``
    the share of its sway by which a world may be off because its volts do not go in straight lines; ``trust`` the power
    to which a reading's likelihood is taken: below 1 where what worlds are off by is not drawn anew for each reading
    (a power likelihood: Holmes and Walker, Biometrika 104, 2017, 497; from memory). ``ohms`` answers
    with (draws, worlds), or None where a drawing cannot say, whose logarithms may be off by ``ohms_spread``. ``bare``
    are the volts without a meter, as they may be touched; ``across`` (modes, pairs, worlds) what a meter reads between
    the two nodes of each of ``pairs``.
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
    ohms_spread: float = OHMS_SPREAD
    skirt: tuple[float, float] = SKIRT
    bent: float = BENT
    trust: float = 1.0
    bare: Floats = field(default_factory=lambda: np.zeros((0, 0, 0)))
    pairs: Mapping[Place, int] = field(default_factory=dict)
    across: Floats = field(default_factory=lambda: np.zeros((0, 0, 0)))
    memory: dict[str, Floats] = field(default_factory=dict)  # sums over candidates, made once

    def of_world(self, values: Sequence[float] | Floats) -> Floats:
        """A number of each hypothesis, spread over its worlds."""
        return np.asarray(values, dtype=float)[self.of]

    def read(self, mode: int, plus: int, minus: int = -1) -> Floats:
        """Volts (worlds,) that a meter reads at a node, or between two; -1 is 0 V."""
        if minus < 0:
            return np.asarray(self.volts[mode, plus]) if plus >= 0 else np.zeros(len(self.of))
        if plus < 0 or (minus, plus) in self.pairs:
            return -self.read(mode, minus, plus)
        pair = self.pairs.get((plus, minus))
        own = self.volts[mode, plus] - self.volts[mode, minus] if pair is None else self.across[mode, pair]
        return np.asarray(own)

    def rows(self, mode: int, plus: int, minus: int = -1, now: Ints | slice = slice(None)) -> Halves:
        """The sway (worlds, spreads) of what a meter reads at a node, or between two; -1 is 0 V.

        ``now`` chooses worlds. The last spread is how much of what the meter takes is not sure.
        """
        width = len(self.nodes)
        if minus < 0:
            own = np.asarray(self.sway[now, mode * width + plus])
            return own if plus >= 0 else np.zeros_like(own)
        if plus < 0:
            return -self.rows(mode, minus, now=now)
        found = self.rows(mode, plus, now=now) - self.rows(mode, minus, now=now)
        found[:, -1:] += self.more_loading(mode, plus, minus)[now, None]
        return found

    def more_loading(self, mode: int, plus: int, minus: int) -> Floats:
        """By how much the last spread of a reading between two nodes is more than the difference of their own."""
        if min(plus, minus) < 0 or not {(plus, minus), (minus, plus)} & self.pairs.keys():
            return np.zeros(len(self.of))
        taken = self.bare[mode, plus] - self.bare[mode, minus] - self.read(mode, plus, minus)
        first = mode * len(self.nodes)
        apart = self.sway[:, first + plus, -1] - self.sway[:, first + minus, -1]
        return np.asarray(METER_UNSURE * taken - apart)


def _not_kept(solve: Callable[[], Solution]) -> Solution:
    return solve()


class Unit:
    """A drawing's network, solved in its healthy state, ready for its worlds."""

    def __init__(self, drawing: Drawing, shares: Mapping[str, Mapping[str, float]] = SHARES) -> None:
        self.drawing = drawing
        self.net: Net = build_net(drawing)
        self.solver = Solver(self.net, warm_steps=WARM_STEPS)
        self.spreads = spreads(self.net)
        self.faults = [fault for part in drawing.parts for fault in faults_of(self.net, part, shares)]
        self.sources = tuple(part.name for part in drawing.parts if part.kind == "source")
        meter = MeterInPlace(self.net, drawing.meter_ohm, WARM_STEPS)
        self.solving = Solving(self.net, self.solver, self.spreads, self.sources, meter)
        nodes = len(self.net.nodes)
        self._pairs = {place: number for number, place in enumerate(meter.places[nodes:])}

    @property
    def singles(self) -> list[Group]:
        """No fault, and every single one."""
        return [(), *((fault,) for fault in self.faults)]

    def hypotheses(self) -> list[Hypothesis]:
        """Of no fault and of every single one, in that order."""
        weight = {part.name: part.weight for part in self.drawing.parts}
        total = sum(fault.share * weight[fault.part] for fault in self.faults)
        found = [Hypothesis("", NOTHING, HEALTHY_PRIOR)]
        for fault in self.faults:
            prior = (1 - HEALTHY_PRIOR) * fault.share * weight[fault.part] / total
            found.append(Hypothesis(fault.part, fault.fault, prior, (fault.part,)))
        return found

    def table(self, keep: Keep = _not_kept, altered: Altered = AS_DRAWN) -> Table:
        """Worlds of no fault and of every single fault; ``keep`` may know their solution from before.

        Where the unit is ``altered`` they are the same worlds, in the same order.
        """
        found = keep(lambda: self.solution(self.singles, altered))
        return self.tabled(self.hypotheses(), self.singles, found, altered)

    def solution(self, groups: Sequence[Group], altered: Altered = AS_DRAWN, start_v: Floats | None = None) -> Solution:
        """Every world of the groups solved, from ``start_v`` (modes, nodes, worlds) or from a sound unit's volts."""
        theta, far = self._broken(groups, [self._steps(group) for group in groups], altered)
        if start_v is None:
            sound = self.net.nominal.T[:, :, None].copy()
            alter(self.net, altered, sound, [])
            sound_v = self.solver.solve(sound[:, :, 0].T.copy(), ohms=False).volts
            start_v = np.repeat(sound_v.T[:, :, None], theta.shape[2], axis=2)
        return self._solved(theta, far, start_v)

    def counts(self, groups: Sequence[Group]) -> list[int]:
        """How many worlds each group has."""
        return [self._steps(group).shape[1] for group in groups]

    def tabled(
        self, hypotheses: Sequence[Hypothesis], groups: Sequence[Group], found: Solution, altered: Altered = AS_DRAWN
    ) -> Table:
        """A solution of the groups' worlds, one group a hypothesis, as a table."""
        counts = self.counts(groups)
        of = np.repeat(np.arange(len(groups)), counts)
        prior = np.array([each.prior for each in hypotheses])[of] / np.array(counts)[of]
        volts = found["volts"].astype(float)
        lost = ~np.isfinite(volts).all(axis=(0, 1)) | ~np.isfinite(found["sway"]).all(axis=(1, 2))
        prior[lost] = 0
        volts[:, :, lost] = 0
        for name in ("bare", "across"):
            found[name][:, :, lost] = 0
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
            lambda one, other: self._ohms(groups, altered, one, other),
            bare=found["bare"].astype(float),
            pairs=self._pairs,
            across=found["across"].astype(float),
        )

    def _ohms(self, groups: Sequence[Group], altered: Altered, one: str, other: str) -> Floats:
        theta, _far = self._broken(groups, [self._steps(group) for group in groups], altered)
        return ohms_between(self.net, theta[0], one, other)

    def _steps(self, group: Group) -> Floats:
        """How far each fault of a group goes in each of its worlds, (faults, worlds)."""
        counts = [levels_of(self.net, fault) for fault in group]
        if len(group) > 1:
            counts = [min(PAIR_LEVELS, count) for count in counts]
        grids = np.meshgrid(*[(np.arange(count) + 0.5) / count for count in counts], indexing="ij")
        return np.array([grid.ravel() for grid in grids]).reshape(len(group), -1) if group else np.zeros((0, 1))

    def _broken(
        self, groups: Sequence[Group], steps: Sequence[Floats], altered: Altered
    ) -> tuple[Floats, list[Floats]]:
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
        alter(self.net, altered, theta, far)
        return theta, far

    def _solved(self, theta: Floats, far: Sequence[Floats], start_v: Floats) -> Solution:
        return self.solving.solved(theta, far, start_v)
