"""What has to be said before a finger or a lead goes somewhere: never that a place is safe."""

from collections.abc import Sequence

import numpy as np

from daemon.drawing import Drawing
from daemon.suspects.net import Floats
from daemon.suspects.readings import is_mains
from daemon.suspects.worlds import Table

TOUCH_V = 60.0  # DC to 0 V, or between two points; common practice, and local rules may be lower
TOUCH = "Above the touch limit: clip on with power off."
DISCHARGE = (
    "Power off first. Discharge through a resistor, not a screwdriver, measure, and measure again after a minute: "
    "it can come back."
)
SCOPE = "The scope's clip is earth: on 0 V only, of a unit that is isolated or earthed there."
IN_SERIES = "A meter in series with the feed is put in with the power off."
HOT = "With a thermometer, not with a finger: hot parts burn, and live ones are beside them."
MAINS_V = 230.0
MOST_NAMED = 3
HELD_V = 1.0  # a capacitor that is charged to less is no danger to a meter on ohms


def touch_caution(table: Table, drawing: Drawing, nodes: Sequence[int]) -> str:
    """For nodes of a table (-1 is 0 V) that are to be touched: "" or the words.

    What counts is the most that any fault lets them have, in any mode and also against each other, and what is printed.
    """
    return TOUCH if highest_v(table, drawing, nodes) > TOUCH_V else ""


def highest_v(table: Table, drawing: Drawing, nodes: Sequence[int]) -> float:
    """The most volts that nodes may have to 0 V or to one another, however unlikely the fault."""
    if "highest" not in table.memory:
        table.memory["highest"] = np.nan_to_num(np.abs(_there(table))).max(axis=(0, 2))
    found = [float(table.memory["highest"][node]) for node in nodes if node >= 0]
    names = {node: name for name, node in table.nodes.items()}
    here = {names[node] for node in nodes if node >= 0}
    points = [point for point in drawing.points if (point.net or point.name) in here]
    found += [abs(volts) for point in points for volts in point.printed_v.values()]
    found += [drawing.nominal_mains_v or MAINS_V for point in points if is_mains(point.name)]
    if len(found) > 1 and len(nodes) > 1 and min(nodes) >= 0:
        apart = _there(table)[:, nodes[0]] - _there(table)[:, nodes[1]]
        found.append(float(np.nan_to_num(np.abs(apart)).max()))
    return max(found, default=0.0)


def _there(table: Table) -> Floats:
    """Volts before a meter pulls them down: a hand comes first. A table of printed volts knows only what was read."""
    return table.bare if table.bare.size else table.volts


def discharge_caution(table: Table, drawing: Drawing, nets: Sequence[str]) -> str:
    """Before ohms, soldering or a link: the charge that stays, by name where it is on these nets or dangerous."""
    held = []
    for part in drawing.parts:
        if part.kind == "capacitor":
            volts = highest_v(table, drawing, [table.nodes.get(net, -1) for net in part.nets])
            here = bool(set(part.nets) & set(nets))
            if volts > (HELD_V if here else TOUCH_V):
                held.append((not here, -volts, f"{part.name} (up to about {volts:.0f} V)"))
    said = [words for _, _, words in sorted(held)[:MOST_NAMED]]
    charge = f" {' and '.join(said)} can hold charge." if said else ""
    high = highest_v(table, drawing, [table.nodes[net] for net in nets if net in table.nodes]) > TOUCH_V
    return DISCHARGE + charge + (f" {TOUCH}" if high else "")
