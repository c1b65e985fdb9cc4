"""What is truly broken in the benchmark's units: drawn here, solved by ngspice, never by our own solver.

Tolerances and how far a fault goes are drawn by rules of this file's own, which differ from those that the program
assumes. What a reading would be is what ngspice finds with a meter of 10 Mohm in place.
"""

import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from daemon.drawing import Drawing
from daemon.suspects.candidates import Candidate
from daemon.suspects.faults import Fault, faults_of
from daemon.suspects.net import Net, build_net
from tests.suspects import spice

Floats = NDArray[np.float64]
OPEN_S = 1e-12
OPTIONS = ".options reltol=1e-4 abstol=1e-12 vntol=1e-6 gmin=1e-12 itl1=300 temp=27 tnom=27"
METER_RELATIVE, METER_V = 0.005, 0.01  # U: 0.5 % of the reading and 10 mV, the half width of a 3 1/2 digit meter
MAINS = 0.06
TAKEN_V = 2e-3  # a meter that takes less, with all others beside it, is not asked alone
Reads = dict[tuple[int, int, int], float]  # by mode and two nodes


@dataclass(frozen=True)
class Case:
    """One broken unit: what a meter ``reads`` in it, and ``sound`` in the same unit before it broke; ``volts`` (modes,
    nodes) with no meter there; ``theta`` (modes, rows) are its properties."""

    unit: str
    fault: Fault
    reads: Reads
    sound: Reads
    volts: Floats
    mains: float
    theta: Floats


def read(reads: Reads, candidate: Candidate) -> float:
    """What is there to be read at a candidate."""
    return reads[candidate.mode, candidate.plus, candidate.minus]


def visible(case: Case, listed: list[Candidate], tolerance: float) -> bool:
    """True where the fault moves something that can be read beyond its tolerance plus U."""
    for candidate in listed:
        before, after = read(case.sound, candidate), read(case.reads, candidate)
        if abs(after - before) > tolerance * abs(before) + METER_RELATIVE * abs(after) + METER_V:
            return True
    return False


def broken_units(name: str, drawing: Drawing, listed: list[Candidate], seed: int, most: int | None) -> list[Case]:
    """Every fault of every part once, in an order drawn by chance, read wherever is ``listed``; ngspice must find both
    states of a unit."""
    rng, net = np.random.default_rng(seed), build_net(drawing)
    faults = [fault for part in drawing.parts for fault in faults_of(net, part)]
    faults = [faults[i] for i in rng.permutation(len(faults))[:most]]
    pairs, mains = [], []
    for fault in faults:
        sound, line = _with_tolerances(net, rng)
        broken = sound.copy()
        _break(net, fault, broken, rng)
        pairs += [sound, broken]
        mains.append(line)
    places = sorted({(each.plus, each.minus) for each in listed})
    with tempfile.TemporaryDirectory() as folder:
        found = [_solved(net, [theta[mode] for theta in pairs], places, Path(folder)) for mode in range(len(net.modes))]
    volts, reads = (np.stack(each, axis=1) for each in zip(*found, strict=True))
    told = [
        {(mode, *place): float(unit[mode, at]) for mode in range(len(net.modes)) for at, place in enumerate(places)}
        for unit in reads
    ]
    whole = np.isfinite(volts).all(axis=(1, 2)) & np.isfinite(reads).all(axis=(1, 2))
    return [
        Case(name, fault, told[2 * i + 1], told[2 * i], volts[2 * i + 1], mains[i], pairs[2 * i + 1])
        for i, fault in enumerate(faults)
        if whole[2 * i] and whole[2 * i + 1]
    ]


def _solved(net: Net, thetas: list[Floats], places: list[tuple[int, int]], folder: Path) -> tuple[Floats, Floats]:
    volts = spice.solve(net, thetas, folder, OPTIONS)
    return volts, spice.read(net, thetas, places, folder, OPTIONS, TAKEN_V)


