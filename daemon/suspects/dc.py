"""DC volts of every node in many worlds at once: nodal analysis with Newton's method.

Junctions follow the exponential law and transistors the transport form of Ebers and Moll, both with the limiting of
junction steps that circuit simulators use. Every node leaks 1 Gohm to 0 V, so that a floating one has a value.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from daemon.suspects.elimination import Elimination
from daemon.suspects.net import BETA_REVERSE, THERMAL_V, Floats, Ints, Net

LEAK_S = 1e-9
JUNCTION_LEAK_S = 1e-12
LOAD_KNEE_V = 0.7  # below about this a load no longer draws its current
SOFT_V = 0.01  # width of a regulator's corners
MOST_STEPS = 120
CLOSE_V = 1e-6
STEP_V = 40.0  # or what the highest source has: a diode's curve is not to run away before the volts are there
SOME_WORLDS = 2048  # solved together: their matrices stay in the processor's cache


@dataclass(frozen=True, slots=True)
class Solved:
    """``volts`` and ``source_ohm`` (what feeds each node), shape (nodes, worlds); ``failed`` worlds have NaN."""

    volts: Floats
    source_ohm: Floats
    failed: NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Test:
    """An ohm-meter: ``volts`` behind ``ohm`` from the node ``plus`` to ``minus`` (-1: 0 V)."""

    plus: int
    minus: int
    volts: float
    ohm: float


class Solver:
    """Solves a net whose properties are given world by world.

    What has not settled ``warm_steps`` after its start is begun again from nothing.
    """

    def __init__(self, net: Net, test: Test | None = None, warm_steps: int = MOST_STEPS) -> None:
        self.net, self._warm_steps = net, warm_steps
        self._test = test
        self.size = len(net.nodes)
        self._ohmic = net.ohmic.arrays(2, 1)
        self._sources = net.sources.arrays(2, 2)
        self._junctions = net.junctions.arrays(2, 3)
        self._transistors = net.transistors.arrays(4, 2)
        self._regulators = net.regulators.arrays(4, 4)
        self._loads = net.loads.arrays(2, 1)
        others = len(self._regulators[0]) + len(self._loads[0])
        self._curves = len(self._junctions[0]) + 2 * len(self._transistors[0]) + others
        self.elimination = Elimination(self.size, self._pairs())

    def _pairs(self) -> set[tuple[int, int]]:
        groups = [self._ohmic[0], self._sources[0], self._junctions[0], self._loads[0]]
        groups += [self._transistors[0][:, :3], self._regulators[0][:, :3]]
        if self._test is not None:
            groups.append(np.array([[self._test.plus, self._test.minus]]))
        return {
            (int(i), int(j))
            for nodes in groups
            for row in nodes
            for i in row
            for j in row
            if i >= 0 and j >= 0 and i != j
        }

    def slopes(self, theta: Floats, volts: Floats) -> Floats:
        """What one ampere into each node does to the volts of all, ohms (worlds, nodes, nodes), about ``volts``."""
        matrix, _right = self._stamp(theta, _State(volts, self._curves, warm=True))
        dense = np.zeros((volts.shape[1], self.size, self.size))
        for (i, j), row in self.elimination.place.items():
            dense[:, i, j] = matrix[row]
        return np.asarray(np.linalg.inv(dense), dtype=float)

    def solve(self, theta: Floats, start_v: Floats | None = None) -> Solved:
        """Volts in each world of ``theta`` (rows, worlds), from ``start_v`` (nodes,) or from nothing."""
        worlds = theta.shape[1]
        volts = np.zeros((self.size, worlds)) if start_v is None else np.repeat(start_v[:, None], worlds, axis=1)
        ohms = np.empty((self.size, worlds))
        failed = np.zeros(worlds, dtype=bool)
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):  # what comes of it has failed, and is told
            for first in range(0, worlds, SOME_WORLDS):
                some = slice(first, first + SOME_WORLDS)
                volts[:, some], ohms[:, some], failed[some] = self._newton(
                    theta[:, some], volts[:, some], start_v is not None
                )
        if failed.any() and start_v is not None:
            again = self.solve(theta[:, failed])
            volts[:, failed], ohms[:, failed] = again.volts, again.source_ohm
            failed[failed] = again.failed
        return Solved(volts, ohms, failed)

    def _newton(self, theta: Floats, volts: Floats, warm: bool) -> tuple[Floats, Floats, NDArray[np.bool_]]:
        worlds = theta.shape[1]
        done = np.full((self.size, worlds), np.nan)
        ohms = np.full((self.size, worlds), np.nan)
        left = np.arange(worlds)
        state = _State(volts, self._curves, warm)
        most_v = max(STEP_V, float(np.abs(theta[self._sources[1][:, 0]]).max(initial=0)))
        for _step in range(self._warm_steps if warm else MOST_STEPS):
            factors, right = self._stamp(theta, state)
            self.elimination.factor(factors)
            solution = self.elimination.solve(factors, right)
            step = solution - state.volts
            moved = np.abs(step).max(axis=0)
            state.volts = state.volts + np.clip(step, -most_v, most_v)
            settled = (moved < CLOSE_V + 1e-9 * np.abs(solution).max(axis=0)) & ~state.limited
            if settled.any():
                done[:, left[settled]] = state.volts[:, settled]
                ohms[:, left[settled]] = self.elimination.diagonal_of_inverse(factors[:, settled])
                left, theta = left[~settled], theta[:, ~settled]
                state.keep(~settled)
            if not left.size:
                break
        failed = np.zeros(worlds, dtype=bool)
        failed[left] = True
        return done, ohms, failed

    def _stamp(self, theta: Floats, state: "_State") -> tuple[Floats, Floats]:
        """Matrix and right side of the next linear problem, whose solution is the next volts."""
        worlds = theta.shape[1]
        state.limited = np.zeros(worlds, dtype=bool)
        sheet = _Sheet(self.elimination, worlds)
        for (a, b), (g,) in zip(*self._ohmic, strict=True):
            sheet.conductance(a, b, theta[g])
        for (a, b), (v, g) in zip(*self._sources, strict=True):
            sheet.conductance(a, b, theta[g])
            sheet.current(b, a, theta[v] * theta[g])
        self._stamp_junctions(theta, state, sheet)
        self._stamp_transistors(theta, state, sheet)
        if self._test is not None:
            siemens = np.full(worlds, 1 / self._test.ohm)
            sheet.conductance(self._test.plus, self._test.minus, siemens)
            sheet.current(self._test.minus, self._test.plus, siemens * self._test.volts)
        first = len(self._junctions[0]) + 2 * len(self._transistors[0])
        for number, (nodes, rows) in enumerate(zip(*self._regulators, strict=True), first):
            _stamp_regulator(sheet, nodes, theta[rows], state, number)
        first += len(self._regulators[0])
        for number, ((a, b), (i,)) in enumerate(zip(*self._loads, strict=True), first):
            across = state.grow(number, state.at(a) - state.at(b), LOAD_KNEE_V)
            root = np.sqrt(across**2 + LOAD_KNEE_V**2)
            slope = theta[i] * LOAD_KNEE_V**2 / root**3
            sheet.conductance(a, b, slope)
            sheet.current(a, b, theta[i] * across / root - slope * across)
        return sheet.matrix, sheet.right

    def _stamp_junctions(self, theta: Floats, state: "_State", sheet: "_Sheet") -> None:
        for number, ((a, k), (i_s, n_v, off_v)) in enumerate(zip(*self._junctions, strict=True)):
            wanted = state.at(a) - state.at(k) - theta[off_v]
            across = state.limit(number, wanted, theta[n_v], theta[i_s])
            current, slope = _junction(across, theta[i_s], theta[n_v])
            sheet.conductance(a, k, slope + JUNCTION_LEAK_S * (theta[i_s] > 0))
            sheet.current(a, k, current - slope * (across + theta[off_v]))

    def _stamp_transistors(self, theta: Floats, state: "_State", sheet: "_Sheet") -> None:
        first = len(self._junctions[0])
        for number, ((c, b, e, sign), (i_s, beta)) in enumerate(zip(*self._transistors, strict=True)):
            base = state.at(b)
            slope_v = np.full(theta.shape[1], THERMAL_V)
            v_be = state.limit(first + 2 * number, sign * (base - state.at(e)), slope_v, theta[i_s])
            v_bc = state.limit(first + 2 * number + 1, sign * (base - state.at(c)), slope_v, theta[i_s])
            i_be, g_be = _junction(v_be, theta[i_s], slope_v)
            i_bc, g_bc = _junction(v_bc, theta[i_s], slope_v)
            # Into the collector and into the base, seen as an npn; a pnp is its mirror image.
            collector = i_be - i_bc * (1 + 1 / BETA_REVERSE) - g_be * v_be + g_bc * v_bc * (1 + 1 / BETA_REVERSE)
            into_base = (i_be - g_be * v_be) / theta[beta] + (i_bc - g_bc * v_bc) / BETA_REVERSE
            sheet.controlled(c, e, b, e, g_be)
            sheet.controlled(c, e, b, c, -g_bc * (1 + 1 / BETA_REVERSE))
            sheet.controlled(b, e, b, e, g_be / theta[beta])
            sheet.controlled(b, e, b, c, g_bc / BETA_REVERSE)
            sheet.current(c, e, sign * collector)
            sheet.current(b, e, sign * into_base)
            leak = JUNCTION_LEAK_S * (theta[i_s] > 0)
            sheet.conductance(b, e, leak)
            sheet.conductance(b, c, leak)


def _junction(across: Floats, i_s: Floats, n_v: Floats) -> tuple[Floats, Floats]:
    rise = np.exp(np.clip(across / n_v, -200.0, 200.0))
    return i_s * (rise - 1), i_s * rise / n_v


def _stamp_regulator(sheet: "_Sheet", nodes: Ints, theta: Floats, state: "_State", number: int) -> None:
    """A series regulator: holds the smaller of its volts and its input less the dropout; never sinks, has a limit."""
    inner, outer, common, sign = nodes
    told, dropout, ohm, limit = theta
    at = state.at
    v_in, v_out = sign * (at(inner) - at(common)), sign * (at(outer) - at(common))
    headroom, over = v_in - dropout, v_in - dropout - told
    root = np.sqrt(over**2 + SOFT_V**2)
    target, follows = (told + headroom - root) / 2, (1 - over / root) / 2
    wished = target - v_out
    error = state.grow(number, wished, SOFT_V)
    scaled = np.clip(error / SOFT_V, -200.0, 200.0)
    fades = np.exp(-np.abs(scaled))
    wanted = (np.maximum(error, 0) + SOFT_V * np.log1p(fades)) / ohm
    opens = np.where(scaled > 0, 1.0, fades) / (1 + fades) / ohm
    bound = np.sqrt(limit**2 + wanted**2)
    current = limit * wanted / np.maximum(bound, 1e-300)
    slope = np.where(limit > 0, (limit / np.maximum(bound, 1e-300)) ** 3, 0.0) * opens
    sheet.controlled(inner, outer, inner, common, slope * follows)
    sheet.controlled(inner, outer, outer, common, -slope)
    sheet.current(inner, outer, sign * (current + slope * (wished - error - follows * v_in + v_out)))


class _Sheet:
    """The linear problem being written."""

    def __init__(self, elimination: Elimination, worlds: int) -> None:
        self._place = elimination.place
        self.matrix = np.zeros((elimination.entries, worlds))
        self.matrix[: elimination.size] = LEAK_S
        self.right = np.zeros((elimination.size, worlds))

    def conductance(self, a: int, b: int, siemens: Floats) -> None:
        self.controlled(a, b, a, b, siemens)

    def current(self, a: int, b: int, amperes: Floats) -> None:
        """``amperes`` flow out of a and into b."""
        if a >= 0:
            self.right[a] -= amperes
        if b >= 0:
            self.right[b] += amperes

    def controlled(self, a: int, b: int, plus: int, minus: int, siemens: Floats) -> None:
        """A current from a to b of ``siemens`` times the volts from plus to minus."""
        for node, way in ((a, 1), (b, -1)):
            for other, sign in ((plus, way), (minus, -way)):
                if node >= 0 and other >= 0:
                    row = self.matrix[self._place[node, other]]
                    if sign > 0:
                        row += siemens
                    else:
                        row -= siemens


class _State:
    """Volts of the last step, and of each junction as limited."""

    def __init__(self, volts: Floats, curves: int, warm: bool) -> None:
        self.volts = volts.copy()
        self.limited = np.zeros(volts.shape[1], dtype=bool)
        self._ground = np.zeros(volts.shape[1])
        self._last = np.zeros((curves, volts.shape[1]))
        self._fresh = [warm] * curves  # a warm start's own volts are where a curve begins

    def at(self, node: int) -> Floats:
        return self.volts[node] if node >= 0 else self._ground[: self.volts.shape[1]]

    def keep(self, which: NDArray[np.bool_]) -> None:
        self.volts, self._last = self.volts[:, which], self._last[:, which]

    def limit(self, number: int, wanted: Floats, n_v: Floats, i_s: Floats) -> Floats:
        """Limit a junction's step as Nagel's thesis does (SPICE2, ERL-M520, 1975; from memory)."""
        last = self._before(number, wanted)
        critical = n_v * np.log(n_v / (np.sqrt(2) * np.maximum(i_s, 1e-300)))
        far = (wanted > critical) & (np.abs(wanted - last) > 2 * n_v) & (i_s > 0)
        argument = 1 + (wanted - last) / n_v
        grown = np.where(
            last > 0,
            np.where(argument > 0, last + n_v * np.log(np.maximum(argument, 1e-12)), critical),
            n_v * np.log(np.maximum(wanted / n_v, 1e-12)),
        )
        across = np.where(far, grown, wanted)
        return self._took(number, across, wanted)

    def grow(self, number: int, wanted: Floats, knee: float) -> Floats:
        """Let a curve that is flat at both ends be followed outwards only by doubling: Newton overshoots there."""
        last = self._before(number, wanted)
        most, least = 2 * np.maximum(last, 0) + knee, 2 * np.minimum(last, 0) - knee
        return self._took(number, np.clip(wanted, least, most), wanted)

    def _before(self, number: int, wanted: Floats) -> Floats:
        if self._fresh[number]:
            self._fresh[number] = False
            return wanted
        return np.asarray(self._last[number])

    def _took(self, number: int, across: Floats, wanted: Floats) -> Floats:
        self.limited |= np.abs(across - wanted) > CLOSE_V
        self._last[number] = across
        return across
