"""How the volts of a world sway with what differs from one sound unit to the next, about its operating point.

One element's current changes with its own property; what that does to every node is the network's own resistance
from there to here (the inverse of the nodal matrix). So tolerances need no worlds of their own: they are a normal
distribution about each world, exact to first order.
"""

from collections.abc import Callable, Sequence

import numpy as np

from daemon.suspects.dc import LOAD_KNEE_V, SOFT_V
from daemon.suspects.faults import Spread
from daemon.suspects.net import BETA_REVERSE, THERMAL_V, Floats, Halves, Ints, Net

STEP = 0.05  # of a standard deviation: small enough for a slope, large enough for its digits
Flow = tuple[int, int, Floats]  # amperes (worlds,) out of a node and into another


class Elements:
    """The current of each element from its own properties and the volts at its ends."""

    def __init__(self, net: Net) -> None:
        self._of: dict[int, tuple[Callable[[Ints, Floats, Floats], list[Flow]], Ints, Ints, int]] = {}
        kinds = (
            (net.ohmic.arrays(2, 1), _ohmic),
            (net.sources.arrays(2, 2), _source),
            (net.junctions.arrays(2, 3), _junction),
            (net.transistors.arrays(4, 2), _transistor),
            (net.regulators.arrays(4, 4), _regulator),
            (net.loads.arrays(2, 1), _load),
        )
        for (nodes, rows), flow in kinds:
            for own_nodes, own_rows in zip(nodes, rows, strict=True):
                for place, row in enumerate(own_rows):
                    self._of[int(row)] = (flow, own_nodes, own_rows, place)

    def flows(self, row: int, theta: Floats, volts: Floats) -> list[Flow]:
        """Currents of the element that has this row of theta among its properties."""
        flow, nodes, rows, _place = self._of[row]
        return flow(nodes, theta[rows], volts)

    def shift(self, row: int, theta: Floats, volts: Floats, more: Floats) -> list[Flow]:
        """What ``more`` (worlds,) of one property does to its element's currents at the same volts."""
        flow, nodes, rows, place = self._of[row]
        own = theta[rows]
        moved = own.copy()
        moved[place] += more
        before, after = flow(nodes, own, volts), flow(nodes, moved, volts)
        return [(a, b, new - old) for (a, b, new), (_, _, old) in zip(after, before, strict=True)]


def sway(
    net: Net, spreads: Sequence[Spread], theta: Floats, volts: Floats, slopes: Floats, far: Sequence[Floats]
) -> Halves:
    """Volts that each node moves by with one standard deviation of each spread: (worlds, nodes, spreads + far).

    ``far`` holds changes of all of theta (rows, worlds): how far the fault goes, within its step.
    """
    elements = Elements(net)
    padded = np.vstack([volts, np.zeros(volts.shape[1])])  # node -1 is 0 V
    found = np.zeros((len(spreads) + len(far), volts.shape[1], volts.shape[0]))
    to_all = np.ascontiguousarray(slopes.transpose(2, 0, 1))  # from one node to all: side by side in memory
    for column, spread in enumerate(spreads):
        for row in spread.rows:
            more = STEP * (spread.relative * theta[row] + spread.absolute)
            _moved(found[column], elements.shift(row, theta, padded, more), to_all, 1 / STEP)
    for column, change in enumerate(far, len(spreads)):
        for row in (int(each) for each in np.flatnonzero(np.any(change != 0, axis=1))):
            _moved(found[column], elements.shift(row, theta, padded, STEP * change[row]), to_all, 1 / STEP)
    return found.transpose(1, 2, 0).astype(np.float32)


def _moved(place: Floats, flows: Sequence[Flow], to_all: Floats, scale: float) -> None:
    for a, b, amperes in flows:
        scaled = (scale * amperes)[:, None]
        if a >= 0:
            place -= to_all[a] * scaled
        if b >= 0:
            place += to_all[b] * scaled


def _ohmic(nodes: Ints, own: Floats, volts: Floats) -> list[Flow]:
    a, b = nodes
    return [(int(a), int(b), own[0] * (volts[a] - volts[b]))]


def _source(nodes: Ints, own: Floats, volts: Floats) -> list[Flow]:
    a, b = nodes
    return [(int(a), int(b), own[1] * (volts[a] - volts[b] - own[0]))]


def _rise(across: Floats, n_v: Floats | float) -> Floats:
    return np.asarray(np.exp(np.clip(across / n_v, -200.0, 200.0)) - 1)


def _junction(nodes: Ints, own: Floats, volts: Floats) -> list[Flow]:
    a, k = nodes
    return [(int(a), int(k), own[0] * _rise(volts[a] - volts[k] - own[2], own[1]))]


def _transistor(nodes: Ints, own: Floats, volts: Floats) -> list[Flow]:
    c, b, e, sign = nodes
    i_be = own[0] * _rise(sign * (volts[b] - volts[e]), THERMAL_V)
    i_bc = own[0] * _rise(sign * (volts[b] - volts[c]), THERMAL_V)
    collector = i_be - i_bc * (1 + 1 / BETA_REVERSE)
    into_base = i_be / own[1] + i_bc / BETA_REVERSE
    return [(int(c), int(e), sign * collector), (int(b), int(e), sign * into_base)]


def _regulator(nodes: Ints, own: Floats, volts: Floats) -> list[Flow]:
    inner, outer, common, sign = nodes
    told, dropout, ohm, limit = own
    headroom = sign * (volts[inner] - volts[common]) - dropout
    target = (told + headroom - np.sqrt((headroom - told) ** 2 + SOFT_V**2)) / 2
    error = target - sign * (volts[outer] - volts[common])
    scaled = np.clip(error / SOFT_V, -200.0, 200.0)
    wanted = (np.maximum(error, 0) + SOFT_V * np.log1p(np.exp(-np.abs(scaled)))) / ohm
    current = limit * wanted / np.maximum(np.hypot(limit, wanted), 1e-300)
    return [(int(inner), int(outer), sign * current)]


def _load(nodes: Ints, own: Floats, volts: Floats) -> list[Flow]:
    a, b = nodes
    across = volts[a] - volts[b]
    return [(int(a), int(b), own[0] * across / np.sqrt(across**2 + LOAD_KNEE_V**2))]
