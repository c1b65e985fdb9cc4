"""How parts fail: modes with the share of each, and how far a fault goes in one world.

Shares in per cent. Capacitors: Capacitors Failure Mechanisms Rev A (2004), table 1. Others from memory of
MIL-HDBK-338B, 7.8. Regulator, source, load, fuse: common practice, no source. Sources differ by a factor of fifty
in rates, so that a part's own ``weight`` (1 to 5) is coarse on purpose, and the drawing's to edit.
"""

from collections.abc import Callable, Mapping
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
MAINS_PERCENT = 10.0  # IEC 60038: 230 V within 10 %
Draw = Callable[[np.random.Generator, int], Floats]
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
    total = sum(told.values())
    return [Fault(part.name, name, share / total) for name, share in told.items() if share > 0]


def tolerances(net: Net, theta: Floats, rng: np.random.Generator) -> Floats:
    """Give each part of each world a value within its tolerance, in place: theta (modes, rows, worlds).

    Returns what the mains is of its nominal value, shape (worlds,).
    """
    worlds = theta.shape[2]
    mains = 1 + MAINS_PERCENT / 100 * rng.uniform(-1, 1, worlds)
    for part in net.parts:
        slots = net.slots[part.name]
        half = (part.tolerance_percent or TOLERANCE_PERCENT.get(part.kind, 0.0)) / 100
        drawn = 1 + half * rng.uniform(-1, 1, worlds)
        if part.kind == "source":
            theta[:, slots["v"]] *= drawn * (mains if part.follows_mains else 1.0)
            theta[:, slots["g"]] *= np.exp(rng.normal(0, 0.1, worlds))
        elif part.kind in ("diode", "led", "zener"):
            theta[:, slots["i_s"]] *= np.exp(rng.normal(0, 0.7, worlds))
            if "z_off_v" in slots:
                theta[:, slots["z_off_v"]] += (part.value or 0) * (drawn - 1)
        elif part.kind in ("npn", "pnp"):
            theta[:, slots["i_s"]] *= np.exp(rng.normal(0, 0.7, worlds))
            theta[:, slots["beta"]] *= np.exp(rng.normal(0, 0.5, worlds))
        elif part.kind == "regulator":
            theta[:, slots["v"]] *= drawn
            theta[:, slots["limit"]] *= np.exp(rng.normal(0, 0.4, worlds))
        elif "i" in slots:
            theta[:, slots["i"]] *= drawn
        elif part.kind in ("resistor", "inductor", "load"):
            theta[:, slots["g"]] /= drawn
    return np.asarray(mains)


def put_in(net: Net, fault: Fault, theta: Floats, rng: np.random.Generator) -> None:
    """Put a fault into each world of theta (modes, rows, worlds), each as far gone as it may be, in place."""
    part, slots, worlds = net.part(fault.part), net.slots[fault.part], theta.shape[2]
    name = fault.fault
    if part.kind in ("npn", "pnp"):
        _transistor(name, slots, theta, rng)
    elif part.kind == "regulator":
        _regulator(name, slots, theta, rng)
    elif part.kind == "source":
        theta[:, slots["v"]] *= 0.0 if name == "dead" else rng.uniform(0.4, 0.85, worlds)
        if name == "dead":
            theta[:, slots["g"]] = OPEN_S
    elif part.kind == "selector":
        _selector(net, name, slots, theta, rng)
    elif name == "stuck closed":
        theta[:, slots["g"]] = CLOSED_S
    elif name in ("open", "leaky", "shorted", "value wrong", "high resistance", "draws too much"):
        _two_nets(name, part, slots, theta, rng)


def _log_uniform(rng: np.random.Generator, low: float, high: float, worlds: int) -> Floats:
    return np.asarray(np.exp(rng.uniform(np.log(low), np.log(high), worlds)))


def _short_s(rng: np.random.Generator, worlds: int) -> Floats:
    return 1 / _log_uniform(rng, 0.02, 2.0, worlds)


def _two_nets(name: str, part: Part, slots: dict[str, int], theta: Floats, rng: np.random.Generator) -> None:
    worlds, g = theta.shape[2], slots["g"]
    if name == "open":
        for row in ("i_s", "z_s", "i"):
            if row in slots:
                theta[:, slots[row]] = 0.0
        theta[:, g] = OPEN_S
    elif name == "shorted":
        theta[:, g] = _short_s(rng, worlds)
    elif name == "leaky":
        most = 1e4 if part.kind == "capacitor" else 1e3
        theta[:, g] = 1 / _log_uniform(rng, 20.0, most, worlds)
    elif name == "high resistance":
        ohms = _log_uniform(rng, 3.0, 1e5, worlds)
        theta[:, g] = np.minimum(theta[:, g], 1 / ohms)
    elif name == "draws too much":
        more = _log_uniform(rng, 2.0, 8.0, worlds)
        theta[:, slots.get("i", g)] *= more
    elif part.kind == "zener":
        theta[:, slots["z_off_v"]] += (part.value or 0) * _off(rng, 0.4, 0.85, 1.15, 1.6, worlds) - (part.value or 0)
    elif part.kind == "resistor":
        theta[:, g] /= _drift(rng, worlds)


def _off(rng: np.random.Generator, a: float, b: float, c: float, d: float, worlds: int) -> Floats:
    return np.where(rng.random(worlds) < 0.5, rng.uniform(a, b, worlds), rng.uniform(c, d, worlds)).astype(float)


def _drift(rng: np.random.Generator, worlds: int) -> Floats:
    """Resistors mostly go high."""
    high = _log_uniform(rng, 1.4, 20.0, worlds)
    return np.where(rng.random(worlds) < 0.75, high, rng.uniform(0.2, 0.7, worlds)).astype(float)


def _transistor(name: str, slots: dict[str, int], theta: Floats, rng: np.random.Generator) -> None:
    row = {"C-E shorted": "g_ce", "C-B shorted": "g_cb", "B-E shorted": "g_be"}.get(name)
    if row is None:
        theta[:, slots["i_s"]] = 0.0
    else:
        theta[:, slots[row]] = _short_s(rng, theta.shape[2])


def _regulator(name: str, slots: dict[str, int], theta: Floats, rng: np.random.Generator) -> None:
    worlds = theta.shape[2]
    if name == "value wrong":
        theta[:, slots["v"]] *= _off(rng, 0.3, 0.9, 1.1, 1.5, worlds)
        return
    theta[:, slots["limit"]] = 0.0
    if name == "passes its input":
        theta[:, slots["g"]] = _short_s(rng, worlds)


def _selector(net: Net, name: str, slots: dict[str, int], theta: Floats, rng: np.random.Generator) -> None:
    rows = [row for slot, row in slots.items() if slot.startswith("g ")]
    if name == "high resistance":
        most = 1 / _log_uniform(rng, 3.0, 1e5, theta.shape[2])
        for row in rows:
            theta[:, row] = np.minimum(theta[:, row], most)
        return
    for row in rows:
        theta[:, row] = OPEN_S
    if name.startswith("stuck on "):
        theta[:, slots["g " + name.removeprefix("stuck on ")]] = CLOSED_S
