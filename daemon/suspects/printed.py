"""Worlds where only printed volts and fed-by arrows are known: faults put into likely versions of the network.

A suspect is a node group: what feeds a point, what hangs on it, or the way between it and the point that feeds it.
How often each fails, and how far a fault goes, is common practice, no source; each is a draw, so that no single one
decides.
"""

import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from daemon.drawing import Drawing
from daemon.suspects.dc import Solver
from daemon.suspects.faults import EVEN, MAINS_PERCENT, Spread
from daemon.suspects.likely_net import Likely, has_zener, is_behind_diode, is_led, likely_nets, node_net
from daemon.suspects.net import OPEN_S, Floats, Halves, Ints
from daemon.suspects.stages import GROUND_V, Flags, Stages, named_apart, stages_of
from daemon.suspects.sway import STEP, Elements, sway
from daemon.suspects.worlds import HEALTHY_PRIOR, NOTHING, Hypothesis, Table

VERSIONS = 12
FEED_FAULTS = ("feed", "passes", "switch")
SOMETHING = "something else"
SEED = 20  # the same drawing gives the same worlds, and so the same answer, every time
TOLERANCE_SD = 0.35  # of the printed tolerance
UNSURE = tuple(float(x) for x in os.environ.get("UNS","0.015,0.03").split(","))  # what a world may be off by: a share, and volts
WORLDS, MOST_MORE = int(os.environ.get("WORLDS", "2000")), 5.0
LEVEL_SD = float(os.environ.get("LSD","1.0"))
WARM_STEPS = 24
VERSIONS = int(os.environ.get("VERS", "12"))
LEGS = int(os.environ.get("LEGS", "9"))
NUDGE = 0.7  # of the logarithm of a current or a resistance: standard deviation within a version
SHORT_OHM = 0.03
LEAST_SHORT = 3e-4  # of what a point and all behind it are in ohms: less is 0 V all the same
UNSEEN = float(os.environ.get("UNSEEN","0.15"))
VSTEP = 7
LOAD_OPEN_INSIDE = 0.05
ELSE, ELSE_WORLDS = float(os.environ.get("ELSE","0.15")), 4  # a fault of some other kind
WIDE = 0.5  # of all volts of the drawing: how far off such a fault may put a point
CENTRE = 0.04  # of all volts: points nearer to 0 V than this, between two rails, move together
HANGS, HANGS_INSIDE, HANGS_COLLECTOR = 0.6, 0.25, 0.15
NEAR_ZERO = 0.01  # of the volts that feed a point: what it differs by from unit to unit, however small it is itself
Change = Callable[["Broken", Floats], None]


@dataclass(frozen=True, slots=True)
class Way:
    """One way to fail of one node group: ``weight`` against the others, ``levels`` how many steps of how far."""

    node: int
    fault: str
    weight: float
    levels: int
    change: Change
    legs: tuple[int, ...] = ()


@dataclass(slots=True)
class Broken:
    """Theta (modes, rows, worlds) being broken, each world a version of the network."""

    likely: Likely
    theta: Floats
    version: Ints

    def rows(self, kind: str, number: int) -> dict[str, int]:
        return self.likely.net.slots.get(f"{kind} {number}", {})

    def ohm(self, node: int) -> Floats:
        return self.likely.node_ohm[node][self.version]


def printed_table(drawing: Drawing, versions: int = VERSIONS, seed: int = SEED) -> Table:
    """Worlds of a drawing without a network; a node is a point's net, else its name."""
    drawing = named_apart(drawing)
    stages = stages_of(drawing)
    return _Worlds(drawing, stages, likely_nets(stages, drawing, versions, seed)).table()


def _log_between(low: float, high: float, far: Floats) -> Floats:
    return np.asarray(low * (high / low) ** far)


def _set(kind: str, number: int, slot: str, value: float) -> Change:
    def change(broken: Broken, _far: Floats) -> None:
        rows = broken.rows(kind, number)
        if slot in rows:
            broken.theta[:, rows[slot]] = value

    return change


