"""A network's worlds solved in every mode: volts as a meter reads them, source currents, and how both sway."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from daemon.suspects.dc import Solver
from daemon.suspects.faults import Spread
from daemon.suspects.net import Floats, Halves, Net
from daemon.suspects.sway import sway

METER_UNSURE = 0.7
Solution = dict[str, Halves]


@dataclass(frozen=True, slots=True)
class Solving:
    """All that a world's volts follow from, beside theta."""

    net: Net
    solver: Solver
    spreads: Sequence[Spread]
    sources: Sequence[str]
    meter_ohm: float

    def solved(self, theta: Floats, far: Sequence[Floats], start_v: Floats) -> Solution:
        """``volts`` and ``amps``, ``sway`` and ``amps_sway`` (as ``worlds.Table`` has them) of theta (modes, rows,
        worlds); each of ``far`` is what a little more of a fault does to it. ``start_v`` (modes, nodes, worlds)."""
        volts, swayed, amps, amps_sway = [], [], [], []
        for mode in range(len(self.net.modes)):
            read, moves, current, current_moves = self._in_mode(
                theta[mode], [each[mode] for each in far], start_v[mode]
            )
            volts.append(read)
            swayed.append(moves)
            amps.append(current)
            amps_sway.append(current_moves)
        return {
            "volts": np.stack(volts).astype(np.float32),
            "sway": np.concatenate(swayed, axis=1),
            "amps": np.stack(amps).astype(np.float32),
            "amps_sway": np.concatenate(amps_sway, axis=1),
        }

    def _in_mode(
        self, theta: Floats, far: Sequence[Floats], start_v: Floats
    ) -> tuple[Floats, Halves, Floats, Halves]:
        solved = self.solver.solve(theta, start_v, ohms=False)
        good = np.where(solved.failed, 0.0, solved.volts)
        slopes = self.solver.slopes(theta, good)
        moves = sway(self.net, self.spreads, theta, good, slopes, far)
        seen = self.meter_ohm / (self.meter_ohm + np.maximum(np.diagonal(slopes, axis1=1, axis2=2), 0))
        amps, amps_moves = self._currents(theta, good, moves)
        # The slope is that of small currents: a meter's own may be none, and the load less than the slope says.
        loading = (METER_UNSURE * (1 - seen) * good.T).astype(np.float32)[:, :, None]
        moved = np.concatenate([moves * seen[:, :, None].astype(np.float32), loading], axis=2)
        still = np.zeros((*amps_moves.shape[:2], 1), dtype=np.float32)
        return solved.volts * seen.T, moved, amps, np.concatenate([amps_moves, still], axis=2)

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
