"""What flows in a network that reads as a drawing's printed volts do, counted from the far ends towards the sources.

Currents are not printed, so they are drawn, each version its own, from what such stages draw. Common practice, no
source.
"""

from abc import ABC, abstractmethod
from dataclasses import dataclass, field

import numpy as np

from daemon.suspects.coupled import Transistor
from daemon.suspects.likely_parts import is_led
from daemon.suspects.net import BETA, Floats, Ints, Net
from daemon.suspects.stages import SATURATED_V, Flags, Stages

DECADES = 0.25  # standard deviation of what a stage draws
# Amperes that a stage is likely to draw by itself.
DRAWS_A = {"base": 1e-4, "emitter": 1e-3, "collector": 2e-5, "held": 1e-3, "led": 8e-3, "rail": 0.04, "leaf": 4e-3}
DRAWS_INSIDE_A = {"source": 1e-4, "hidden": 1e-3, "joined": 1e-3, "regulator": 0.02, "transistor": 0.01}
INSIDE_A = 4e-3
DRIVE_A, QUIET_A = 3e-3, 1e-6  # of an amplifier's second stage; what the points of its output draw by themselves
ON_V = 0.4  # of a junction


def way_of(each: Transistor, node: int) -> float:
    """+1 where a transistor that is a node's whole feed drives current into it."""
    return 1.0 if (each.sign > 0) == (node == each.emitter) else -1.0


