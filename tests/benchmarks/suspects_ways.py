"""Ways to choose the next probe, each followed on the same broken units to the same end.

All of them are judged by the same posterior and stop by the same rule, so that only the choice differs.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from zlib import crc32

import numpy as np

from daemon.suspects.candidates import Candidate, candidates
from daemon.suspects.diagnosis import Diagnosis
from daemon.suspects.infer import Posterior
from daemon.suspects.probes import ENOUGH_BITS, MODE_COST, rank
from daemon.suspects.readings import Seen
from daemon.suspects.worlds import Table
from tests.benchmarks.suspects_truth import METER_RELATIVE, METER_V, Case, Floats, read

SURE, MOST_PROBES = 0.9, 25
WRONG_POINT = 0.03
Choose = Callable[["Search"], Candidate | None]


def luck_of(case: Case, purpose: int) -> np.random.Generator:
    """A unit's own stream of chance: with streams by its place in a list, the same few probes slip in every network."""
    return np.random.default_rng((crc32(case.theta.tobytes()), purpose))


@dataclass
class Search:
    """One search in progress."""

    case: Case
    diagnosis: Diagnosis
    listed: Sequence[Candidate]
    posterior: Posterior
    rng: np.random.Generator
    right: set[str]
    taken: list[Candidate] = field(default_factory=list)
    values: list[float] = field(default_factory=list)
    done: set[tuple[str, str, str]] = field(default_factory=set)  # what else was done: point, mode, quantity
    cost: float = 0.0
    says: list[tuple[float, bool]] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.single = self.posterior  # of single faults; ``posterior`` may know of pairs

    @property
    def mode(self) -> int:
        """The mode that the unit is in."""
        return self.taken[-1].mode if self.taken else 0

    def take(self, candidate: Candidate) -> None:
        """Read it (3 in 100 times at another point), and weigh what was read."""
        self.cost += candidate.access + (MODE_COST if candidate.mode != self.mode else 0)
        held = candidate
        if self.rng.random() < WRONG_POINT:
            others = [c for c in self.listed if c.mode == candidate.mode and c.minus < 0 and c.plus != candidate.plus]
            held = others[self.rng.integers(len(others))]
        true = read(self.case.reads, held)
        value = true + self.rng.normal(0, METER_RELATIVE * abs(true) / 2 + METER_V / 4)
        stated = METER_RELATIVE * abs(value) + METER_V if self.rng.random() < 0.5 else None
        table = self.posterior.table
        seen = Seen(candidate.point, table.modes[candidate.mode], candidate.quantity, value, stated)
        self.taken.append(candidate)
        self.values.append(value)
        self.weigh(seen)

    def weigh(self, seen: Seen) -> None:
        """Let the program know, and keep what it says then."""
        self.single = self.single.after(seen)
        self.posterior = self.diagnosis.paired(self.single)
        said = self.posterior.by_part.items()
        self.says += [(p, part in self.right) for part, p in said if part and 0.7 <= p <= 0.9]

    @property
    def sure(self) -> bool:
        """True where one part has nine chances in ten."""
        return next(iter(self.posterior.by_part.values())) >= SURE


@dataclass(frozen=True)
class Told:
    """How one search ended; ``probes`` counts whatever else was done too."""

    probes: int
    cost: float
    first: bool
    third: bool
    in_set: bool
    set_size: int
    says: list[tuple[float, bool]]
    alike: bool


def search_of(case: Case, diagnosis: Diagnosis, choose: Choose, group: Diagnosis | None = None) -> Search:
    """Probe until one part is nearly sure, nothing teaches enough, or ``MOST_PROBES``; the search as it then stands.

    ``group`` is the network behind a drawing that has none: then a node that the broken part is on is right.
    """
    drawing, table = diagnosis.drawing, diagnosis.table
    mains = Seen("mains", "", "ac_v", case.mains * (drawing.nominal_mains_v or 230.0))
    right = {case.fault.part}
    if group is not None:
        nets = next(part.nets for part in group.drawing.parts if part.name == case.fault.part)
        right = {point.name for point in drawing.points if point.net in nets}
    listed = candidates(table, drawing)
    search = Search(case, diagnosis, listed, diagnosis.posterior([mains]), luck_of(case, 0), right)
    while len(search.taken) < MOST_PROBES and not search.sure:
        candidate = choose(search)
        if candidate is None:
            break
        search.take(candidate)
    return search


