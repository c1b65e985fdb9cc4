"""A drawing's parts as nodes and branches whose every property is a number that a fault can change.

Structure never changes: an open fuse is a conductance of 1e-12 S, a shorted diode one of 20 S beside it. So one
order of elimination serves all modes and all faults, and thousands of worlds are solved side by side.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from daemon.drawing import GROUND, Drawing, Part

Floats = NDArray[np.float64]
Halves = NDArray[np.float32]  # where four bytes a number are enough
Ints = NDArray[np.int64]

OPEN_S = 1e-12  # 1 Tohm
CLOSED_S = 100.0  # 10 mohm: contact, fuse, jumper, soldered joint
MOST_S = 1000.0  # 1 mohm: a source without a stated inner resistance
THERMAL_V = 1.380649e-23 * 300.15 / 1.602176634e-19  # kT/q at 27 degrees Celsius
JUNCTION_A = 0.01  # forward volts are told at 10 mA
ZENER_A = 0.005
DIODE_N, LED_N, ZENER_N = 1.8, 2.0, 2.0
BETA, BETA_REVERSE, TRANSISTOR_IS = 100.0, 1.0, 1e-14
DROPOUT_V, REGULATOR_OHM, REGULATOR_LIMIT_A = 2.0, 0.05, 2.2
FORWARD_V = {"diode": 0.65, "led": 2.0, "zener": 0.7}
SMALL_SIGNAL_OHM = {"inductor": 0.1}


@dataclass(slots=True)
class Rows:
    """Elements of one kind: the nodes of each (-1 is 0 V) and the rows of theta that hold its properties."""

    nodes: list[tuple[int, ...]] = field(default_factory=list)
    rows: list[tuple[int, ...]] = field(default_factory=list)

    def arrays(self, terminals: int, properties: int) -> tuple[Ints, Ints]:
        """Nodes, shape (n, terminals), and rows, shape (n, properties)."""
        return (
            np.array(self.nodes, dtype=np.int64).reshape(-1, terminals),
            np.array(self.rows, dtype=np.int64).reshape(-1, properties),
        )


@dataclass(slots=True)
class Net:
    """Nodes, elements, and theta: one row a property, nominal values per mode in ``nominal`` (rows, modes).

    ``slots`` names each part's rows. Elements: ``ohmic`` (a, b; conductance), ``sources`` (+, -; volts, conductance),
    ``junctions`` (anode, cathode; saturation A, slope V, offset V), ``transistors`` (collector, base, emitter, +1 or
    -1; saturation A, beta), ``regulators`` (in, out, common, sign; volts, dropout, ohms, limit A), ``loads`` (a, b; A).
    """

    modes: tuple[str, ...]
    nodes: dict[str, int]
    parts: tuple[Part, ...]
    nominal: Floats
    slots: dict[str, dict[str, int]]
    ohmic: Rows
    sources: Rows
    junctions: Rows
    transistors: Rows
    regulators: Rows
    loads: Rows

    def part(self, name: str) -> Part:
        """The part of that name."""
        return next(part for part in self.parts if part.name == name)


def forward_saturation_a(forward_v: float | Floats, n: float) -> Floats:
    """Saturation current of a junction that drops ``forward_v`` at 10 mA."""
    return np.asarray(JUNCTION_A / np.exp(np.asarray(forward_v) / (n * THERMAL_V)))


class _Builder:
    def __init__(self, modes: Sequence[str]) -> None:
        self.modes = tuple(modes)
        self.nodes: dict[str, int] = {}
        self.values: list[list[float]] = []
        self.slots: dict[str, dict[str, int]] = {}
        self.kinds = {name: Rows() for name in ("ohmic", "sources", "junctions", "transistors", "regulators", "loads")}

    def node(self, net: str) -> int:
        return -1 if net == GROUND else self.nodes.setdefault(net, len(self.nodes))

    def slot(self, part: Part, name: str, value: float | list[float]) -> int:
        row = len(self.values)
        self.values.append(value if isinstance(value, list) else [value] * len(self.modes))
        self.slots.setdefault(part.name, {})[name] = row
        return row

    def element(self, kind: str, nodes: tuple[int, ...], part: Part, **values: float | list[float]) -> None:
        rows = tuple(self.slot(part, name, value) for name, value in values.items())
        self.kinds[kind].nodes.append(nodes)
        self.kinds[kind].rows.append(rows)


def build_net(drawing: Drawing) -> Net:
    """The network of a drawing. Its parts are taken as ``parse_drawing`` left them: whole and of known kinds."""
    builder = _Builder(drawing.modes)
    for part in drawing.parts:
        _add(builder, part)
    return Net(
        builder.modes,
        builder.nodes,
        drawing.parts,
        np.array(builder.values, dtype=float).reshape(len(builder.values), len(builder.modes)),
        builder.slots,
        **builder.kinds,
    )


def _add(builder: _Builder, part: Part) -> None:
    nodes = tuple(builder.node(net) for net in part.nets)
    kind = part.kind
    if kind == "source":
        conductance = min(MOST_S, 1 / part.inner_ohm) if part.inner_ohm else MOST_S
        builder.element("sources", nodes, part, v=part.value or 0.0, g=conductance)
    elif kind == "selector":
        for net, node in zip(part.nets[1:], nodes[1:], strict=True):
            closed = [CLOSED_S if part.contact_in.get(mode) == net else OPEN_S for mode in builder.modes]
            builder.element("ohmic", (nodes[0], node), part, **{f"g {net}": closed})
    elif kind in ("switch", "relay"):
        closed = [CLOSED_S if mode in part.closed_in else OPEN_S for mode in builder.modes]
        builder.element("ohmic", nodes, part, g=closed)
    elif kind in ("npn", "pnp"):
        _add_transistor(builder, part, nodes)
    elif kind == "regulator":
        _add_regulator(builder, part, nodes)
    elif kind in ("diode", "led", "zener"):
        _add_junction(builder, part, nodes)
    else:
        builder.element("ohmic", nodes, part, g=_conductance_s(part))
        if part.current_a is not None:
            builder.element("loads", nodes, part, i=abs(part.current_a))


def _conductance_s(part: Part) -> float:
    if part.kind == "resistor":
        return min(MOST_S, 1 / part.value) if part.value else MOST_S
    if part.kind == "inductor":
        return min(MOST_S, 1 / (part.dc_ohm or SMALL_SIGNAL_OHM["inductor"]))
    if part.kind == "load":
        return 1 / part.ohm if part.ohm else OPEN_S
    return OPEN_S if part.kind == "capacitor" else CLOSED_S


def _add_junction(builder: _Builder, part: Part, nodes: tuple[int, ...]) -> None:
    n = {"diode": DIODE_N, "led": LED_N, "zener": 1.0}[part.kind]
    told = part.value if part.kind != "zener" else None
    saturation = float(forward_saturation_a(told or FORWARD_V[part.kind], n))
    builder.element("junctions", nodes, part, i_s=saturation, n_v=n * THERMAL_V, off_v=0.0)
    builder.element("ohmic", nodes, part, g=OPEN_S)
    if part.kind == "zener":
        slope_v = ZENER_N * THERMAL_V
        knee_a = 1e-9
        offset = (part.value or 0.0) - slope_v * math.log(ZENER_A / knee_a)
        builder.element("junctions", nodes[::-1], part, z_s=knee_a, z_n_v=slope_v, z_off_v=offset)


def _add_transistor(builder: _Builder, part: Part, nodes: tuple[int, ...]) -> None:
    collector, base, emitter = nodes
    sign = 1 if part.kind == "npn" else -1
    builder.element("transistors", (*nodes, sign), part, i_s=TRANSISTOR_IS, beta=BETA)
    for name, pair in (("g_ce", (collector, emitter)), ("g_be", (base, emitter)), ("g_cb", (collector, base))):
        builder.element("ohmic", pair, part, **{name: OPEN_S})


def _add_regulator(builder: _Builder, part: Part, nodes: tuple[int, ...]) -> None:
    value = part.value or 0.0
    dropout = DROPOUT_V if part.dropout_v is None else part.dropout_v
    sign = -1 if value < 0 else 1
    builder.element(
        "regulators",
        (*nodes, sign),
        part,
        v=abs(value),
        dropout=dropout,
        ohm=REGULATOR_OHM,
        limit=REGULATOR_LIMIT_A,
    )
    builder.element("ohmic", nodes[:2], part, g=OPEN_S)
