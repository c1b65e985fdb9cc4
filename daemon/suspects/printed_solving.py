"""Volts of worlds of likely networks, and how they sway: taken times what makes each version read as printed."""

from collections.abc import Sequence

import numpy as np

from daemon.drawing import Drawing
from daemon.suspects.dc import Solver
from daemon.suspects.faults import EVEN, MAINS_PERCENT, Spread
from daemon.suspects.likely_net import Likely
from daemon.suspects.likely_parts import has_zener, node_net
from daemon.suspects.net import Floats, Halves, Ints
from daemon.suspects.stages import Flags, Stages
from daemon.suspects.sway import STEP, Elements, sway

TOLERANCE_SD = 0.35  # of the printed tolerance
NEAR_ZERO = 0.01  # of the volts that feed a point: what it differs by from unit to unit, however small it is itself
LIMIT_SPREAD, DROPOUT_SPREAD, JUNCTION_SPREAD = 0.4, 0.3, 0.7
WARM_STEPS, DAMPED_STEPS, COLD_STEPS = 24, 150, 60
STRAIGHT, STRAIGHT_V = 0.3, 0.05  # of a point's printed volts: no straight line goes on further than that
ALIKE = 1.33  # a version that is off by more is moved to what is printed, and not stretched
MOST_MOVED, FAR_OFF = 0.1, 0.05  # of all volts


def solved(
    drawing: Drawing, stages: Stages, likely: Likely, theta: Floats, far: Sequence[Floats], version: Ints
) -> tuple[Floats, Halves]:
    """Volts (modes, nodes, worlds), NaN where none were found, and their sway (worlds, modes x nodes, spreads).

    ``theta`` (modes, rows, worlds); ``far`` holds changes of it, the last of the spreads; ``version`` is each world's.
    The first worlds are the versions themselves, with nothing broken.
    """
    solver = _solver(stages, likely)
    elements = Elements(likely.net)
    spreads = _spreads(drawing, stages, likely)
    columns = np.array([likely.net.nodes[node_net(n)] for n in range(len(stages.names))], dtype=np.int64)
    level = np.abs(stages.volts).max(axis=1)
    volts, swayed = [], []
    for mode in range(theta.shape[0]):
        start = np.zeros(len(columns))
        start[columns] = stages.volts[:, mode]
        found = solver.solve(theta[mode], start, ohms=False)
        good = np.where(found.failed, 0.0, found.volts)
        slopes = solver.slopes(theta[mode], good)
        own = sway(likely.net, spreads, theta[mode], good, slopes, [])
        further = [_moved_by(elements, each[mode], theta[mode], good, slopes) for each in far]
        most = (STRAIGHT * np.maximum(level, np.abs(good[columns].T)) + STRAIGHT_V)[:, :, None]
        moves = np.clip(np.concatenate([own, np.stack(further, axis=2)], axis=2)[:, columns], -most, most)
        read = np.where(found.failed, np.nan, found.volts)[columns]
        times, more = _as_printed(stages, read[:, : likely.theta.shape[2]], mode)
        volts.append(read * times[:, version] + more[:, version])
        swayed.append((moves * times[:, version].T[:, :, None]).astype(np.float32))
    return np.stack(volts), np.concatenate(swayed, axis=1)


def read_as_printed(stages: Stages, likely: Likely) -> Flags:
    """Which sound versions come near what is printed (versions,), before anything is taken times."""
    solver = _solver(stages, likely)
    columns = np.array([likely.net.nodes[node_net(n)] for n in range(len(stages.names))], dtype=np.int64)
    most = FAR_OFF * float(stages.volts.max() - stages.volts.min())
    near = np.ones(likely.theta.shape[2], dtype=bool)
    for mode in range(likely.theta.shape[0]):
        start = np.zeros(len(columns))
        start[columns] = stages.volts[:, mode]
        found = solver.solve(likely.theta[mode], start, ohms=False)
        off = np.abs(found.volts[columns] - stages.volts[:, mode][:, None])
        near &= ~found.failed & (np.nan_to_num(off).max(axis=0) <= most)
    return near


