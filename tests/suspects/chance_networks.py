"""Networks put together by chance from what audio and radio gear is built of; each seed is another unit.

Supplies of 12 to 250 V with fuse, rectifier, chokes and droppers, behind them regulators, zener rails and followers;
on the rails switches, relays, connectors, lamps, loads, dividers and stages with transistors. Invented; sizes are
common practice, no source.
"""

import json
import math
import random

from daemon.drawing import parse_drawing
from tests.suspects.networks import drawing_text

MODES = (("ON",), ("PLAY", "STOP"), ("A", "B", "C"))
HIGH_V = 100
LETTERS = {
    "source": "V", "fuse": "F", "diode": "D", "led": "D", "zener": "D", "inductor": "L", "resistor": "R",
    "capacitor": "C", "regulator": "U", "npn": "Q", "pnp": "Q", "switch": "S", "relay": "K", "load": "M",
    "connector": "J", "jumper": "W", "joint": "X",
}  # fmt: skip


def chance_drawing(seed):
    """The drawing of one unit; every net is a point."""
    return parse_drawing(drawing_text(chance_text(seed)), f"unit {seed}.toml")


def chance_text(seed):
    """One line a part, as ``networks.drawing_text`` reads them."""
    return "\n".join(_Unit(random.Random(seed)).lines)


class _Unit:
    """Parts as they are put in; ``rails`` are nets with the volts that are meant to be there."""

    def __init__(self, draw):
        self._draw = draw
        self._counts = {}
        self.modes = draw.choice(MODES)
        self.lines = [f"modes {' | '.join(self.modes)}"]
        self.rails = []
        for _ in range(draw.randint(1, 3)):
            self._supply()
        for _ in range(draw.randint(3, 9)):
            self._branch(*draw.choice(self.rails))

    def _put(self, kind, *nets, **keys):
        name = self._name(LETTERS[kind])
        said = "".join(f" {key}={_told(value)}" for key, value in keys.items())
        self.lines.append(f"{name} {kind} {' '.join(nets)}{said}")

    def _name(self, letter):
        self._counts[letter] = self._counts.get(letter, 0) + 1
        return f"{letter}{self._counts[letter]}"

    def _net(self):
        return self._name("n")

    def _about(self, low, high):
        return math.exp(self._draw.uniform(math.log(low), math.log(high)))

    def _happens(self, chance):
        return self._draw.random() < chance

    def _between(self, kind, rail, volts, **keys):
        """From a rail to 0 V, the right way round."""
        self._put(kind, *((rail, "0") if volts > 0 else ("0", rail)), **keys)

    def _in_row(self, kind, rail, volts, **keys):
        net = self._net()
        turned = kind == "diode" and volts < 0
        self._put(kind, *((net, rail) if turned else (rail, net)), **keys)
        return net

    def _supply(self):
        draw = self._draw
        size = draw.choice([12, 18, 25, 35, 60, 250])
        volts = -size if self._happens(0.25) else size
        high = size > HIGH_V
        rail = self._net()
        inner_ohm = self._about(0.3, 300 if high else 30)
        self._between("source", rail, volts, value=size, inner_ohm=inner_ohm, follows_mains=True)
        for kind in ("fuse", "diode"):
            if self._happens(0.8):
                rail = self._in_row(kind, rail, volts)
        self._between("capacitor", rail, volts, value=self._about(1e-5, 4e-3))
        if self._happens(0.6):
            if self._happens(0.5):
                rail = self._in_row("inductor", rail, volts, dc_ohm=self._about(1, 60))
            else:
                rail = self._in_row("resistor", rail, volts, value=self._about(10, 200) * (10 if high else 1))
            self._between("capacitor", rail, volts, value=self._about(1e-5, 4e-3))
        self.rails.append((rail, volts))
        if self._happens(0.4) and not high:
            self._regulated(rail, volts)
        elif self._happens(0.5) and volts > 0:
            self._followed(rail, volts)

    def _regulated(self, rail, volts):
        out, told = self._net(), math.copysign(min(self._draw.choice([5, 8, 12, 15, 18]), 0.7 * abs(volts)), volts)
        self._put("regulator", rail, out, "0", value=told)
        self.rails.append((out, told))
        if self._happens(0.5):
            self._between("capacitor", out, told, value=1e-4)

    def _followed(self, rail, volts):
        base, out, told = self._net(), self._net(), volts * self._draw.uniform(0.4, 0.75)
        self._put("resistor", rail, base, value=self._about(500, 3000) * (20 if volts > HIGH_V else 1))
        self._put("zener", "0", base, value=told)
        self._put("npn", rail, base, out)
        self.rails.append((out, told - 0.6))

    def _branch(self, rail, volts):
        size, draw = abs(volts), self._draw
        kinds = [self._switched, self._joined, self._loaded, self._lit, self._divided]
        if volts > 0:
            kinds.append(self._dropped)
        if 0 < volts < HIGH_V:
            kinds += [self._stage] * 3
        draw.choice(kinds)(rail, volts, size)

    def _switched(self, rail, volts, size):
        closed_in = self._draw.sample(self.modes, self._draw.randint(1, len(self.modes)))
        net = self._net()
        self._put(self._draw.choice(["switch", "relay"]), rail, net, closed_in=closed_in)
        self.rails.append((net, volts))
        self._between("resistor", net, volts, value=size * self._about(20, 500))

    def _joined(self, rail, volts, _size):
        self.rails.append((self._in_row(self._draw.choice(["connector", "jumper", "joint"]), rail, volts), volts))

    def _loaded(self, rail, volts, _size):
        self._between("load", rail, volts, current_a=self._about(0.002, 0.2))

    def _lit(self, rail, volts, size):
        self._between("led", self._in_row("resistor", rail, volts, value=size * self._about(60, 300)), volts)

    def _divided(self, rail, volts, _size):
        middle = self._in_row("resistor", rail, volts, value=self._about(1e3, 1e5))
        self._between("resistor", middle, volts, value=self._about(1e3, 1e5))

    def _dropped(self, rail, volts, size):
        net = self._in_row("resistor", rail, volts, value=size * self._about(20, 100))
        self._put("zener", "0", net, value=size * self._draw.uniform(0.3, 0.8))

    def _stage(self, rail, _volts, size):
        """A stage with emitter and divider; behind its collector a follower, a pnp stage, or nothing."""
        base, collector, emitter = (self._net() for _ in range(3))
        amps, emitter_v = self._about(5e-4, 5e-3), size * self._draw.uniform(0.05, 0.2)
        self._put("resistor", rail, collector, value=0.45 * size / amps)
        self._put("resistor", emitter, "0", value=emitter_v / amps)
        self._put("resistor", rail, base, value=15 * (size - emitter_v - 0.6) / amps)
        self._put("resistor", base, "0", value=15 * (emitter_v + 0.6) / amps)
        self._put("npn", collector, base, emitter)
        if self._happens(0.5):
            out = self._net()
            self._put("npn", rail, collector, out)
            self._put("resistor", out, "0", value=size * 170)
        elif self._happens(0.6):
            top, out = self._net(), self._net()
            self._put("resistor", rail, top, value=size * 100)
            self._put("pnp", out, collector, top)
            self._put("resistor", out, "0", value=size * 200)


def _told(value):
    if isinstance(value, list):
        return json.dumps(value, separators=(",", ":"))
    return str(value).lower() if isinstance(value, bool) else f"{value:.3g}"
