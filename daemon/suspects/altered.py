"""A unit whose network is not as drawn for a while: parts lifted out of circuit, or led past by a link or a like part.

What holds is the same in every world, whatever is faulty there: a lifted part carries nothing, and its own fault with
it; a link or a like part lies across whatever the part has become.
"""

from collections.abc import Sequence

from daemon.drawing import Part
from daemon.suspects.net import CLOSED_S, OPEN_S, Floats, Net

OUT, LIKE, LINK = "out", "like", "link"
Altered = frozenset[tuple[str, str]]  # parts, and what was done to each
AS_DRAWN: Altered = frozenset()
CARRIES = ("i_s", "z_s", "i", "limit")  # properties that are 0 in a part that carries nothing


def alter(net: Net, altered: Altered, theta: Floats, far: Sequence[Floats]) -> None:
    """Put it into every world of theta (modes, rows, worlds), in place; ``far`` holds changes of theta by a fault."""
    for name, how in sorted(altered, key=lambda each: (each[1] != OUT, each)):  # what lies across is put in last
        if how == OUT:
            _take_out(net, name, theta, far)
        else:
            _lay_across(net, net.part(name), how, theta)


def _take_out(net: Net, name: str, theta: Floats, far: Sequence[Floats]) -> None:
    for slot, row in net.slots[name].items():
        if slot in CARRIES:
            theta[:, row] = 0.0
        elif slot == "g" or slot.startswith(("g ", "g_")):
            theta[:, row] = OPEN_S
        for change in far:
            change[:, row] = 0.0


def _lay_across(net: Net, part: Part, how: str, theta: Floats) -> None:
    slots = net.slots[part.name]
    if how == LINK or part.kind in ("switch", "relay", "fuse", "jumper", "connector", "joint"):
        theta[:, slots["g_ce" if "g_ce" in slots else "g"]] += CLOSED_S
        return
    for slot in ("g", "i_s", "z_s", "i"):
        if slot in slots:
            theta[:, slots[slot]] += net.nominal[slots[slot]][:, None]
