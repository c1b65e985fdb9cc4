"""Worlds where only printed volts and fed-by arrows are known: rules for how a fault moves its neighbours.

A suspect is a node group: what feeds a point, what hangs on it, or the way between it and the point that feeds it.
All figures are common practice, no source; each is a draw, so that no single one decides.
"""

from collections.abc import Sequence

import numpy as np

from daemon.drawing import Drawing, Point
from daemon.suspects.net import Floats
from daemon.suspects.worlds import HEALTHY_PRIOR, NOTHING, Hypothesis, Table

WORLDS = 200
SEED = 20  # the same drawing gives the same worlds, and so the same answer, every time
SHARES = {"feed open": 0.4, "feed weak": 0.15, "pulled down": 0.3, "load open": 0.08, "switch stuck": 0.07}
HOLDS_DOWN_TO = 0.82  # of its usual input a regulated point still holds
REGULATED_PERCENT = 6.0  # points printed with a tolerance up to this, and not with the mains, are taken as regulated
TOLERANCE_SD = 0.35  # of the printed tolerance
UNSURE = (0.03, 0.02)  # what a world of rules may be off by: a share, and volts


def printed_table(drawing: Drawing, worlds: int = WORLDS, seed: int = SEED) -> Table:
    """Worlds of a drawing without a network; a node is a point's name."""
    return _Rules(drawing, worlds, np.random.default_rng(seed)).table()


