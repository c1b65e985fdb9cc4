"""What a meter itself takes from the volts that it reads, at a node or between two.

By what feeds the place, where that is little. Where it is more the world is solved anew with the meter in place:
behind a junction, or on a node that nothing feeds, volts do not go down in straight lines.
"""

import numpy as np

from daemon.suspects.dc import Solver
from daemon.suspects.net import Floats, Ints, Net

Place = tuple[int, int]  # nodes; the second -1: 0 V
MUCH_V = 0.01  # taken by the meter: beyond this straight lines are not believed


def places_of(net: Net) -> tuple[Place, ...]:
    """Where a meter may be put: every node, and between every two nodes that are on one part."""
    nodes = [(node, -1) for node in range(len(net.nodes))]
    ends = [sorted({net.nodes[name] for name in part.nets if name in net.nodes}) for part in net.parts]
    return (*nodes, *sorted({(a, b) for own in ends for a in own for b in own if a < b}))


def across(volts: Floats, place: Place) -> Floats:
    """Volts (nodes, worlds) at a place."""
    plus, minus = place
    return np.asarray(volts[plus] - volts[minus] if minus >= 0 else volts[plus])


def share_left(slopes: Floats, place: Place, meter_ohm: float) -> Floats:
    """Share (worlds,) of its volts that a place keeps under a meter, by what feeds it: ohms (worlds, nodes, nodes)."""
    plus, minus = place
    ohm = slopes[:, plus, plus]
    if minus >= 0:
        ohm = ohm + slopes[:, minus, minus] - slopes[:, plus, minus] - slopes[:, minus, plus]
    return np.asarray(meter_ohm / (meter_ohm + np.maximum(ohm, 0)))


class MeterInPlace:
    """Solves worlds with a meter in them, each world's at a place of its own."""

    def __init__(self, net: Net, meter_ohm: float, warm_steps: int) -> None:
        self.places, self.ohm = places_of(net), meter_ohm
        self.solver = Solver(net, warm_steps=warm_steps, places=self.places)

    def theta(self, theta: Floats, places: Ints) -> Floats:
        """Properties (rows and places, worlds) of worlds with their meter; ``places`` (worlds,) counts from 0."""
        meters = np.zeros((len(self.places), theta.shape[1]))
        meters[places, np.arange(theta.shape[1])] = 1 / self.ohm
        return np.concatenate([theta, meters])