def told_of(search: Search, network: Diagnosis) -> Told:
    """How a search ended; ``network`` is the unit's own, which tells what lies side by side."""
    right, part = search.right, search.case.fault.part
    nets = {each.name: frozenset(each.nets) for each in network.drawing.parts}
    probes = len(search.taken) + len(search.done)
    parts = [part for part in search.posterior.by_part if part]
    held = search.posterior.credible_set
    alike = parts[0] in right or nets.get(parts[0]) == nets[part]
    third, in_set = bool(right & set(parts[:3])), bool(right & set(held))
    return Told(probes, search.cost, parts[0] in right, third, in_set, len(held), list(search.says), alike)


def first_with_everything_read(case: Case, diagnosis: Diagnosis) -> bool:
    """True if the part is first once all was read in every mode, points and across parts, each in the right place: no
    search is better but by luck, for parts side by side look the same to a meter."""
    rng, table = luck_of(case, 1), diagnosis.table
    evidence = [Seen("mains", "", "ac_v", case.mains * (diagnosis.drawing.nominal_mains_v or 230.0))]
    for each in candidates(table, diagnosis.drawing):
        true = read(case.reads, each)
        value = true + rng.normal(0, METER_RELATIVE * abs(true) / 2 + METER_V / 4)
        evidence.append(Seen(each.point, table.modes[each.mode], each.quantity, value, None))
    parts = [part for part in diagnosis.posterior(evidence).by_part if part]
    return parts[0] == case.fault.part


def gain_for_cost(search: Search) -> Candidate | None:
    """What the program proposes first."""
    found = rank(search.posterior, search.posterior.table.modes[search.mode], most=1, look_ahead=LOOK_AHEAD)
    return found[0].candidate if found and found[0].gain_bits >= ENOUGH_BITS else None


LOOK_AHEAD = True


def _nothing_more(search: Search) -> bool:
    found = rank(search.posterior, None, most=1)
    return not found or found[0].gain_bits < ENOUGH_BITS


def in_order(search: Search) -> Candidate | None:
    """Point after point as the drawing has them, then the next mode."""
    points = [c for c in search.listed if c.minus < 0]
    left = points[len(search.taken) :]
    return None if not left or _nothing_more(search) else left[0]


class HalfSplit:
    """The point whose good or bad divides what is left nearest to half; knows verdicts, and not volts."""

    def __init__(self, table: Table, listed: Sequence[Candidate], tolerance: float) -> None:
        self._listed = [c for c in listed if c.minus < 0]
        self._tolerance = tolerance
        usual = np.median(table.volts[:, :, table.of == 0], axis=2)
        self._usual = [float(usual[c.mode, c.plus]) for c in self._listed]
        volts = np.stack([table.volts[c.mode, c.plus] for c in self._listed])
        self._bad = self._is_bad(volts, np.array(self._usual)[:, None])
        self._prior = table.prior

    def _is_bad(self, volts: Floats, usual: Floats) -> Floats:
        return np.abs(volts - usual) > self._tolerance * np.abs(usual) + 0.05

    def __call__(self, search: Search) -> Candidate | None:
        """The next point, or None where none divides anything."""
        if _nothing_more(search):
            return None
        weights = self._prior.copy()
        taken = set()
        for candidate, value in zip(search.taken, search.values, strict=True):
            number = self._listed.index(candidate)
            taken.add(number)
            verdict = bool(self._is_bad(np.array(value), np.array(self._usual[number])))
            weights *= np.where(self._bad[number] == verdict, 1 - WRONG_POINT, WRONG_POINT)
        share = self._bad @ weights / weights.sum()
        left = [n for n in range(len(self._listed)) if n not in taken]
        if not left:
            return None
        best = min(left, key=lambda n: (round(abs(share[n] - 0.5), 2), self._listed[n].mode != search.mode))
        return self._listed[best]
