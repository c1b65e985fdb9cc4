"""How parts fail: modes with the share of each, and how far a fault goes in one world.

Shares in per cent. Capacitors: Capacitors Failure Mechanisms Rev A (2004), table 1. Others from memory of
MIL-HDBK-338B, 7.8. Regulator, source, load, fuse: common practice, no source. Sources differ by a factor of fifty
in rates, so that a part's own ``weight`` (1 to 5) is coarse on purpose, and the drawing's to edit.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from daemon.drawing import Part
from daemon.suspects.net import CLOSED_S, OPEN_S, Floats, Net

SHARES: dict[str, dict[str, float]] = {
    "resistor": {"open": 59, "value wrong": 36, "shorted": 5},
    "wirewound": {"open": 65, "value wrong": 26, "shorted": 9},
    "inductor": {"open": 42, "shorted": 42, "value wrong": 16},
    "electrolytic": {"open": 35, "shorted": 53, "value wrong": 2, "leaky": 10},
    "capacitor": {"open": 42, "shorted": 40, "value wrong": 18},
    "fuse": {"open": 90, "high resistance": 10},
    "jumper": {"open": 61, "high resistance": 39},
    "connector": {"open": 61, "high resistance": 39},
    "joint": {"open": 61, "high resistance": 39},
    "switch": {"open": 65, "high resistance": 19, "stuck closed": 16},
    "relay": {"open": 65, "high resistance": 19, "stuck closed": 16},
    "selector": {"open": 65, "high resistance": 19, "stuck": 16},
    "diode": {"shorted": 51, "open": 29, "leaky": 20},
    "led": {"open": 70, "shorted": 30},
    "zener": {"open": 45, "value wrong": 35, "shorted": 20},
    "transistor": {"C-E shorted": 53, "C-B shorted": 10, "B-E shorted": 10, "open": 27},
    "regulator": {"no output": 35, "passes its input": 35, "value wrong": 30},
    "source": {"dead": 60, "low": 40},
    "load": {"shorted": 45, "draws too much": 30, "open": 25},
}
ELECTROLYTIC_F = 1e-6  # from here up a capacitor is taken as electrolytic
WIREWOUND_OHM = 1.0  # below this a resistor is taken as wirewound
TOLERANCE_PERCENT = {"resistor": 5.0, "source": 5.0, "load": 15.0, "zener": 5.0, "regulator": 4.0, "inductor": 10.0}
HANDBOOK = 0.3  # weight of the shares above against "each fault alike": they were counted on new parts, not in old gear
MAINS_PERCENT = 10.0  # IEC 60038: 230 V within 10 %
EVEN = 3**0.5  # half width of an even spread over its standard deviation (GUM 4.3.7)
LEVELS = {
    "shorted": 6,
    "C-E shorted": 4,
    "C-B shorted": 4,
    "B-E shorted": 4,
    "passes its input": 4,
    "leaky": 12,
    "high resistance": 16,
    "draws too much": 6,
    "low": 8,
}
# What no meter can see at rest, and what would show it.
WOULD_SHOW = {
    "capacitor": "ripple or a scope on it; a like part held across it; out of circuit its value and series resistance",
    "diode": "lift one end and test it with the diode function, both ways round",
    "led": "look at it; lift one end and test it with the diode function",
    "inductor": "ripple after it; heat; out of circuit its inductance",
    "switch": "the mode in which it should be the other way; ohms across it with the power off",
    "regulator": "ripple after it, and its output under load; heat",
    "resistor": "ohms across it with the power off, one end lifted",
    "load": "the supply current; heat",
}
SHOWN_OTHERWISE = "ohms across it with the power off, one end lifted; cold spray or warm air; the switch-on trace"


@dataclass(frozen=True, slots=True)
class Fault:
    """One way in which a part fails; ``share`` of that part's faults, all adding to 1."""

    part: str
    fault: str
    share: float


def class_of(part: Part) -> str:
    """Which row of ``SHARES`` a part belongs to."""
    if part.kind in ("npn", "pnp"):
        return "transistor"
    if part.kind == "capacitor" and (part.value or 0) >= ELECTROLYTIC_F:
        return "electrolytic"
    if part.kind == "resistor" and (part.value or 0) < WIREWOUND_OHM:
        return "wirewound"
    return part.kind


def faults_of(net: Net, part: Part, shares: Mapping[str, Mapping[str, float]] = SHARES) -> list[Fault]:
    """The ways in which this part can fail in this unit."""
    told = dict(shares[class_of(part)])
    slots = net.slots[part.name]
    if part.kind in ("switch", "relay") and all(mode in part.closed_in for mode in net.modes):
        told.pop("stuck closed", None)
    if part.kind == "selector":
        stuck = told.pop("stuck", 0.0)
        contacts = [name for name in slots if name.startswith("g ") and len(set(net.nominal[slots[name]])) > 1]
        told |= {f"stuck on {name[2:]}": stuck / len(contacts) for name in contacts}
    told = {name: share for name, share in told.items() if share > 0}
    total = sum(told.values())
    return [
        Fault(part.name, name, HANDBOOK * share / total + (1 - HANDBOOK) / len(told)) for name, share in told.items()
    ]


@dataclass(frozen=True, slots=True)
class Spread:
    """One thing that differs from one sound unit to the next: what one standard deviation does to rows of theta."""

    rows: tuple[int, ...]
    relative: float = 0.0
    absolute: float = 0.0


