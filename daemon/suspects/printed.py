"""Worlds where only printed volts and fed-by arrows are known: faults put into likely versions of the network.

A suspect is a node group: what feeds a point, what hangs on it, or the way between it and the point that feeds it.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace

import numpy as np

from daemon.drawing import GROUND, Drawing
from daemon.suspects.faults import EVEN, MAINS_PERCENT
from daemon.suspects.likely_net import Likely, likely_nets
from daemon.suspects.likely_parts import node_net
from daemon.suspects.net import Floats, Halves, Ints
from daemon.suspects.ohms import ohms_between
from daemon.suspects.printed_faults import SOMETHING, Broken, Way, ways_of
from daemon.suspects.printed_solving import read_as_printed, solved
from daemon.suspects.stages import GROUND_V, Flags, Stages, label_of, named_apart, stages_of
from daemon.suspects.worlds import HEALTHY_PRIOR, NOTHING, Hypothesis, Table

Make = Callable[[Floats, Floats], Likely]
VERSIONS = 25
FEWEST = 0.7  # of the versions of an amplifier's loop must settle near what is printed, else it is believed to be none
NEXT_VERSION = 7  # no divisor of them: each step of how far a fault goes is in another version
SEED = 20  # the same drawing gives the same worlds, and so the same answer, every time
UNSURE = (0.03, 0.04)  # what a world may be off by: a share, and volts
OHMS_SPREAD = 1.0  # of the logarithm: ohms of networks that are only likely tell a short from a load, and little more
SKIRT, BENT = (0.2, 4.0), 0.2  # networks that are only likely are off by far more often than a drawing's own
TRUST = 0.7  # and by the same in reading after reading: taken for chance, what was given 93 % was right 86 times in 100
WORLDS, MOST_TIMES = 1300, 5.0
LEVEL_SD = 1.0  # of a step of how far a fault goes: not every version has what it takes, so that steps overlap
NUDGE = 0.7  # of the logarithm of a current or a resistance: standard deviation within a version
UNSEEN = 0.15  # nobody found the unit faulty by what moves nothing beyond its tolerance
SEEN_SHARE, SEEN_V = 0.1, 0.03
OFF_SHARE = 0.1  # of that, in a mode in which the point is printed with 0 V
WIDE = 0.5  # of all volts of the drawing: how far off a fault of some other kind may put a point
CENTRE, CENTRE_V = 0.04, 1.5  # between two rails, points this near to 0 V (of all volts, and in volts) move together


def printed_table(drawing: Drawing, versions: int = VERSIONS, seed: int = SEED) -> Table:
    """Worlds of a drawing without a network; a node is a point's net, else its name."""
    drawing = named_apart(drawing)
    stages = stages_of(drawing)
    make = likely_nets(stages, drawing, versions, seed)
    if not stages.drives:
        return _Worlds(drawing, stages, make).table()
    near = np.flatnonzero(read_as_printed(stages, make(*_alike(stages))))
    if len(near) < FEWEST * versions:
        stages = stages_of(drawing, coupled=False)  # what was taken for an amplifier's loop is none
        return _Worlds(drawing, stages, likely_nets(stages, drawing, versions, seed)).table()
    return _Worlds(drawing, stages, _only(near, versions, make)).table()


def _only(near: Ints, versions: int, make: Make) -> Make:
    """Versions that do not settle where they are printed are replaced by others that do."""
    number = near[np.searchsorted(near, np.arange(versions)) % len(near)]

    def made(heavy: Floats, soft: Floats) -> Likely:
        sets = versions * np.arange(heavy.shape[1])
        return make(heavy, soft).taking((sets[:, None] + number).ravel())

    return made


def _alike(stages: Stages) -> tuple[Floats, Floats]:
    return np.ones((len(stages.names), 1)), np.ones((len(stages.names), 1))


