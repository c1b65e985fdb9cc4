"""How well placements are found: ``python -m tests.benchmarks.placements [--json] [--full]``.

Simulated hands of ten kinds of carelessness, every second touch by a steady hand, at 1 to 100 readings a second, on
meters of 6,000 to 60,000 counts with auto-range (``placements_records.py``). The series go through the file's parser
and then through the detector as if live: it knows nothing of what comes later. To be found is what held still for
1.5 s and six readings; a placement that is told counts as true where it overlaps with one that there was and its
value is the point's within the meter's stated accuracy. Every goal is a share or a time of the simulation.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

import numpy as np

from daemon.judge.placements import Placement, Shown, follow
from daemon.judge.settle import StayDetector
from daemon.series_file import parse_series
from drivers.readings import Flag
from tests.benchmarks.figures import Figure, at_least, at_most, run, told
from tests.benchmarks.placements_records import KINDS, Series, make_series, open_lead
from tests.benchmarks.placements_records import Placement as Truth
from tests.benchmarks.placements_rivals import RIVALS, Rule

Told = tuple[float, float, float]

FAST_HZ, SLOW_HZ = 10.0, 5.0
IN_A_SERIES = 8
LEAD_RATES_HZ = (1.0, 5.0, 10.0, 10.0, 50.0)


@dataclass
class Score:
    """What became of the placements of some series."""

    there: int = 0
    to_be_found: int = 0
    found: int = 0
    told: int = 0
    true: int = 0
    again: int = 0

    @property
    def recall(self) -> float:
        return self.found / max(1, self.to_be_found)

    @property
    def precision(self) -> float:
        return self.true / self.told if self.told else 1.0

    @property
    def worth(self) -> float:
        """Harmonic mean of the two."""
        return 2 * self.recall * self.precision / max(1e-9, self.recall + self.precision)

    def add(self, truth: Sequence[Truth], tellings: Sequence[Told]) -> None:
        pairs = [[is_of(telling, there) for telling in tellings] for there in truth]
        self.there += len(truth)
        self.to_be_found += sum(there.still_from_s is not None for there in truth)
        self.found += sum(there.still_from_s is not None and any(row) for there, row in zip(truth, pairs, strict=True))
        self.told += len(tellings)
        self.true += sum(any(column) for column in zip(*pairs, strict=True)) if tellings else 0
        self.again += sum(max(0, sum(row) - 1) for row in pairs)


def is_of(telling: Told, there: Truth) -> bool:
    """True where what was told is that placement, with its value."""
    from_s, to_s, value = telling
    return from_s < there.to_s and to_s > there.from_s and abs(value - there.volts) <= there.half_width


@dataclass
class Details:
    """Beyond found and not found: how soon, and how sure."""

    delays_s: list[float] = field(default_factory=list)
    delays_readings: list[int] = field(default_factory=list)
    type_a: list[bool] = field(default_factory=list)
    combined: list[bool] = field(default_factory=list)

    def add(self, series: Series, shown: Sequence[Shown], found: Iterable[Placement]) -> None:
        for placement in found:
            matches = [each for each in series.truth if is_of(_telling(placement), each)]
            for there in matches[:1]:
                self.type_a.append(abs(placement.value - there.shown) <= 2 * placement.uncertainty)
                combined = math.hypot(placement.uncertainty, there.half_width / math.sqrt(3))
                self.combined.append(abs(placement.value - there.volts) <= 2 * combined)
                self._add_delay(series, shown, placement, there)

    def _add_delay(self, series: Series, shown: Sequence[Shown], placement: Placement, there: Truth) -> None:
        still_s = there.still_from_s
        if still_s is None or placement.from_us / 1e6 > still_s + 1.5:
            return  # told again, after a slip
        if series.rate_hz == FAST_HZ:
            self.delays_s.append(placement.told_us / 1e6 - still_s)
        if series.rate_hz <= SLOW_HZ:
            self.delays_readings.append(sum(still_s * 1e6 + 100 < each.t_us <= placement.told_us for each in shown))


def _telling(placement: Placement) -> Told:
    return placement.from_us / 1e6, placement.to_us / 1e6, placement.value


def all_series(each: int) -> list[Series]:
    """``each`` series a kind; seeds are told apart by kind."""
    numbered = [(at, kind, number) for at, kind in enumerate(KINDS) for number in range(each)]
    return [make_series(kind, 1000 * number + at, IN_A_SERIES) for at, kind, number in numbered]


def ours(made: Sequence[Series], parsed: Sequence[Sequence[Shown]]) -> list[Figure]:
    """Precision, recall, values, times and uncertainties of the detector."""
    total, details, kinds = Score(), Details(), {kind: Score() for kind in KINDS}
    for series, shown in zip(made, parsed, strict=True):
        found = follow(shown, StayDetector())
        details.add(series, shown, found)
        for score in (total, kinds[series.kind]):
            score.add(series.truth, [_telling(placement) for placement in found])
    return [
        at_least(f"recall ({total.found} of {total.to_be_found} that held still; {total.there} placements)",
                 total.recall, 0.995),
        at_least(f"precision ({total.true} of {total.told} told)", total.precision, 0.999),
        *(at_least(f"recall, {kind}", score.recall, 0.97) for kind, score in kinds.items()),
        *(at_least(f"precision, {kind}", score.precision, 0.99) for kind, score in kinds.items()),
        told("told more than once, of those that there were", total.again / total.there),
        at_most(f"from settled to told at 10 a second, p95, s ({len(details.delays_s)})",
                float(np.percentile(details.delays_s, 95)), 1.5),
        at_most(f"the same at 1 to 5 a second, p95, readings after the first good one ({len(details.delays_readings)})",
                float(np.percentile(details.delays_readings, 95)), 5.0),
        at_least("value within 2 u (type A, resolution) of what this meter shows of the point",
                 float(np.mean(details.type_a)), 0.95),
        at_least("value within 2 u (with the accuracy) of the point", float(np.mean(details.combined)), 0.95),
    ]  # fmt: skip


def rivals(made: Sequence[Series], parsed: Sequence[Sequence[Shown]]) -> list[Figure]:
    """The same series through simpler rules, each with the settings that suit it best."""
    figures = []
    for name, rules in RIVALS.items():
        best = max((_scored(rule, made, parsed) for rule in rules), key=lambda score: score.worth)
        figures += [
            told(f"for comparison: {name}, recall", best.recall),
            told(f"for comparison: {name}, precision", best.precision),
        ]
    return figures


def _scored(rule: Rule, made: Sequence[Series], parsed: Sequence[Sequence[Shown]]) -> Score:
    score = Score()
    for series, shown in zip(made, parsed, strict=True):
        score.add(series.truth, rule(shown))
    return score


def open_leads(hours: float) -> list[Figure]:
    """Nothing but an open lead: what is told is invented. Steps of 0.01 to 1 mV."""
    tellings, seconds = 0, 120.0
    count = max(1, round(hours * 3600 / seconds))
    for seed in range(count):
        rng = np.random.default_rng(seed)
        rate_hz = LEAD_RATES_HZ[seed % len(LEAD_RATES_HZ)]
        step_v = 10.0 ** -rng.integers(3, 6)
        grid_s = np.arange(0.0, seconds, 0.005)
        at_s = (np.arange(seconds * rate_hz) + rng.uniform(-0.1, 0.1, int(seconds * rate_hz)) + 0.5) / rate_hz
        volts = np.round(np.interp(at_s, grid_s, open_lead(rng, grid_s, rate_hz)) / step_v) * step_v
        rows = zip(at_s.tolist(), volts.tolist(), strict=True)
        series = [Shown(round(t * 1e6), value, Flag.NONE, float(step_v)) for t, value in rows]
        tellings += len(follow(series, StayDetector()))
    hours = count * seconds / 3600
    return [at_most(f"told of an open lead, an hour ({hours:.1f} h)", tellings / hours, 0.2)]


def measure_series(each: int, hours: float) -> list[Figure]:
    """All figures of ``each`` series a kind and so many hours of open lead."""
    made = all_series(each)
    parsed = [parse_series(series.as_csv(), series.kind) for series in made]
    return [*ours(made, parsed), *open_leads(hours), *rivals(made, parsed)]


def measure(full: bool) -> list[Figure]:
    """2,160 placements, or 10,000."""
    return measure_series(125, 10.0) if full else measure_series(27, 2.0)


if __name__ == "__main__":
    raise SystemExit(run(measure, __doc__ or ""))