def _all(*changes: Change) -> Change:
    def change(broken: Broken, far: Floats) -> None:
        for each in changes:
            each(broken, far)

    return change


def _feed_open(node: int) -> Change:
    return _all(
        _set("feed", node, "g", OPEN_S),
        _set("regulator", node, "limit", 0.0),
        _set("source", node, "g", OPEN_S),
        _set("diode", node, "i_s", 0.0),
    )


def _feed_weak(low: float, high: float, node: int) -> Change:
    """More resistance on the way, against what the point and all behind it are."""

    def change(broken: Broken, far: Floats) -> None:
        more = broken.ohm(node) * _log_between(low, high, far)
        for kind in ("feed", "source"):
            if (row := broken.rows(kind, node).get("g")) is not None:
                broken.theta[:, row] = 1 / (1 / broken.theta[:, row] + more)

    return change


def _bridge_feed(node: int) -> Change:
    """A diode that is shorted."""

    def change(broken: Broken, far: Floats) -> None:
        row = broken.rows("feed", node)["g"]
        broken.theta[:, row] = np.maximum(broken.theta[:, row], 1 / _log_between(0.03, 1.0, far))

    return change


def _feed_strong(node: int) -> Change:
    def change(broken: Broken, far: Floats) -> None:
        row = broken.rows("feed", node)["g"]
        own = broken.theta[:, row]
        more = np.where(far < 0.6, own * _log_between(1.3, 10.0, far / 0.6), _log_between(2.0, 0.03, far) ** -1)
        broken.theta[:, row] = np.where(own > 10 * OPEN_S, np.maximum(own, more), own)

    return change


def _pulled(node: int) -> Change:
    """A short, a leak, or a load that draws too much: resistance to 0 V."""

    def change(broken: Broken, far: Floats) -> None:
        whole = broken.ohm(node)
        least = np.maximum(SHORT_OHM, LEAST_SHORT * whole)
        broken.theta[:, broken.rows("load", node)["g"]] += 1 / (least * (3 * whole / least) ** far)

    return change


def _load_less(node: int) -> Change:
    def change(broken: Broken, far: Floats) -> None:
        left = np.where(far < 0.5, 1e-9, (far - 0.5) * 1.4)
        for kind, slots in (("load", "gi"), ("led", ("i_s",)), ("zener", ("z_s", "i_s"))):
            for slot in slots:
                if (row := broken.rows(kind, node).get(slot)) is not None:
                    least = 1 / broken.likely.meter_ohm if slot == "g" else 0.0
                    broken.theta[:, row] = np.maximum(broken.theta[:, row] * left, least)

    return change


def _off(far: Floats) -> Floats:
    return np.where(far < 0.5, 0.35 + 0.55 * 2 * far, 1.1 + 0.5 * (2 * far - 1))


def _wrong_volts(node: int) -> Change:
    """A regulator or a zener that holds another voltage."""

    def change(broken: Broken, far: Floats) -> None:
        for kind, slot in (("regulator", "v"), ("zener", "z_off_v")):
            if (row := broken.rows(kind, node).get(slot)) is not None:
                broken.theta[:, row] *= _off(far)

    return change


def _passes(node: int) -> Change:
    def change(broken: Broken, far: Floats) -> None:
        broken.theta[:, broken.rows("feed", node)["g"]] = _log_between(5.0, 0.2, far) ** -1
        _set("regulator", node, "limit", 0.0)(broken, far)

    return change


def _source_low(node: int) -> Change:
    def change(broken: Broken, far: Floats) -> None:
        broken.theta[:, broken.rows("source", node)["v"]] *= 0.4 + 0.48 * far

    return change


def _bridged(number: int, slot: str) -> Change:
    def change(broken: Broken, far: Floats) -> None:
        broken.theta[:, broken.rows("transistor", number)[slot]] = 1 / _log_between(0.03, 2.0, far)

    return change