def _with_tolerances(net: Net, rng: np.random.Generator) -> tuple[Floats, float]:
    """Properties (modes, rows) of one sound unit, and its mains over the nominal one."""
    theta = net.nominal.T.copy()
    mains = 1 + rng.uniform(-MAINS, MAINS)
    for part in net.parts:
        rows, off = net.slots[part.name], 1 + np.clip(rng.normal(0, 0.02), -0.05, 0.05)
        if part.kind == "source":
            theta[:, rows["v"]] *= off * (mains if part.follows_mains else 1)
        elif part.kind in ("resistor", "inductor", "load"):
            theta[:, rows["g"]] /= off
            if "i" in rows:
                theta[:, rows["i"]] *= 1 + rng.uniform(-0.1, 0.1)
        elif part.kind == "zener":
            theta[:, rows["z_off_v"]] += (part.value or 0) * (off - 1)
        elif part.kind == "regulator":
            theta[:, rows["v"]] *= 1 + (off - 1) / 2
            theta[:, rows["limit"]] *= rng.uniform(0.7, 1.5)
            theta[:, rows["dropout"]] *= rng.uniform(0.6, 1.1)
        if "i_s" in rows:
            theta[:, rows["i_s"]] *= np.exp(rng.normal(0, 0.6))
        if "beta" in rows:
            theta[:, rows["beta"]] *= np.exp(rng.uniform(-0.7, 1.1))
    return theta, mains


def _log(rng: np.random.Generator, low: float, high: float) -> float:
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def _either(rng: np.random.Generator, low: tuple[float, float], high: tuple[float, float], share_low: float) -> float:
    return float(rng.uniform(*(low if rng.random() < share_low else high)))


def _break(net: Net, fault: Fault, theta: Floats, rng: np.random.Generator) -> None:
    part, rows, name = net.part(fault.part), net.slots[fault.part], fault.fault
    contacts = [row for slot, row in rows.items() if slot.startswith("g ")]
    if name == "dead":
        theta[:, rows["v"]], theta[:, rows["g"]] = 0.0, OPEN_S
    elif name == "low":
        theta[:, rows["v"]] *= rng.uniform(0.45, 0.8)
    elif name == "stuck closed":
        theta[:, rows["g"]] = 20.0
    elif name.startswith("stuck on "):
        theta[:, contacts] = OPEN_S
        theta[:, rows["g " + name.removeprefix("stuck on ")]] = 20.0
    elif name == "high resistance":
        g = [rows["g"]] if "g" in rows else contacts
        theta[:, g] = np.minimum(theta[:, g], 1 / _log(rng, 10, 3e4))
    elif part.kind in ("npn", "pnp"):
        slot = {"C-E shorted": "g_ce", "C-B shorted": "g_cb", "B-E shorted": "g_be"}.get(name)
        theta[:, rows["i_s" if slot is None else slot]] = 0.0 if slot is None else 1 / _log(rng, 0.05, 1)
    elif part.kind == "regulator":
        _break_regulator(name, rows, theta, rng)
    elif name == "open":
        theta[:, [rows[row] for row in ("i_s", "z_s", "i") if row in rows]] = 0.0
        theta[:, rows.get("g", contacts)] = OPEN_S
    elif name == "shorted":
        theta[:, rows["g"]] = 1 / _log(rng, 0.05, 1)
    elif name == "leaky":
        theta[:, rows["g"]] = 1 / (_log(rng, 50, 3000) if part.kind == "capacitor" else _log(rng, 30, 500))
    elif name == "draws too much":
        theta[:, rows.get("i", rows["g"])] *= rng.uniform(2.5, 6)
    elif name == "value wrong" and part.kind == "resistor":
        theta[:, rows["g"]] /= _either(rng, (0.25, 0.6), (1.6, 8), 0.3)
    elif name == "value wrong" and part.kind == "zener":
        theta[:, rows["z_off_v"]] += (part.value or 0) * (_either(rng, (0.5, 0.8), (1.2, 1.5), 0.5) - 1)


def _break_regulator(name: str, rows: dict[str, int], theta: Floats, rng: np.random.Generator) -> None:
    if name == "value wrong":
        theta[:, rows["v"]] *= _either(rng, (0.4, 0.85), (1.15, 1.4), 0.5)
        return
    theta[:, rows["limit"]] = 1e-9
    if name == "passes its input":
        theta[:, rows["g"]] = 1 / _log(rng, 0.2, 3)
