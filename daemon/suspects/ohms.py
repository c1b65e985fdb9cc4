"""Ohms with the power off, in circuit: an ohm-meter at two nodes of a network whose sources are gone."""

import math

import numpy as np

from daemon.suspects.dc import Solver, Test
from daemon.suspects.net import OPEN_S, Floats, Net

TEST_V, TEST_OHM = 0.2, 1e3  # a meter whose volts leave junctions at rest
AT_REST_OHM = (300.0, 1e5)  # what a load may be at rest: nobody knows
DRAWS, SEED = 3, 20


def ohms_between(net: Net, theta: Floats, one: str, other: str) -> Floats:
    """What the meter reads between two nets ("0" is 0 V) in worlds of theta (rows, worlds): (draws, worlds).

    Capacitors are empty. One draw after the other has its own guess of what each load is at rest.
    """
    rng = np.random.default_rng(SEED)
    pair = [net.nodes.get(name, -1) for name in (one, other)]
    solver = Solver(net, Test(pair[0], pair[1], TEST_V, TEST_OHM))
    found = []
    for _ in range(DRAWS):
        volts = np.nan_to_num(solver.solve(_powerless(net, theta, rng)).volts)
        across = (volts[pair[0]] if pair[0] >= 0 else 0.0) - (volts[pair[1]] if pair[1] >= 0 else 0.0)
        found.append(TEST_OHM * across / np.maximum(TEST_V - across, 1e-9))
    return np.array(found)


def _powerless(net: Net, theta: Floats, rng: np.random.Generator) -> Floats:
    dead = theta.copy()
    for part in net.parts:
        slots = net.slots[part.name]
        if part.kind == "source":
            dead[slots["v"]], dead[slots["g"]] = 0.0, OPEN_S
        elif part.kind == "regulator":
            dead[slots["limit"]] = 0.0
        elif "i" in slots:
            at_rest_s = np.exp(-rng.uniform(math.log(AT_REST_OHM[0]), math.log(AT_REST_OHM[1]), dead.shape[1]))
            dead[slots["g"]] = np.maximum(dead[slots["g"]], np.where(dead[slots["i"]] > 0, at_rest_s, 0))
            dead[slots["i"]] = 0.0
    return dead
