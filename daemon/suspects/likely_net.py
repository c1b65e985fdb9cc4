"""A small network that reads as a drawing's printed volts do, in several likely versions side by side.

Every resistance follows from the volts and from the currents that are drawn for each version. Common practice, no
source.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from daemon.drawing import Drawing
from daemon.suspects.coupled import Transistor
from daemon.suspects.likely_amps import QUIET_A, Amps, way_of
from daemon.suspects.likely_parts import has_zener, level_of, likely_parts
from daemon.suspects.net import OPEN_S, THERMAL_V, ZENER_N, Floats, Ints, Net, build_net
from daemon.suspects.stages import EQUAL, GROUND_V, Stages

SOFTNESS = 0.9  # standard deviation of the logarithm of what falls within a source
LEAST_DROP = 2e-4  # share of the volts that is taken to fall across a fuse, a contact or a joint
REGULATOR_DROP_V = 0.05  # by which a regulator falls short at its usual current; its curve is straight from there on
QUIET_OHM = 3e3
OUTPUT_S = 0.02  # of what is between the points of an output, at least
SWINGS_V, FAR_V = 5.0, 30.0  # a point of an amplifier so near to 0 V may swing to where its rails are
BACK_OHM, LEAST_BACK_V = 1e4, 0.01  # of a resistor that feeds back, where its volts say nothing


@dataclass(slots=True)
class Likely:
    """``net`` with its properties in every version: ``theta`` (modes, rows, versions).

    ``into`` (nodes, modes, versions) are the amperes that come from what feeds a point, ``node_ohm`` (nodes,
    versions) its volts over them.
    """

    net: Net
    theta: Floats
    into: Floats
    node_ohm: Floats
    meter_ohm: float
    on_transistor: tuple[bool, ...]

    def row(self, kind: str, number: int, slot: str = "g") -> int | None:
        """The row of theta of an element, or None where there is none."""
        return self.net.slots.get(f"{kind} {number}", {}).get(slot)


    def taking(self, number: Ints) -> "Likely":
        """The versions of these numbers."""
        theta, into, ohm = self.theta[:, :, number], self.into[:, :, number], self.node_ohm[:, number]
        return Likely(self.net, theta, into, ohm, self.meter_ohm, self.on_transistor)


def likely_nets(stages: Stages, drawing: Drawing, versions: int, seed: int) -> Callable[[Floats, Floats], Likely]:
    """What makes the same versions of a network again and again, one set of them for each column of its arguments
    (nodes, sets): points that draw so many times as much, and sources that have so many times the inner resistance."""
    net = build_net(Drawing(drawing.unit, drawing.modes, parts=tuple(likely_parts(stages))))

    def make(heavy: Floats, soft: Floats) -> Likely:
        return _Draw(stages, net, versions, np.random.default_rng(seed), heavy, soft, drawing.meter_ohm).likely()

    return make


class _Draw(Amps):
    def likely(self) -> Likely:
        self.count()
        self.theta = np.repeat(self.net.nominal.T[:, :, None], len(self.number), axis=2)
        self.meter_s = 1 / self.meter_ohm
        for name, slots in self.net.slots.items():
            for slot in set(slots) & {"g", "i", "g_ce", "g_be", "g_cb"}:
                self.theta[:, slots[slot]] = OPEN_S if slot != "i" else 0.0
            if name.startswith("load"):
                self.theta[:, slots["g"]] = self.meter_s  # as if a meter were on every point at once
            if name.startswith("regulator"):
                self.theta[:, slots["limit"]] = 0.0
        self.draw()
        for node in range(len(self.stages.names)):
            self.into_of(node)
        for number, ((one, other), amps) in enumerate(zip(self.stages.links, self.between, strict=True)):
            across = np.abs(self.stages.volts[one] - self.stages.volts[other]).max()
            self._put("link", number, "g", amps / max(across, 1e-6))
        for number, each in enumerate(self.stages.transistors):
            self._set_transistor(number, each)
        into = np.array([self.into[node] for node in range(len(self.stages.names))])
        level = np.abs(self.stages.volts).max(axis=1)
        most = np.abs(into).max(axis=1)
        ohm = np.maximum(level, 0.05)[:, None] / np.maximum(most, 1e-7)
        loud = list(self.stages.quiet)
        ohm[loud] = np.minimum(ohm[loud], QUIET_OHM)
        carried = tuple(node in self.carried for node in range(len(self.stages.names)))
        return Likely(self.net, self.theta, into, ohm, self.meter_ohm, carried)

    def fed(self, node: int, out: Floats) -> Floats:
        """Sets a node's load and feed, so that its volts come out as printed; the amperes into it."""
        volts, feeder, feed = self.stages.volts[node], self.stages.feeder[node], self.stages.feed[node]
        level = level_of(volts) or 1.0
        law = np.sign(level) * self.scale[node][None] * (volts / level)[:, None]
        if node in self.stages.sunk or (feed == "hidden" and node in self.coupled):
            law = law * 0
        if feed == "transistor" and node in self.carried:
            return self._on_transistor(node, out, law)
        if feed == "coupled":
            return self._coupled(node, out)
        if feed in ("source", "hidden", "transistor") or feeder < 0:
            return self._on_source(node, out, law, feed == "source")
        above = self.stages.volts[feeder] - volts
        on = (np.abs(volts) > GROUND_V) & ~self.stages.contact[node]
        above = np.where(on & (above * np.sign(level) < LEAST_DROP * abs(level)), 0.0, above)
        if feed == "joined":
            return self._joined(node, out, law, above)
        if feed == "regulator":
            return self._regulated(node, out, law, np.ones(len(self.number), dtype=bool))
        return self._resistor(node, out, law, above)

    def _put(self, kind: str, node: int, slot: str, value: Floats | float) -> None:
        self.theta[:, self.net.slots[f"{kind} {node}"][slot]] = value

    def _load(self, node: int, amps: Floats) -> None:
        """Half of the versions have a resistor, half a constant current, but for legs, which have resistors; against
        its volts' sign nothing flows."""
        volts = self.stages.volts[node][:, None]
        if node in self.coupled and np.abs(volts).max() < SWINGS_V and np.abs(amps).max() > 10 * QUIET_A:
            self._sink(node, amps)
            return
        own = np.where((np.abs(volts) > GROUND_V) & (amps * volts > 0), np.abs(amps), 0.0)
        is_leg = any(node in (each.base, each.emitter) for each in self.stages.transistors)
        steady = (self.number % 2 == 0)[None] & (np.abs(volts) > 3) & (not is_leg)
        size = np.maximum(np.abs(volts), GROUND_V)
        self._put("load", node, "g", np.where(steady, self.meter_s, own / size + self.meter_s))
        self._put("load", node, "i", np.where(steady, own * np.sqrt(size**2 + 0.49) / size, 0.0))

    def _sink(self, node: int, amps: Floats) -> None:
        """A current that goes on flowing wherever an amplifier's point swings to."""
        self._put("source", node, "v", self.stages.volts[node][:, None] - FAR_V * np.sign(amps))
        self._put("source", node, "g", np.maximum(np.abs(amps), 1e-9) / FAR_V)

    def _on_source(self, node: int, out: Floats, law: Floats, stiff: bool) -> Floats:
        total = out + law
        self._load(node, law)
        volts = self.stages.volts[node][:, None]
        most = np.maximum(np.abs(total).max(axis=0), 1e-5)
        share = self.soft[node] * (0.04 if stiff else 0.8) * np.exp(SOFTNESS * self.share[node])
        ohm = max(float(np.abs(volts).max()), 0.3) * share / most
        live = np.abs(volts) > GROUND_V if np.abs(volts).max() > GROUND_V else np.ones(volts.shape, dtype=bool)
        self._put("source", node, "v", np.where(live, volts + total * ohm, 0.0))
        self._put("source", node, "g", np.where(live, 1 / ohm, OPEN_S))
        return np.asarray(total)

    def _on_transistor(self, node: int, out: Floats, law: Floats) -> Floats:
        """An emitter's resistor, or a collector's load; where 0 V is no way to go, to the farthest rail."""
        each = self.carried[node]
        way = way_of(each, node)
        volts = self.stages.volts[node]
        if way * level_of(volts) > 0.1 and node not in self.stages.drives:
            self._load(node, law)
            return out + law
        rails = self.stages.volts.min(axis=0) if way > 0 else self.stages.volts.max(axis=0)
        tail = node in self.stages.drives or sum(other.emitter == node for other in self.stages.transistors) > 1
        far = np.minimum(np.abs(rails - volts) + 1, FAR_V if tail else 3.0)
        rail = volts - way * far
        amps = way * (self.scale[node][None] + np.maximum(-way * out, 0) * tail)
        self._put("source", node, "v", rail[:, None])
        self._put("source", node, "g", amps / (volts - rail)[:, None])
        return np.asarray(out + amps)

    def _coupled(self, node: int, out: Floats) -> Floats:
        """A resistor either way, which carries a base's current or an emitter's."""
        above = self.stages.volts[self.stages.feeder[node]] - self.stages.volts[node]
        reference = int(np.argmax(np.abs(above)))
        across = max(abs(float(above[reference])), LEAST_BACK_V)
        fits = out[reference] * above[reference] > 0
        g = np.where(fits, np.abs(out[reference]) / across, 1 / BACK_OHM)
        self._put("feed", node, "g", np.clip(g, 1e-6, 1.0))
        return out

    def _joined(self, node: int, out: Floats, law: Floats, above: Floats) -> Floats:
        total = out + law
        self._load(node, law)
        least = LEAST_DROP * np.exp(self.share[node]) * np.abs(self.stages.volts[node]).max()
        g = np.abs(total) / np.maximum(np.abs(above)[:, None], least)
        live = (np.abs(self.stages.volts[node]) > GROUND_V) | (node in self.stages.quiet)
        on = ~self.stages.contact[node] & live
        found = self._closed(node, total, np.clip(g, OUTPUT_S if node in self.stages.quiet else 1e-6, 1e3), on)
        self._behind_diode(node, found, above, 3)
        return found

    def _behind_diode(self, node: int, total: Floats, above: Floats, one_in: int) -> None:
        """A diode instead of a resistance, but for one version in so many."""
        if (diode := self.net.slots.get(f"diode {node}")) is None:
            return
        which = self.number % one_in != 0
        reference = int(np.argmax(np.abs(above)))
        amps, across = np.abs(total[reference]), abs(float(above[reference]))
        self.theta[:, self.net.slots[f"feed {node}"]["g"], which] = OPEN_S
        slope = self.theta[0, diode["n_v"], 0]
        self.theta[:, diode["i_s"]] = np.where(which, amps / np.expm1(across / slope), 0.0)

    def _closed(self, node: int, total: Floats, g: Floats, on: np.ndarray) -> Floats:
        """A feed's conductance; where a contact is open there is none, and where all is dead it is as elsewhere."""
        usual = np.where(on[:, None], g, 0.0).max(axis=0)
        closed = np.where(on[:, None], g, np.where(self.stages.contact[node][:, None], OPEN_S, usual))
        self._put("feed", node, "g", closed)
        return np.asarray(np.where(on[:, None], total, 0.0))

    def _regulated(self, node: int, out: Floats, law: Floats, which: np.ndarray) -> Floats:
        self._load(node, law)
        rows = self.net.slots[f"regulator {node}"]
        self.theta[:, rows["limit"]] = np.where(which, np.maximum(3 * np.abs(out + law).max(axis=0), 1.5), 0.0)
        self.theta[:, rows["dropout"]] = 1.2 + 0.8 * np.tanh(self.share[node])
        volts = np.abs(self.stages.volts[node])[:, None]
        total = np.abs(out + law)
        self.theta[:, rows["ohm"]] = REGULATOR_DROP_V / np.maximum(total.max(axis=0), 1e-6)
        self.theta[:, rows["v"]] = volts + total * self.theta[:, rows["ohm"]]
        return out + law

    def _resistor(self, node: int, out: Floats, law: Floats, above: Floats) -> Floats:
        """One resistor in all modes; what it carries beyond what is drawn further on is the point's own load."""
        volts, contact = self.stages.volts[node], self.stages.contact[node]
        on = (np.abs(volts) > GROUND_V) & ~contact
        sign = np.sign(level_of(volts)) or 1.0
        if not on.any():
            return out * 0  # nothing but a capacitor leads to a point that is printed with 0 V
        reference = int(np.argmax(np.where(on, np.abs(above), -1)))
        drop = np.where(on, np.maximum(sign * above, EQUAL / 2 * abs(level_of(volts))), np.inf)[:, None]
        held = [t for t in self.stages.transistors if t.collector == node and self.is_held(t)]
        own_a = self.scale[node] if held else np.abs(law[reference])
        wanted = (sign * out[reference] + own_a) / drop[reference]
        least = (1.02 * sign * out / drop).max(axis=0)
        g = np.maximum(np.maximum(wanted, least), 1e-8)
        total = np.where(on[:, None], g * above[:, None], 0.0)
        own = total - out
        if has_zener(self.stages, node):
            own = self._shunted(node, out, own)
        if held and held[0].coupled:
            own = own - held[0].sign * self.amps_of(held[0])
        elif held:
            base = np.abs(self.stages.volts[held[0].base] - self.at(held[0].emitter)) > 0.45
            self.held[node] = np.where(base[:, None], own, 0.0)
            own = own - self.held[node]
        if self.net.slots.get(f"led {node}") is not None:
            own = self._lit(node, own)
        self._load(node, own)
        self._closed(node, total, np.repeat(g[None], len(volts), axis=0), on)
        row = self.net.slots[f"feed {node}"]["g"]
        if self.stages.feed[node] == "shunt":
            self.theta[:, row, self._regulators(node)] = OPEN_S
        self._behind_diode(node, total, above, 4)
        return total

    def _regulators(self, node: int) -> np.ndarray:
        """In which versions a steady point is behind a regulator, and not held by a zener."""
        return np.asarray((self.number + node) % 3 == 0) & (self.stages.feed[node] == "shunt")

    def _shunted(self, node: int, out: Floats, own: Floats) -> Floats:
        """A zener that takes a part of the current: where the point is steady, else in a third of the versions."""
        which = self._regulators(node)
        if self.stages.feed[node] == "shunt":
            self._regulated(node, out, own, which)
            held = ~which
        else:
            held = (self.number + node) % 3 == 1
            if any(each.base == node and self.stages.children(each.emitter) for each in self.stages.transistors):
                held = ~held  # the base of a series-pass transistor mostly has one
        share = (0.6 + 0.3 * np.tanh(self.share[node])) * held
        zener = np.maximum(np.abs(own) * share, 1e-9)
        rows = self.net.slots[f"zener {node}"]
        knee = 1e-9
        across = np.abs(self.stages.volts[node])[:, None]
        across = np.where(across > GROUND_V, across, across.max())
        self.theta[:, rows["z_off_v"]] = across - ZENER_N * THERMAL_V * np.log(zener / knee + 1)
        self.theta[:, rows["z_s"]] = np.where(held, knee, 0.0)
        self.theta[:, rows["i_s"]] *= held
        return np.asarray(own * (1 - share))

    def _lit(self, node: int, own: Floats) -> Floats:
        """A third of the versions have no LED here, but a resistor."""
        rows = self.net.slots[f"led {node}"]
        lit = self.number % 3 != 0
        across = np.abs(self.stages.volts[node]).max()
        amps = np.abs(own).max(axis=0)
        slope = self.theta[0, rows["n_v"], 0]
        self.theta[:, rows["i_s"]] = np.where(lit, amps / np.expm1(across / slope), 0.0)
        return np.where(lit[None], 0.0, own)

    def _set_transistor(self, number: int, each: Transistor) -> None:
        """The saturation current that goes with the volts and the amperes, in each mode in which it conducts."""
        rows = self.net.slots[f"transistor {number}"]
        amps = self.amps_of(each)
        base, emitter, collector = (self.at(n) for n in (each.base, each.emitter, each.collector))
        v_be = np.clip(each.sign * (base - emitter), 0.45, 0.8)
        v_bc = np.minimum(each.sign * (base - collector), v_be - 0.03)
        rise = np.exp(v_be / THERMAL_V) - 2 * np.exp(v_bc / THERMAL_V)
        found = np.clip(amps / np.maximum(rise, 1.0)[:, None], 1e-19, 1e-8)
        usual = found[int(np.argmax(amps.mean(axis=1)))]
        self.theta[:, rows["i_s"]] = np.where(amps > 0.2 * amps.max(axis=0), found, usual[None])
        self.theta[:, rows["beta"]] = self.beta