class _Worlds:
    def __init__(self, drawing: Drawing, stages: Stages, make: Make) -> None:
        self.drawing, self.stages = drawing, stages
        self.likely = make(*_alike(stages))
        # Every point in turn with more hanging on it, then each with a softer source.
        points = range(len(stages.names))
        heavier = np.array([np.isin(points, self._under(n)) for n in points]).T
        softer = np.array([np.isin(points, self._root(n)) for n in points]).T
        more = np.concatenate([np.where(heavier, np.exp(NUDGE), 1.0), np.ones(softer.shape)], axis=1)
        inner = np.concatenate([np.ones(heavier.shape), np.where(softer, np.exp(NUDGE), 1.0)], axis=1)
        self.nudged = make(more, inner)
        ways = ways_of(stages)
        times = min(max(WORLDS / (sum(each.levels for each in ways) or 1), 1.0), MOST_TIMES)
        self.ways = [replace(each, levels=round(each.levels * times)) for each in ways]
        versions = self.likely.theta.shape[2]
        self.counts = [versions, *(each.levels for each in self.ways)]
        self.of: Ints = np.repeat(np.arange(len(self.counts)), self.counts)
        # The same versions for every fault, so that suspects differ by what they are and not by what was drawn.
        own = [NEXT_VERSION * np.arange(each.levels) % versions for each in self.ways]
        self.version: Ints = np.concatenate([np.arange(versions), *own])

    def table(self) -> Table:
        theta = _theta(self.likely, self.ways, self.version)
        volts, swayed = solved(self.drawing, self.stages, self.likely, theta, self._far(theta), self.version)
        self._move_anywhere(swayed)
        lost = ~np.isfinite(volts).all(axis=(0, 1)) | ~np.isfinite(swayed).all(axis=(1, 2))
        hypotheses = self._hypotheses()
        prior = np.array([each.prior for each in hypotheses])[self.of] / np.array(self.counts)[self.of]
        prior = np.where(lost, 0.0, prior * np.where(self._seen(volts), 1.0, UNSEEN))
        volts[:, :, lost] = 0
        swayed[lost] = 0
        volts[~self.stages.printed.T] = np.nan
        return Table(
            self.drawing.modes,
            {name: number for number, name in enumerate(self.stages.names)},
            tuple(hypotheses),
            volts,
            swayed,
            self.of,
            prior / prior.sum(),
            self.version,
            np.ones(len(self.of)),
            MAINS_PERCENT / 100 / EVEN,
            UNSURE,
            ohms=_ohms_of(self.stages, self.likely, self.ways, self.version),
            ohms_spread=OHMS_SPREAD,
            skirt=SKIRT,
            bent=BENT,
            trust=TRUST,
        )

    def _hypotheses(self) -> list[Hypothesis]:
        total = sum(each.weight for each in self.ways) or 1.0
        found = [Hypothesis("", NOTHING, HEALTHY_PRIOR)]
        for each in self.ways:
            names = tuple(self.stages.labels[n] for n in each.nodes)
            beside = tuple(self.stages.labels[n] for n in each.beside)
            found.append(Hypothesis(names[0], each.fault, (1 - HEALTHY_PRIOR) * each.weight / total, names, beside))
        return found

    def _far(self, theta: Floats) -> list[Floats]:
        """What one standard deviation does to every world's theta: of how far the fault goes, of what the point draws,
        and of how soft its source is."""
        far = [np.zeros_like(theta) for _ in range(3)]
        for each, some in _slices(self.ways, self.counts[0]):
            version, step = self.version[some], _steps(each)
            half = 0.25 / each.levels
            ends = [_put(each, self.likely, version, at) for at in (step - half, step + half)]
            far[0][:, :, some] = (ends[1] - ends[0]) * LEVEL_SD / 0.5
            for number in (1, 2):
                there = self._nudge_of(each.nodes[0], number) + version
                far[number][:, :, some] = _put(each, self.nudged, there, step) - theta[:, :, some]
        return far

    def _nudge_of(self, node: int, number: int) -> int:
        """Where the versions begin in which what hangs on a point is heavier (1), or its source is softer (2)."""
        return int((node + (number - 1) * len(self.stages.names)) * self.likely.theta.shape[2])

    def _root(self, node: int) -> int:
        return [node, *self.stages.line(node)][-1]

    def _under(self, node: int) -> list[int]:
        return [n for n in range(len(self.stages.names)) if n == node or node in self.stages.line(n)]

    def _seen(self, volts: Floats) -> Flags:
        """Worlds in which a point is beyond its tolerance; a fault of some other kind always shows."""
        sound = volts[:, :, self.version]
        with np.errstate(invalid="ignore"):
            moved = (np.abs(volts - sound) > SEEN_SHARE * np.abs(sound) + SEEN_V).any(axis=(0, 1))
        always = [0, *(number for number, each in enumerate(self.ways, 1) if each.fault == SOMETHING)]
        return np.asarray(moved | np.isin(self.of, always))

    def _move_anywhere(self, swayed: Halves) -> None:
        """In worlds of a fault of some other kind a point and all that follows it may read anything, in place."""
        volts, last = self.stages.volts, swayed.shape[2] - 1
        span = float(volts.max() - volts.min()) if volts.size else 0.0
        centre = self._centre(span)
        for number, each in enumerate(self.ways, 1):
            if each.fault != SOMETHING:
                continue
            node = each.nodes[0]
            own = volts[node]
            for other in self._following(node, centre):
                share = np.where(np.abs(volts[other]) > GROUND_V, 1.0, OFF_SHARE)
                if other not in (*centre, node):
                    share = np.clip(volts[other] / np.where(np.abs(own) > GROUND_V, own, np.inf), -1, 1)
                for mode in range(len(own)):
                    swayed[self.of == number, mode * len(volts) + other, last] = WIDE * span * share[mode]

    def _following(self, node: int, centre: Sequence[int]) -> set[int]:
        """A point with all that moves with it: what it feeds, and what is coupled."""
        found, waiting = {node}, [node]
        while waiting:
            here = waiting.pop()
            near = set(self.stages.children(here)) | (set(centre) if here in centre else set())
            waiting += near - found
            found |= near
        return found

    def _centre(self, span: float) -> list[int]:
        """Points about 0 V between two rails: what is coupled there in DC moves as one."""
        volts = self.stages.volts
        if not volts.size or volts.min() > -5 or volts.max() < 5:
            return []
        levels = np.abs(volts).max(axis=1)
        return [n for n in range(len(volts)) if levels[n] < min(CENTRE * span, CENTRE_V)]