@dataclass
class Amps(ABC):
    """The currents of all versions, ``versions`` of them for each column of ``heavy`` (nodes, sets), how many times as
    much each point draws, and ``soft``, how many times the inner resistance each source has."""

    stages: Stages
    net: Net
    versions: int
    rng: np.random.Generator
    heavy: Floats
    soft: Floats
    meter_ohm: float
    into: dict[int, Floats] = field(default_factory=dict)
    held: dict[int, Floats] = field(default_factory=dict)
    busy: set[int] = field(default_factory=set)

    @abstractmethod
    def fed(self, node: int, out: Floats) -> Floats:
        """Sets a node's load and feed for ``out`` amperes that its elements take; the amperes into it."""

    def count(self) -> None:
        """Number the columns: each set has all versions."""
        sets = self.heavy.shape[1]
        self.number: Ints = np.tile(np.arange(self.versions), sets)
        self.heavy, self.soft = (np.repeat(each, self.versions, axis=1) for each in (self.heavy, self.soft))

    def draw(self) -> None:
        """What each version draws."""
        self.beta = BETA * np.exp(self.drawn(0.5))
        self.scale = [self._scale(node) * self.heavy[node] for node in range(len(self.stages.names))]
        self.share = np.array([self.drawn(1) for _ in self.stages.names])
        self.coupled = self.stages.coupled
        self.carried = {self.fed_through(each): each for each in self.stages.transistors}
        self.idle = self._amps(DRAWS_A["held"])
        self.between = [self._amps(DRIVE_A) for _ in self.stages.links]

    def _scale(self, node: int) -> Floats:
        stages = self.stages
        if node in stages.drives:
            linked = stages.feed[node] == "transistor" and any(node in link for link in stages.links)
            return self._amps(QUIET_A if linked else DRIVE_A)
        if node in [tail for tail, _rail in stages.links] and node not in self._output():
            return self._amps(QUIET_A)  # a pair's tail: what it carries goes to its rail
        if node in stages.sunk:
            return self._amps(DRAWS_A["emitter"])
        if any(each.collector == node and self.is_held(each) for each in stages.transistors):
            return self._amps(DRAWS_A["held"])
        if (node in stages.quiet and stages.feed[node] != "transistor") or node in self._output():
            return self._amps(QUIET_A)
        if any(node == each.emitter and self.fed_through(each) == each.collector >= 0 for each in stages.transistors):
            return self._amps(DRAWS_A["collector"])  # all that comes there goes through
        for each in stages.transistors:
            if node in (each.base, each.emitter):
                kind = "base" if node == each.base else "emitter"
                if not stages.children(node) or kind == "base":
                    return self._amps(DRAWS_A[kind])
            elif node == each.collector and self.fed_through(each) < 0:
                return self._amps(DRAWS_A["held"])
            elif node == each.collector and stages.feed[node] != "source":
                return self._amps(DRAWS_A["collector"])
        if stages.children(node):
            return self._amps(DRAWS_INSIDE_A.get(stages.feed[node], INSIDE_A))
        if is_led(stages, node):
            return self._amps(DRAWS_A["led"])
        return self._amps(DRAWS_A["leaf" if stages.feed[node] in ("resistor", "shunt", "hidden") else "rail"])

    def _amps(self, usual: float) -> Floats:
        return np.asarray(usual * 10 ** self.drawn(DECADES))

    def drawn(self, spread: float) -> Floats:
        """A normal number for each version, the same in every set of them."""
        return self.rng.normal(0, spread, self.versions)[self.number]

    def fed_through(self, each: Transistor) -> int:
        """The node whose whole feed is this transistor, or -1."""
        for node, other in ((each.emitter, each.collector), (each.collector, each.emitter)):
            if node >= 0 and self.stages.feed[node] == "transistor" and self.stages.feeder[node] == other:
                return node
        return -1

    def _output(self) -> set[int]:
        """Points of an amplifier's output: quiet, and no tail of a pair."""
        tails = [each.emitter for each in self.stages.transistors]
        return {node for node in self.stages.quiet if tails.count(node) < 2}

    def is_held(self, each: Transistor) -> bool:
        """A collector at the far end of a resistor: what that carries is the transistor's."""
        if each.collector < 0 or self.fed_through(each) >= 0 or self._is_sunk(each):
            return False
        return self.stages.feed[each.collector] in ("resistor", "shunt")

    def _is_on(self, each: Transistor) -> Flags:
        return np.asarray(each.sign * (self.at(each.base) - self.at(each.emitter)) > ON_V)

    def _is_sunk(self, each: Transistor) -> bool:
        return each.emitter >= 0 and each.emitter in self.stages.sunk

    def into_of(self, node: int) -> Floats:
        """Amperes (modes, versions) that flow into a node from what feeds it, and with it its elements."""
        if node in self.into:
            return self.into[node]
        nothing = np.zeros((self.stages.volts.shape[1], len(self.number)))
        if node in self.busy:
            return nothing
        self.busy.add(node)
        out = nothing.copy()
        for child in self.stages.children(node):
            if child not in self.carried:
                out += self.into_of(child)
        for each in self.stages.transistors:
            out += self._out_into(each, node)
        for amps, (one, other) in zip(self.between, self.stages.links, strict=True):
            if node in (one, other):
                across = self.stages.volts[node] - self.stages.volts[other if node == one else one]
                out += amps[None] * (across / max(np.abs(across).max(), 1e-6))[:, None]
        self.into[node] = self.fed(node, out)
        return self.into[node]

    def amps_of(self, each: Transistor) -> Floats:
        """Collector current, positive into an npn."""
        through = self.fed_through(each)
        if through >= 0:
            own = self.into_of(through)
            own = own * self.beta / (1 + self.beta) if through == each.emitter else own
            return np.maximum(way_of(each, through) * own, 0.0)
        if self._is_sunk(each):
            others = [t for t in self.stages.transistors if t.coupled and t.sign != each.sign and t != each]
            both = np.any([self._is_on(t) for t in others if self.fed_through(t) == t.emitter], axis=0)
            amps = np.where(both[:, None], self.scale[each.emitter][None], QUIET_A)
            return np.where(self._is_on(each)[:, None], amps, 0.0)
        if each.coupled:
            amps = self.scale[each.collector] if self.is_held(each) else self.idle
            return np.where(self._is_on(each)[:, None], amps[None], 0.0)
        into = self.into_of(each.collector)
        return np.maximum(each.sign * self.held.get(each.collector, np.zeros_like(into)), 0.0)

    def _out_into(self, each: Transistor, node: int) -> Floats:
        """What a transistor takes out of one of the nodes that do not hang on it."""
        nothing = np.zeros((self.stages.volts.shape[1], len(self.number)))
        through = self.fed_through(each)
        if node not in (each.collector, each.base, each.emitter) or node == through:
            return nothing
        if through < 0 and node == each.collector and (not each.coupled or self.is_held(each)):
            return nothing
        amps = each.sign * self.amps_of(each)
        if node == each.collector:
            return amps
        return amps / self._gain(each) if node == each.base else -amps

    def _gain(self, each: Transistor) -> Floats:
        """A transistor that is held on has more base current than it needs."""
        emitter = self.stages.volts[each.emitter] if each.emitter >= 0 else 0.0
        held = np.abs(self.stages.volts[each.collector] - emitter) < SATURATED_V
        return np.where(held[:, None], 10.0, self.beta[None])

    def at(self, node: int) -> Floats:
        """Printed volts of a node, 0 V of -1, (modes,)."""
        return self.stages.volts[node] if node >= 0 else np.zeros(self.stages.volts.shape[1])