def _stuck(node: int, others: Sequence[int]) -> Change:
    """A contact that stays closed in all modes; of a selector's, the others are then open in half of the worlds."""

    def change(broken: Broken, far: Floats) -> None:
        row = broken.rows("feed", node)["g"]
        broken.theta[:, row] = broken.theta[:, row].max(axis=0)
        for other in others:
            row = broken.rows("feed", other)["g"]
            broken.theta[:, row] = np.where(far < 0.6, OPEN_S, broken.theta[:, row])

    return change


def _ways(stages: Stages) -> list[Way]:
    found = []
    for node in range(len(stages.names)):
        if np.abs(stages.volts[node]).max() > 0:
            found += [*_feed_ways(stages, node), *_load_ways(stages, node)]
            links = 1 + len(stages.children(node)) + sum(node in (t.base, t.collector, t.emitter) for t in stages.transistors)
            found.append(Way(node, SOMETHING, ELSE * links / 2, ELSE_WORLDS, lambda _broken, _far: None))
    for number, each in enumerate(stages.transistors):
        legs = tuple(leg for leg in (each.emitter, each.collector, each.base) if leg >= 0)
        open_ = _set("transistor", number, "i_s", 0.0)
        found.append(Way(legs[0], "transistor open", 0.3, 3, open_, legs))
        for fault, slot, weight in (
            ("transistor shorted C-E", "g_ce", 0.35),
            ("transistor shorted C-B", "g_cb", 0.2),
            ("transistor shorted B-E", "g_be", 0.2),
        ):
            found.append(Way(legs[0], fault, weight, 4, _bridged(number, slot), legs))
    return found


def _feed_ways(stages: Stages, node: int) -> list[Way]:
    feed = stages.feed[node]
    if feed == "transistor":
        return []
    if feed == "source":
        dead = _feed_open(node)
        return [Way(node, "source dead", 0.4, 2, dead), Way(node, "source low", 0.4, 6, _source_low(node))]
    found = [Way(node, "feed open", 0.5, 3, _feed_open(node))]
    if feed == "regulator":
        found.append(Way(node, "passes its input", 0.3, 3, _passes(node)))
    if feed == "regulator" or has_zener(stages, node):
        weight = 0.1 if feed == "resistor" else 0.3
        found.append(Way(node, "holds the wrong volts", weight, 8, _wrong_volts(node)))
    if feed in ("joined", "resistor", "shunt"):
        found.append(Way(node, "feed weak", 0.3, 8, _way_weak(feed, node)))
    if feed in ("resistor", "shunt"):
        strong = _bridge_feed if is_behind_diode(stages, node) else _feed_strong
        found.append(Way(node, "feed too strong", 0.25, 6, strong(node)))
    if stages.contact[node].any():
        others = [n for n in stages.children(stages.feeder[node]) if n != node and stages.contact[n].any()]
        found.append(Way(node, "switch stuck", 0.3, 4 if others else 2, _stuck(node, others)))
    return found


def _way_weak(feed: str, node: int) -> Change:
    return _feed_weak(0.05, 30.0, node) if feed == "joined" else _resistor_high(node)


def _resistor_high(node: int) -> Change:
    def change(broken: Broken, far: Floats) -> None:
        row = broken.rows("feed", node)["g"]
        broken.theta[:, row] /= _log_between(1.25, 20.0, far)
        if (row := broken.rows("diode", node).get("i_s")) is not None:
            broken.theta[:, row] *= 1e-6

    return change


def _load_ways(stages: Stages, node: int) -> list[Way]:
    inside = bool(stages.children(node))
    joined = stages.feed[node] == "joined"
    hangs = _hangs(stages, node)
    legs = any(node in (each.base, each.emitter) for each in stages.transistors)
    found = [Way(node, "pulled down", 1.2 * hangs, 12, _pulled(node))]
    if not (inside and joined) and stages.feed[node] not in ("source", "hidden"):
        weight = LOAD_OPEN_INSIDE if inside and not legs else 0.5 * hangs + 0.2 * is_led(stages, node)
        found.append(Way(node, "load open", weight, 4, _load_less(node)))
    return found