def _slices(ways: Sequence[Way], first: int) -> Iterator[tuple[Way, slice]]:
    """Each way with its worlds; the first ones of all are the versions with nothing broken."""
    for each in ways:
        yield each, slice(first, first + each.levels)
        first += each.levels


def _steps(way: Way) -> Floats:
    return np.asarray((np.arange(way.levels) + 0.5) / way.levels)


def _theta(likely: Likely, ways: Sequence[Way], version: Ints) -> Floats:
    """Theta (modes, rows, worlds) of every world."""
    theta = likely.theta[:, :, version].copy()
    for each, some in _slices(ways, likely.theta.shape[2]):
        theta[:, :, some] = _put(each, likely, version[some], _steps(each))
    return theta


def _ohms_of(stages: Stages, likely: Likely, ways: Sequence[Way], version: Ints) -> Callable[[str, str], Floats]:
    nets = {name: node_net(number) for number, name in enumerate(stages.names)} | {GROUND: GROUND}

    def between(one: str, other: str) -> Floats:
        return ohms_between(likely.net, _theta(likely, ways, version)[0], nets[one], nets[other])

    return between


def _put(way: Way, likely: Likely, version: Ints, far: Floats) -> Floats:
    broken = Broken(likely, likely.theta[:, :, version].copy(), version)
    way.change(broken, far)
    return broken.theta


def places(drawing: Drawing, suspects: Sequence[Hypothesis]) -> str:
    """Where to look, in words, for suspects that are node groups, likeliest first."""
    found = [_place(drawing, each) for each in suspects if each.part]
    return ", or ".join(dict.fromkeys(each for each in found if each))


def _place(drawing: Drawing, each: Hypothesis) -> str:
    points = {label_of(point, drawing): point for point in drawing.points}
    point = points.get(each.parts[0] if each.parts else each.part)
    if point is None:
        return ""
    if each.fault.startswith("transistor"):
        return f"the transistor at {', '.join(each.parts)}"
    if each.fault in ("pulled down", "load open"):
        return f"what hangs on {each.part}"
    feeder = next((name for name in point.fed_by if name != point.name), None)
    return f"what feeds {each.part}" if feeder is None else f"what lies between {feeder} and {each.part}"
