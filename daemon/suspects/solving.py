"""A network's worlds solved in every mode: volts as a meter reads them, source currents, and how both sway."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from daemon.suspects.dc import SOME_WORLDS, Solver
from daemon.suspects.faults import Spread
from daemon.suspects.loading import MUCH_V, MeterInPlace, across, share_left
from daemon.suspects.net import Floats, Halves, Net
from daemon.suspects.sway import sway

METER_UNSURE = 0.3  # of what a meter takes: meters of 10 Mohm differ, and so do the leaks of what it loads
SWAYS = ("sway", "amps_sway")  # their modes lie one after the other
Solution = dict[str, Halves]


@dataclass(frozen=True, slots=True)
class Solving:
    """All that a world's volts follow from, beside theta."""

    net: Net
    solver: Solver
    spreads: Sequence[Spread]
    sources: Sequence[str]
    meter: MeterInPlace

    def solved(self, theta: Floats, far: Sequence[Floats], start_v: Floats) -> Solution:
        """``volts``, ``bare``, ``across``, ``sway``, ``amps`` and ``amps_sway`` (as ``worlds.Table`` has them) of
        theta (modes, rows, worlds); each of ``far`` is what a little more of a fault does to it. ``start_v``
        (modes, nodes, worlds)."""
        modes = range(len(self.net.modes))
        found = [self._in_mode(theta[mode], [each[mode] for each in far], start_v[mode]) for mode in modes]
        by_mode = {name: [each[name] for each in found] for name in found[0]}
        return {
            name: np.concatenate(each, axis=1) if name in SWAYS else np.stack(each).astype(np.float32)
            for name, each in by_mode.items()
        }

    def _in_mode(self, theta: Floats, far: Sequence[Floats], start_v: Floats) -> dict[str, Floats | Halves]:
        solved = self.solver.solve(theta, start_v, ohms=False)
        good = np.where(solved.failed, 0.0, solved.volts)
        slopes = self.solver.slopes(theta, good)
        moves = sway(self.net, self.spreads, theta, good, slopes, far)
        amps, amps_moves = self._currents(theta, good, moves)
        bare = np.stack([across(good, place) for place in self.meter.places])
        left = np.stack([share_left(slopes, place, self.meter.ohm) for place in self.meter.places])
        read = bare * left
        nodes = len(self.net.nodes)
        moved = moves * left[:nodes].T[:, :, None].astype(np.float32)
        self._with_meter(theta, far, good, bare, read, moved)
        read[:, solved.failed] = np.nan
        loading = (METER_UNSURE * (bare - read)[:nodes].T).astype(np.float32)[:, :, None]
        still = np.zeros((*amps_moves.shape[:2], 1), dtype=np.float32)
        return {
            "volts": read[:nodes],
            "bare": solved.volts,
            "across": read[nodes:],
            "sway": np.concatenate([moved, loading], axis=2),
            "amps": amps,
            "amps_sway": np.concatenate([amps_moves, still], axis=2),
        }

    def _with_meter(
        self, theta: Floats, far: Sequence[Floats], good: Floats, bare: Floats, read: Floats, moved: Halves
    ) -> None:
        """Make ``read`` (places, worlds) and ``moved`` what they are with the meter in place, where it takes much."""
        nodes = len(self.net.nodes)
        places, worlds = np.nonzero(np.abs(bare - read) > MUCH_V)
        for first in range(0, len(places), SOME_WORLDS):
            place, world = places[first : first + SOME_WORLDS], worlds[first : first + SOME_WORLDS]
            loaded = self.meter.theta(theta[:, world], place)
            solved = self.meter.solver.solve(loaded, good[:, world], ohms=False)
            for number in np.unique(place):
                some = (place == number) & ~solved.failed
                read[number, world[some]] = across(solved.volts[:, some], self.meter.places[number])
            some = (place < nodes) & ~solved.failed
            place, world, loaded, volts = place[some], world[some], loaded[:, some], solved.volts[:, some]
            slopes = self.meter.solver.slopes(loaded, volts)[np.arange(len(place)), place][:, None]
            more = [each[:, world] for each in far]
            moved[world, place] = sway(self.net, self.spreads, loaded, volts, slopes, more)[:, 0]

    def _currents(self, theta: Floats, volts: Floats, moves: Halves) -> tuple[Floats, Halves]:
        """Amperes out of each source, (sources, worlds), and how they sway, (worlds, sources, spreads)."""
        amps, swayed = [], []
        for name in self.sources:
            slots, nets = self.net.slots[name], self.net.part(name).nets
            ends = [self.net.nodes.get(net, -1) for net in nets]
            at = [volts[end] if end >= 0 else 0.0 for end in ends]
            moved = [moves[:, end] if end >= 0 else 0.0 for end in ends]
            lacking = theta[slots["v"]] - (at[0] - at[1])
            amps.append(theta[slots["g"]] * lacking)
            own = np.zeros(moves[:, 0].shape)
            for column, spread in enumerate(self.spreads):
                if slots["v"] in spread.rows:
                    own[:, column] = spread.relative * theta[slots["v"]] * theta[slots["g"]]
                if slots["g"] in spread.rows:
                    own[:, column] = spread.relative * theta[slots["g"]] * lacking
            swayed.append(own - theta[slots["g"]][:, None] * (moved[0] - moved[1]))
        worlds = volts.shape[1]
        moved_by = np.stack(swayed, axis=1) if swayed else np.zeros((worlds, 0, moves.shape[2]))
        return np.array(amps).reshape(-1, worlds), moved_by.astype(np.float32)