class _Rules:
    def __init__(self, drawing: Drawing, worlds: int, rng: np.random.Generator) -> None:
        self.drawing, self.worlds, self.rng = drawing, worlds, rng
        first: dict[str, Point] = {}
        for point in drawing.points:
            first.setdefault(point.net or point.name, point)
        self.points = first
        self.column = {name: index for index, name in enumerate(first)}
        by_name = {point.name: name for name, point in reversed(first.items())}
        self.feeders = {
            name: [by_name[f] for f in point.fed_by if f in by_name and by_name[f] != name]
            for name, point in first.items()
        }
        self.modes = drawing.modes
        self._mains_drawn: list[Floats] = []
        self.printed = np.array([[p.printed_v.get(m, np.nan) for p in first.values()] for m in self.modes])

    def table(self) -> Table:
        faults = [(name, fault) for name in self.points for fault in SHARES if self._can(name, fault)]
        total = sum(SHARES[fault] for _, fault in faults) or 1.0
        hypotheses = [Hypothesis("", NOTHING, HEALTHY_PRIOR)]
        hypotheses += [
            Hypothesis(name, fault, (1 - HEALTHY_PRIOR) * SHARES[fault] / total, (name,)) for name, fault in faults
        ]
        drawn = [self._volts(name, fault) for name, fault in [("", ""), *faults]]
        of = np.repeat(np.arange(len(drawn)), self.worlds)
        prior = np.array([each.prior for each in hypotheses])[of] / self.worlds
        volts = np.concatenate(drawn, axis=2)
        named = [self._renamed(each) for each in hypotheses]
        return Table(
            self.modes,
            self.column,
            tuple(named),
            volts,
            np.zeros((len(of), volts.shape[0] * volts.shape[1], 0), dtype=np.float32),
            of,
            prior / prior.sum(),
            np.arange(len(of)) % self.worlds,
            np.concatenate(self._mains_drawn),
            0.0,
            UNSURE,
        )

    def _renamed(self, each: Hypothesis) -> Hypothesis:
        if not each.part:
            return each
        name = self.points[each.part].name
        return Hypothesis(name, each.fault, each.prior, (name,))

    def _can(self, name: str, fault: str) -> bool:
        volts = self.printed[:, self.column[name]]
        if not np.isfinite(volts).any() or np.nanmax(np.abs(volts)) == 0:
            return False
        return fault != "switch stuck" or bool(np.nanmax(volts) - np.nanmin(volts) > 0.3 * np.nanmax(np.abs(volts)))

    def _volts(self, name: str, fault: str) -> Floats:
        """Volts (modes, points, worlds) with one fault."""
        factor = np.ones((len(self.points), self.worlds))
        if name:
            self._spread(name, fault, factor)
        self._mains = 1 + self.rng.uniform(-0.1, 0.1, self.worlds)
        self._mains_drawn.append(self._mains)
        volts = self.printed[:, :, None] * factor[None] * self._tolerance()[None]
        if fault == "switch stuck":
            self._stick(name, volts)
        return volts + self.rng.normal(0, 0.01, volts.shape)

    def _tolerance(self) -> Floats:
        rows = []
        for point in self.points.values():
            sd = self.drawing.tolerance_of(point) / 100 * TOLERANCE_SD
            own = 1 + self.rng.normal(0, sd, self.worlds)
            rows.append(own * (self._mains if point.follows_mains else 1.0))
        return np.array(rows)

    def _spread(self, name: str, fault: str, factor: Floats) -> None:
        rng, worlds = self.rng, self.worlds
        if fault == "feed open":
            dead = np.abs(rng.normal(0, 0.01, worlds))
            own = np.where(rng.random(worlds) < 0.8, dead, rng.uniform(0.01, 0.3, worlds))
        elif fault == "feed weak":
            own = rng.uniform(0.3, 0.9, worlds)
        elif fault == "pulled down":
            own = np.where(rng.random(worlds) < 0.5, rng.uniform(0, 0.1, worlds), rng.uniform(0.1, 0.9, worlds))
            self._sag(name, own, factor)
        else:
            own = np.ones(worlds)
        factor[self.column[name]] = own
        if fault in ("feed open", "load open"):
            self._rise(name, factor, both=fault == "load open")
        if fault != "switch stuck":
            self._descend(name, own, factor)

    def _sag(self, name: str, own: Floats, factor: Floats) -> None:
        """Going upstream: through a fuse or switch nearly whole, less through a resistor or a regulator."""
        lost, here = 1 - own, name
        for feeder in self._chain(name):
            through = self._through(here, feeder)
            lost = lost * self.rng.uniform(*through, self.worlds)
            factor[self.column[feeder]] = 1 - lost
            self._descend(feeder, 1 - lost, factor, but=here)
            here = feeder

    def _through(self, here: str, feeder: str) -> tuple[float, float]:
        if self._regulated(here):
            return 0.0, 0.4
        return (0.5, 1.0) if self._same(here, feeder) else (0.0, 0.35)

    def _same(self, here: str, feeder: str) -> bool:
        """Nearly the same volts in some mode: a switch, fuse, choke or diode lies between, not a resistor."""
        a, b = self.printed[:, self.column[here]], self.printed[:, self.column[feeder]]
        good = np.isfinite(a) & np.isfinite(b) & (b != 0)
        return bool((np.abs(a[good] / b[good] - 1) < 0.06).any())

    def _regulated(self, name: str) -> bool:
        point = self.points[name]
        narrow = self.drawing.tolerance_of(point) <= REGULATED_PERCENT
        return narrow and not point.follows_mains and bool(self.feeders[name])

    def _rise(self, name: str, factor: Floats, both: bool) -> None:
        """A load gone: what feeds it rises a little."""
        for feeder in ([name] if both else []) + self._chain(name):
            most = 0.01 if self._regulated(feeder) else 0.08
            factor[self.column[feeder]] *= 1 + self.rng.uniform(0, most, self.worlds)

    def _descend(self, name: str, own: Floats, factor: Floats, but: str = "") -> None:
        for other in self.points:
            if other not in (name, but) and name in self._chain(other) and but not in self._chain(other):
                holds = self._regulated(other) & (own > HOLDS_DOWN_TO)
                factor[self.column[other]] *= np.where(holds, 1.0, own)

    def _chain(self, name: str) -> list[str]:
        """All that feeds a point, nearest first."""
        found: list[str] = []
        waiting = list(self.feeders[name])
        while waiting:
            feeder = waiting.pop(0)
            if feeder not in found and feeder != name:
                found.append(feeder)
                waiting += self.feeders[feeder]
        return found

    def _stick(self, name: str, volts: Floats) -> None:
        column = self.column[name]
        levels = self.printed[:, column]
        usable = np.flatnonzero(np.isfinite(levels))
        stuck = self.rng.choice(usable, self.worlds)
        below = [self.column[n] for n in self.points if n == name or name in self._chain(n)]
        for world, mode in enumerate(stuck):
            volts[:, below, world] = volts[mode, below, world][None]


def feeders_between(drawing: Drawing, names: Sequence[str]) -> str:
    """What lies on the way to a dead point, in words, for a suspect that is a node group."""
    found = [f"what lies between {p.fed_by[0]} and {p.name}" for p in drawing.points if p.name in names and p.fed_by]
    return ", or ".join(found)