def _hangs(stages: Stages, node: int) -> float:
    """How much there is from a point to 0 V that may fail, against one part in series."""
    if stages.feed[node] == "joined" and stages.children(node):
        return HANGS_INSIDE
    for each in stages.transistors:
        if node == each.collector and stages.feed[node] != "source":
            return HANGS_COLLECTOR
    return HANGS


@dataclass
class _Worlds:
    drawing: Drawing
    stages: Stages
    make: Callable[[Floats, Floats], Likely]
    made: dict[bytes, Likely] = field(default_factory=dict)

    def table(self) -> Table:
        ways = _ways(self.stages)
        alike = np.ones(len(self.stages.names))
        self.likely = self.make(alike, alike)
        versions = self.likely.theta.shape[2]
        more = min(max(WORLDS / (sum(each.levels for each in ways) or 1), 1.0), MOST_MORE)
        ways = [replace(each, levels=round(each.levels * more)) for each in ways]
        counts = [versions] + [each.levels for each in ways]
        of = np.repeat(np.arange(len(counts)), counts)
        # The same versions for every fault, so that suspects differ by what they are and not by what was drawn.
        version = np.concatenate([np.arange(versions), *[VSTEP * np.arange(e.levels) % versions for e in ways]])
        self.ways = ways
        theta, far = self._broken(ways, counts, version)
        volts, swayed = self._solved(theta, far, version)
        self._move_anywhere(ways, of, swayed)
        lost = ~np.isfinite(volts).all(axis=(0, 1)) | ~np.isfinite(swayed).all(axis=(1, 2))
        hypotheses = self._hypotheses(ways)
        prior = np.array([each.prior for each in hypotheses])[of] / np.array(counts)[of]
        prior *= np.where(self._seen(volts, version, of), 1.0, UNSEEN)
        prior[lost] = 0
        volts[:, :, lost] = 0
        swayed[lost] = 0
        volts[~self.stages.printed.T] = np.nan
        nodes = {name: n for n, name in enumerate(self.stages.names)}
        return Table(
            self.drawing.modes,
            nodes,
            tuple(hypotheses),
            volts,
            swayed,
            of,
            prior / prior.sum(),
            version,
            np.ones(len(of)),
            MAINS_PERCENT / 100 / EVEN,
            UNSURE,
        )

    def _seen(self, volts: Floats, version: Ints, of: Ints) -> Flags:
        """Worlds in which something that is printed is beyond its tolerance."""
        sound = volts[:, :, version]
        with np.errstate(invalid="ignore"):
            moved = np.abs(volts - sound) > 0.1 * np.abs(sound) + 0.03
        names = [each.fault for each in self.ways]
        return np.asarray(moved.any(axis=(0, 1)) | (of == 0) | np.isin(of, [n for n, f in enumerate(names, 1) if f == SOMETHING]))

    def _move_anywhere(self, ways: Sequence[Way], of: Ints, swayed: Halves) -> None:
        """In worlds of a fault of some other kind a point and all that follows it may read anything, in place."""
        volts, last = self.stages.volts, swayed.shape[2] - 1
        span = float(volts.max() - volts.min())
        levels = np.abs(volts).max(axis=1)
        between = volts.min() < -5 and volts.max() > 5
        centre = [n for n in range(len(volts)) if between and levels[n] < min(CENTRE * span, 1.5)]
        for number, each in enumerate(ways, 1):
            if each.fault != SOMETHING:
                continue
            moved = centre if each.node in centre else [each.node]
            moved = sorted({n for start in moved for n in self._under(start)})
            for mode in range(volts.shape[1]):
                for node in moved:
                    own = volts[node, mode] / volts[each.node, mode] if abs(volts[each.node, mode]) > GROUND_V else 0.0
                    share = 1.0 if node in centre or node == each.node else float(np.clip(own, -1, 1))
                    swayed[of == number, mode * len(volts) + node, last] = WIDE * span * share

    def _hypotheses(self, ways: Sequence[Way]) -> list[Hypothesis]:
        total = sum(each.weight for each in ways) or 1.0
        found = [Hypothesis("", NOTHING, HEALTHY_PRIOR)]
        for each in ways:
            names = tuple(self.stages.labels[n] for n in self._on(each))
            found.append(Hypothesis(names[0], each.fault, (1 - HEALTHY_PRIOR) * each.weight / total, names))
        return found

    def _on(self, each: Way) -> tuple[int, ...]:
        """The nodes that a part which fails in this way is on."""
        if each.legs:
            return each.legs[:LEGS]
        feeder = self.stages.feeder[each.node]
        ADJ = int(os.environ.get("ADJ","1"))
        return (each.node, feeder) if ADJ and feeder >= 0 and each.fault.startswith(FEED_FAULTS) else (each.node,)

    def _broken(self, ways: Sequence[Way], counts: Sequence[int], version: Ints) -> tuple[Floats, list[Floats]]:
        """Theta of every world, and what one standard deviation does to it: of how far the fault goes, of what the
        point draws, and of how soft its source is."""
        theta = self.likely.theta[:, :, version].copy()
        far = [np.zeros_like(theta) for _ in range(3)]
        first, nudged, node = counts[0], [], -1
        for each in ways:
            some = slice(first, first + each.levels)
            if each.node != node:
                node, nudged = each.node, self._nudged(each.node)
            step = (np.arange(each.levels) + 0.5) / each.levels
            half = 0.25 / each.levels

            def put(likely: Likely, at: Floats, each: Way = each, some: slice = some) -> Floats:
                broken = Broken(likely, likely.theta[:, :, version[some]].copy(), version[some])
                each.change(broken, at)
                return broken.theta

            far[0][:, :, some] = (put(self.likely, step + half) - put(self.likely, step - half)) * LEVEL_SD / 0.5
            theta[:, :, some] = put(self.likely, step)
            for number, likely in enumerate(nudged, 1):
                far[number][:, :, some] = put(likely, step) - theta[:, :, some]
            first = some.stop
        return theta, far

    def _nudged(self, node: int) -> list[Likely]:
        """The networks with what hangs on a point heavier, and with its source softer."""
        found = []
        for number, nodes in enumerate((self._under(node), [self._root(node)])):
            factors = np.ones((2, len(self.stages.names)))
            factors[number, nodes] = np.exp(NUDGE)
            key = factors.tobytes()
            if key not in self.made:
                self.made[key] = self.make(factors[0], factors[1])
            found.append(self.made[key])
        return found

    def _root(self, node: int) -> int:
        while self.stages.feeder[node] >= 0:
            node = self.stages.feeder[node]
        return node

    def _under(self, node: int) -> list[int]:
        return [n for n in range(len(self.stages.names)) if n == node or node in self.stages.line(n)]

    def _spreads(self) -> list[Spread]:
        slots, stages = self.likely.net.slots, self.stages
        sources = [n for n in range(len(stages.names)) if stages.feed[n] == "source"]
        mains = [slots[f"source {n}"]["v"] for n in sources if stages.points[n].follows_mains]
        found = [Spread(tuple(mains), MAINS_PERCENT / 100 / EVEN)]
        span = float(stages.volts.max() - stages.volts.min())
        for node, point in enumerate(stages.points):
            level = float(np.abs(stages.volts[node]).max())
            above = float(np.abs(stages.volts[stages.feeder[node]]).max()) if stages.feeder[node] >= 0 else span
            near_zero = NEAR_ZERO * above / max(level, 0.05)
            own = self.drawing.tolerance_of(point) / 100 * TOLERANCE_SD
            feed = stages.feed[node]
            if feed in ("source", "hidden"):
                wide = NEAR_ZERO * span if feed == "hidden" else 0.0
                found.append(Spread((slots[f"source {node}"]["v"],), own, wide))
            elif feed == "transistor" and level < 0.05 * span:
                found.append(Spread((slots[f"source {node}"]["v"],), 0.0, 2 * NEAR_ZERO * span))
            elif feed in ("regulator", "shunt"):
                found.append(Spread((slots[f"regulator {node}"]["v"],), own))
            if feed == "regulator":
                found.append(Spread((slots[f"regulator {node}"]["limit"],), 0.4))
                found.append(Spread((slots[f"regulator {node}"]["dropout"],), 0.3))
            if has_zener(stages, node):
                row = slots[f"zener {node}"]["z_off_v"]
                found.append(Spread((row,), own))
            if feed in ("resistor", "shunt"):
                found.append(Spread((slots[f"feed {node}"]["g"],), min(max(own / max(1 - level / max(above, 0.1), 0.5), near_zero), 1.0)))
        for number in range(len(stages.transistors)):
            found.append(Spread((slots[f"transistor {number}"]["i_s"],), 0.7))
        return found

    def _solved(self, theta: Floats, far: Sequence[Floats], version: Ints) -> tuple[Floats, Halves]:
        solver, spreads = Solver(self.likely.net, warm_steps=WARM_STEPS), self._spreads()
        self.elements = Elements(self.likely.net)
        columns = np.array([self.likely.net.nodes[node_net(n)] for n in range(len(self.stages.names))])
        volts, swayed = [], []
        for mode in range(theta.shape[0]):
            start = np.zeros(len(columns))
            start[columns] = self.stages.volts[:, mode]
            solved = solver.solve(theta[mode], start)
            good = np.where(solved.failed, 0.0, solved.volts)
            slopes = solver.slopes(theta[mode], good)
            own = sway(self.likely.net, spreads, theta[mode], good, slopes, [])
            further = [self._moved_by(each[mode], theta[mode], good, slopes) for each in far]
            moves = np.concatenate([own, np.stack(further, axis=2)], axis=2)[:, columns]
            most = 0.3 * np.abs(self.stages.volts).max(axis=1) + 0.05  # straight lines do not go on for ever
            moves = np.clip(moves, -most[:, None], most[:, None])
            read = np.where(solved.failed, np.nan, solved.volts)[columns]
            as_printed = self._as_printed(read[:, : self.likely.theta.shape[2]], mode)[:, :, version]
            volts.append(read * as_printed[0] + as_printed[1])
            swayed.append((moves * as_printed[0].T[:, :, None]).astype(np.float32))
        return np.stack(volts), np.concatenate(swayed, axis=1)

    def _moved_by(self, change: Floats, theta: Floats, volts: Floats, slopes: Floats) -> Floats:
        """Volts (worlds, nodes) by which a change of theta, in few worlds for each of its rows, moves each node."""
        found = np.zeros((volts.shape[1], volts.shape[0]))
        padded = np.vstack([volts, np.zeros(volts.shape[1])])
        for row in np.flatnonzero(np.any(change != 0, axis=1)):
            some = np.flatnonzero(change[row])
            flows = self.elements.shift(int(row), theta[:, some], padded[:, some], STEP * change[row, some])
            for a, b, amperes in flows:
                for node, way in ((a, -1), (b, 1)):
                    if node >= 0:
                        found[some] += way * slopes[some, :, node] * amperes[:, None] / STEP
        return found

    def _as_printed(self, sound: Floats, mode: int) -> Floats:
        """What each version's volts are taken times, and what is added, so that it reads as printed when it is sound."""
        told = self.stages.volts[:, mode][:, None]
        with np.errstate(divide="ignore", invalid="ignore"):
            ratio = told / sound
        near = (np.abs(told) > 0.02) & (ratio > 0.75) & (ratio < 1.33)
        off = np.nan_to_num(told - sound)
        most = 0.1 * float(self.stages.volts.max() - self.stages.volts.min())
        return np.stack([np.where(near, ratio, 1.0), np.where(near, 0.0, np.clip(off, -most, most))])


def feeders_between(drawing: Drawing, names: Sequence[str]) -> str:
    """What lies on the way to a dead point, in words, for a suspect that is a node group."""
    found = [f"what lies between {p.fed_by[0]} and {p.name}" for p in drawing.points if p.name in names and p.fed_by]
    return ", or ".join(found)