def spreads(net: Net) -> list[Spread]:
    """The mains, then what each part's tolerance allows. A tolerance is the half width of an even spread."""
    feeds = [net.slots[p.name]["v"] for p in net.parts if p.kind == "source" and p.follows_mains]
    found = [Spread(tuple(feeds), MAINS_PERCENT / 100 / EVEN)]
    for part in net.parts:
        found += _own_spreads(part, net.slots[part.name])
    return found


def _own_spreads(part: Part, slots: Mapping[str, int]) -> list[Spread]:
    even = (part.tolerance_percent or TOLERANCE_PERCENT.get(part.kind, 0.0)) / 100 / EVEN
    found = []
    if part.kind in ("source", "regulator"):
        found.append(Spread((slots["v"],), even))
    if part.kind == "source":
        found.append(Spread((slots["g"],), 0.15))
    elif part.kind == "regulator":
        found += [Spread((slots["limit"],), 0.4), Spread((slots["dropout"],), 0.2)]
    elif "i" in slots:
        found.append(Spread((slots["i"],), even))
    elif part.kind in ("resistor", "inductor", "load"):
        found.append(Spread((slots["g"],), even))
    if "i_s" in slots:
        found.append(Spread((slots["i_s"],), 0.7))
    if "beta" in slots:
        found.append(Spread((slots["beta"],), 0.6))
    if "z_off_v" in slots:
        found.append(Spread((slots["z_off_v"],), 0.0, (part.value or 0.0) * even))
    return found


def levels_of(net: Net, fault: Fault) -> int:
    """In how many steps it is looked at how far a fault goes; even, and a multiple of four where it goes both ways."""
    if fault.fault == "value wrong":
        return {"resistor": 16, "zener": 12, "regulator": 12}.get(net.part(fault.part).kind, 1)
    return LEVELS.get(fault.fault, 1)


def put_in(net: Net, fault: Fault, theta: Floats, far: Floats) -> None:
    """Put a fault into each world of theta (modes, rows, worlds), in place; ``far`` (worlds,), 0 to 1, says how far."""
    part, slots = net.part(fault.part), net.slots[fault.part]
    name = fault.fault
    if part.kind in ("npn", "pnp"):
        _transistor(name, slots, theta, far)
    elif part.kind == "regulator":
        _regulator(name, slots, theta, far)
    elif part.kind == "source":
        theta[:, slots["v"]] *= 0.0 if name == "dead" else 0.4 + 0.48 * far
        if name == "dead":
            theta[:, slots["g"]] = OPEN_S
    elif part.kind == "selector":
        _selector(name, slots, theta, far)
    elif name == "stuck closed":
        theta[:, slots["g"]] = CLOSED_S
    elif name in ("open", "leaky", "shorted", "value wrong", "high resistance", "draws too much"):
        _two_nets(name, part, slots, theta, far)


def _log_between(low: float, high: float, far: Floats) -> Floats:
    return np.asarray(low * (high / low) ** far)


def _short_s(far: Floats) -> Floats:
    return 1 / _log_between(0.02, 2.0, far)


def _two_nets(name: str, part: Part, slots: dict[str, int], theta: Floats, far: Floats) -> None:
    g = slots["g"]
    if name == "open":
        for row in ("i_s", "z_s", "i"):
            if row in slots:
                theta[:, slots[row]] = 0.0
        theta[:, g] = OPEN_S
    elif name == "shorted":
        theta[:, g] = _short_s(far)
    elif name == "leaky":
        theta[:, g] = 1 / _log_between(20.0, 1e4 if part.kind == "capacitor" else 1e3, far)
    elif name == "high resistance":
        theta[:, g] = np.minimum(theta[:, g], 1 / _log_between(3.0, 1e5, far))
    elif name == "draws too much":
        theta[:, slots.get("i", g)] *= _log_between(1.8, 8.0, far)
    elif part.kind == "zener":
        theta[:, slots["z_off_v"]] += (part.value or 0) * (_off(0.4, 0.88, 1.12, 1.6, far) - 1)
    elif part.kind == "resistor":
        theta[:, g] /= _drift(far)


def _off(a: float, b: float, c: float, d: float, far: Floats) -> Floats:
    return np.where(far < 0.5, a + (b - a) * 2 * far, c + (d - c) * (2 * far - 1))


def _drift(far: Floats) -> Floats:
    """Resistors mostly go high."""
    return np.where(far < 0.25, _log_between(0.2, 0.7, 4 * far), _log_between(1.4, 20.0, (far - 0.25) / 0.75))


def _transistor(name: str, slots: dict[str, int], theta: Floats, far: Floats) -> None:
    row = {"C-E shorted": "g_ce", "C-B shorted": "g_cb", "B-E shorted": "g_be"}.get(name)
    if row is None:
        theta[:, slots["i_s"]] = 0.0
    else:
        theta[:, slots[row]] = _short_s(far)


def _regulator(name: str, slots: dict[str, int], theta: Floats, far: Floats) -> None:
    if name == "value wrong":
        theta[:, slots["v"]] *= _off(0.3, 0.92, 1.08, 1.5, far)
        return
    theta[:, slots["limit"]] = 0.0
    if name == "passes its input":
        theta[:, slots["g"]] = _log_between(50.0, 0.2, far)


def _selector(name: str, slots: dict[str, int], theta: Floats, far: Floats) -> None:
    rows = [row for slot, row in slots.items() if slot.startswith("g ")]
    if name == "high resistance":
        most = 1 / _log_between(3.0, 1e5, far)
        for row in rows:
            theta[:, row] = np.minimum(theta[:, row], most)
        return
    for row in rows:
        theta[:, row] = OPEN_S
    if name.startswith("stuck on "):
        theta[:, slots["g " + name.removeprefix("stuck on ")]] = CLOSED_S