def _solver(stages: Stages, likely: Likely) -> Solver:
    damped = DAMPED_STEPS if stages.drives else 0  # they are only worth it where a loop has much gain
    return Solver(likely.net, warm_steps=WARM_STEPS, cold_steps=COLD_STEPS, damped_steps=damped)


def _as_printed(stages: Stages, sound: Floats, mode: int) -> tuple[Floats, Floats]:
    """What each version's volts are taken times, and what is added, so that it reads as printed when it is sound.

    What is coupled may be near 0 V when it is sound and at a rail when it is not: nothing is taken times there.
    """
    volts, told = stages.volts, stages.volts[:, mode][:, None]
    swings = np.isin(np.arange(len(volts)), list(stages.coupled))[:, None]
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = told / sound
    near = ~swings & (np.abs(told) > 0.02) & (ratio > 1 / ALIKE) & (ratio < ALIKE)
    most = MOST_MOVED * float(volts.max() - volts.min())
    off = np.clip(np.nan_to_num(told - sound), -most, most)
    return np.where(near, ratio, 1.0), np.where(near, 0.0, off)


def _moved_by(elements: Elements, change: Floats, theta: Floats, volts: Floats, slopes: Floats) -> Floats:
    """Volts (worlds, nodes) by which a change of theta, in few worlds for each of its rows, moves each node."""
    found = np.zeros((volts.shape[1], volts.shape[0]))
    padded = np.vstack([volts, np.zeros(volts.shape[1])])
    for row in np.flatnonzero(np.any(change != 0, axis=1)):
        some = np.flatnonzero(change[row])
        flows = elements.shift(int(row), theta[:, some], padded[:, some], STEP * change[row, some])
        for a, b, amperes in flows:
            for node, way in ((a, -1), (b, 1)):
                if node >= 0:
                    found[some] += way * slopes[some, :, node] * amperes[:, None] / STEP
    return found


def _spreads(drawing: Drawing, stages: Stages, likely: Likely) -> list[Spread]:
    """The mains, then what a point's printed tolerance allows to what feeds or holds it."""
    slots = likely.net.slots
    sources = [n for n, feed in enumerate(stages.feed) if feed == "source" and stages.points[n].follows_mains]
    found = [Spread(tuple(slots[f"source {n}"]["v"] for n in sources), MAINS_PERCENT / 100 / EVEN)]
    for node, point in enumerate(stages.points):
        own = drawing.tolerance_of(point) / 100 * TOLERANCE_SD
        found += _of_feed(stages, node, own, slots)
        if has_zener(stages, node):
            found.append(Spread((slots[f"zener {node}"]["z_off_v"],), own))
    for number in range(len(stages.transistors)):
        found.append(Spread((slots[f"transistor {number}"]["i_s"],), JUNCTION_SPREAD))
    return found


def _of_feed(stages: Stages, node: int, own: float, slots: dict[str, dict[str, int]]) -> list[Spread]:
    feed = stages.feed[node]
    span = float(stages.volts.max() - stages.volts.min())
    level = float(np.abs(stages.volts[node]).max())
    above = float(np.abs(stages.volts[stages.feeder[node]]).max()) if stages.feeder[node] >= 0 else span
    found = []
    if feed in ("source", "hidden"):
        found.append(Spread((slots[f"source {node}"]["v"],), own, NEAR_ZERO * span if feed == "hidden" else 0.0))
    elif feed == "transistor" and level < 5 * NEAR_ZERO * span:
        found.append(Spread((slots[f"source {node}"]["v"],), 0.0, 2 * NEAR_ZERO * span))
    elif feed in ("regulator", "shunt"):
        found.append(Spread((slots[f"regulator {node}"]["v"],), own))
    if feed == "regulator":
        found.append(Spread((slots[f"regulator {node}"]["limit"],), LIMIT_SPREAD))
        found.append(Spread((slots[f"regulator {node}"]["dropout"],), DROPOUT_SPREAD))
    if feed in ("resistor", "shunt"):
        by_drop = own / max(1 - level / max(above, 0.1), 0.5)
        near_zero = NEAR_ZERO * above / max(level, 0.05)
        found.append(Spread((slots[f"feed {node}"]["g"],), min(max(by_drop, near_zero), 1.0)))
    return found
