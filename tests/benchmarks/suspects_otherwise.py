"""A search that goes on where volts tell no more, by what the program then proposes: current, ohms, a part by itself.

Truth is ngspice's: the supply's current of the broken unit, and an ohm-meter on it with its sources gone. A part that
is tested by itself tests as it is, but for 2 in 100 tests. Bypass, heat, ripple and the switch-on are passed over,
because nothing here says what they would show: with them a search could only be shorter.
"""

import tempfile
from pathlib import Path

import numpy as np

from daemon.drawing import Drawing
from daemon.suspects.net import build_net
from daemon.suspects.otherwise import Way, otherwise
from daemon.suspects.probes import outlook_of
from daemon.suspects.readings import HALVES, Seen, node_name
from tests.benchmarks.suspects_truth import OPEN_S, OPTIONS, Case, Floats
from tests.benchmarks.suspects_ways import WRONG_POINT, Choose, Search, luck_of
from tests.suspects import spice

ANSWERED = ("current_a", "ohm_off", "part_good")
MOST_STEPS, MOST_TAKEN = 12, 75  # a search that goes on is not cut off where one by volts alone is
AMPS_RELATIVE, AMPS_A = 0.01, 0.001  # half width of a clamp or a shunt
OHMS_RELATIVE, LEADS_OHM = 0.01, 0.1
TEST_FAILS = 0.02
AT_REST_OHM = (500.0, 5e4)  # what the loads of a unit that is off are


def go_on(search: Search, choose: Choose, network: Drawing) -> None:
    """Do what is proposed, volts again where they tell something anew, until one part is nearly sure or nothing is
    left; ``network`` is the unit's own, though the search may know no more than printed volts."""
    truth = _Unit(search.case, network, luck_of(search.case, 2))
    while not search.sure and len(search.done) < MOST_STEPS and len(search.taken) < MOST_TAKEN:
        candidate = choose(search)
        if candidate is not None:
            search.take(candidate)
            continue
        mode = search.posterior.table.modes[search.mode]
        ways = otherwise(search.posterior, outlook_of(search.posterior), mode)
        open_ways = [way for way in ways if way.quantity in ANSWERED and _named(way) not in search.done]
        if not open_ways:
            break
        search.done.add(_named(open_ways[0]))
        search.cost += open_ways[0].cost
        search.weigh(truth.answer(open_ways[0], search))


def _named(way: Way) -> tuple[str, str, str]:
    return way.point, way.mode, way.quantity


class _Unit:
    """A broken unit on the bench."""

    def __init__(self, case: Case, network: Drawing, rng: np.random.Generator) -> None:
        self._case, self._network, self._net, self._rng = case, network, build_net(network), rng

    def answer(self, way: Way, search: Search) -> Seen:
        """What is found."""
        if way.quantity == "part_good":
            good = way.point != self._case.fault.part
            return Seen(way.point, "", "good", float(good != (self._rng.random() < TEST_FAILS)))
        if way.quantity == "current_a":
            true = self._amps(way.point, search.posterior.table.modes.index(way.mode))
            value = true + self._rng.normal(0, (AMPS_RELATIVE * abs(true) + AMPS_A) / 2)
            return Seen(way.point, way.mode, "current_a", value)
        true = self._ohms(way.point)
        value = true * (1 + self._rng.normal(0, OHMS_RELATIVE / 2)) + self._rng.uniform(0, LEADS_OHM)
        return Seen(way.point, "", "ohm_off", value, None, "off")

    def _amps(self, source: str, mode: int) -> float:
        slots, theta = self._net.slots[source], self._case.theta[mode]
        ends = [self._net.nodes.get(net, -1) for net in self._net.part(source).nets]
        at = [self._case.volts[mode, end] if end >= 0 else 0.0 for end in ends]
        return float(theta[slots["g"]] * (theta[slots["v"]] - (at[0] - at[1])))

    def _ohms(self, point: str) -> float:
        names = [node_name(half, self._network) or "" for half in point.split(HALVES)]
        if self._rng.random() < WRONG_POINT:  # one lead is on another point
            names[0] = str(self._rng.choice(list(self._net.nodes)))
        one, other = names[0], names[1] if len(names) > 1 else "0"
        if one == other:
            return 0.0
        with tempfile.TemporaryDirectory() as folder:
            return spice.ohms(self._net, self._powerless(), one, other, Path(folder), OPTIONS)

    def _powerless(self) -> Floats:
        theta = self._case.theta[0].copy()
        for part in self._net.parts:
            slots = self._net.slots[part.name]
            if part.kind == "source":
                theta[slots["v"]], theta[slots["g"]] = 0.0, OPEN_S
            elif part.kind == "regulator":
                theta[slots["limit"]] = 0.0
            elif "i" in slots and theta[slots["i"]] > 0:
                theta[slots["i"]] = 0.0
                at_rest_ohm = np.exp(self._rng.uniform(*np.log(AT_REST_OHM)))
                theta[slots["g"]] = max(theta[slots["g"]], 1 / at_rest_ohm)
        return theta
