"""Which parts a network that reads as printed is made of: each point's load, what feeds it, and what may hold it.

What a version of the network does without has no conductance there, so that one structure serves all of them.
"""

import numpy as np

from daemon.drawing import GROUND, Part
from daemon.suspects.net import Floats
from daemon.suspects.stages import Stages

LED_V = (1.5, 2.4)
DIODE_V = (0.45, 1.2)
ZENER_V = 2.4


def node_net(node: int) -> str:
    """What a node is called in the network; -1 is 0 V."""
    return f"n{node}" if node >= 0 else GROUND


def likely_parts(stages: Stages) -> list[Part]:
    """Named by their kind and the number of their node, or of their transistor."""
    found = []
    for node, feeder in enumerate(stages.feeder):
        here, above = node_net(node), node_net(feeder)
        level = level_of(stages.volts[node])
        found.append(Part(f"load {node}", "load", (here, GROUND), current_a=1e-3))
        found.append(Part(f"source {node}", "source", (here, GROUND), value=level, inner_ohm=1.0))
        if feeder >= 0:
            found.append(Part(f"feed {node}", "resistor", (above, here), value=1.0))
        if stages.feed[node] in ("regulator", "shunt"):
            found.append(Part(f"regulator {node}", "regulator", (above, here, GROUND), value=level, dropout_v=1.5))
        if has_zener(stages, node):
            ends = (GROUND, here) if level > 0 else (here, GROUND)
            found.append(Part(f"zener {node}", "zener", ends, value=abs(level)))
        if is_behind_diode(stages, node):
            found.append(Part(f"diode {node}", "diode", (above, here) if level > 0 else (here, above)))
        if is_led(stages, node):
            found.append(Part(f"led {node}", "led", (here, GROUND) if level > 0 else (GROUND, here)))
    for number, (one, other) in enumerate(stages.links):
        found.append(Part(f"link {number}", "resistor", (node_net(one), node_net(other)), value=1.0))
    for number, each in enumerate(stages.transistors):
        nets = (node_net(each.collector), node_net(each.base), node_net(each.emitter))
        found.append(Part(f"transistor {number}", "npn" if each.sign > 0 else "pnp", nets))
    return found


def level_of(volts: Floats) -> float:
    """The volts of the mode in which they are largest."""
    return float(volts[np.argmax(np.abs(volts))])


def is_led(stages: Stages, node: int) -> bool:
    """A point that feeds nothing, at the volts of an indicator."""
    feeder, level = stages.feeder[node], abs(level_of(stages.volts[node]))
    legs = {leg for each in stages.transistors for leg in (each.collector, each.base, each.emitter)}
    alone = feeder >= 0 and not stages.children(node) and node not in legs
    return alone and LED_V[0] < level < LED_V[1] and abs(level_of(stages.volts[feeder])) > level + 1


def has_zener(stages: Stages, node: int) -> bool:
    """A point that a zener may hold, in some versions at least: of bases only those of what passes a supply on."""
    if node in stages.coupled:
        return False
    if stages.feed[node] != "resistor":
        return stages.feed[node] == "shunt"
    legs = {leg for each in stages.transistors for leg in (each.collector, each.emitter)}
    legs |= {each.base for each in stages.transistors if each.emitter < 0 or not stages.children(each.emitter)}
    return node not in legs and abs(level_of(stages.volts[node])) > ZENER_V and not is_behind_diode(stages, node)


def is_behind_diode(stages: Stages, node: int) -> bool:
    """A point that is a diode's forward volts below a higher one in every mode."""
    if stages.feed[node] not in ("resistor", "joined") or stages.contact[node].any():
        return False
    own, above = stages.volts[node], stages.volts[stages.feeder[node]]
    on = np.abs(own) > 3
    drop = (np.abs(above) - np.abs(own))[on]
    return bool(on.any() and drop.min() > DIODE_V[0] and drop.max() < DIODE_V[1])
