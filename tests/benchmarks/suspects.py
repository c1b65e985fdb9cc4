"""How soon the broken part is found: ``python -m tests.benchmarks.suspects [--json] [--full]``.

Five invented networks of 32 to 62 parts. Truth is drawn with tolerances and solved by ngspice (``suspects_truth.py``);
every reading has a meter's error, and 3 in 100 are taken at a wrong point. Only faults count that DC can see: those
that move something that can be read beyond 10 % plus U. A search ends with one part at 90 %, with nothing that
teaches 0.1 bit, or after 25 probes. Rivals on the same units: the drawing's order, and half-splitting on good or bad.
Parts side by side look alike to volts: all of these searches are then told a second time, gone on with what the program
proposes where volts tell no more (``suspects_otherwise.py``) and never cut off, against the same goals; rivals too.
More networks are put together by chance (``tests/suspects/chance_networks.py``), and nothing was tuned on those. Goals
are held over all networks together, and the figures of each group are told beside them: a share near 88 in 100 has a
standard error of 3 in 100 over 120 searches, and of fifty chances of 80 % more than one group in three would leave the
band of calibration by luck (binomial).
Then the bench page in a real browser: from a settled reading to the ranking on the screen (``screen/suspected.py``).
``--full`` takes every fault of every part three times, else 24 of each network, and the others' ways on 8 of these; and
200 networks by chance, else 60.
"""

import os
import time
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from itertools import repeat

import numpy as np

from daemon.drawing import Drawing
from daemon.suspects.candidates import candidates
from daemon.suspects.diagnosis import Diagnosis
from daemon.suspects.probes import rank
from daemon.suspects.readings import Seen
from tests.benchmarks.figures import Figure, at_least, at_most, run, told
from tests.benchmarks.screen import suspected
from tests.benchmarks.suspects_otherwise import go_on
from tests.benchmarks.suspects_truth import Case, broken_units, visible
from tests.benchmarks.suspects_ways import (
    Choose,
    HalfSplit,
    Search,
    Told,
    first_with_everything_read,
    gain_for_cost,
    in_order,
    search_of,
    told_of,
)
from tests.suspects.chance_networks import chance_drawing
from tests.suspects.networks import TEXTS, drawing_of, printed_only

TOLERANCE = 0.1
PARTS = (20, 62)  # of networks put together by chance
FIRST_UNIT, OF_A_UNIT = 3000, 6
RIVALS_OF_A_UNIT = 2  # of these, the others' ways are followed too
RIVALS_OF_A_NETWORK = 8  # of one by name: with all of its 24 units these took two thirds of the whole time
GONE_ON = "gone on where volts tell no more: "


def seen_by_dc(name: str, drawing: Drawing, seeds: Sequence[int], most: int | None) -> list[Case]:
    """Broken units of one network whose fault DC can see, ``most`` of them for each seed."""
    listed = candidates(Diagnosis(drawing).table, drawing)
    drawn = [broken_units(name, drawing, listed, seed, None if most is None else 2 * most) for seed in seeds]
    return [case for cases in drawn for case in [c for c in cases if visible(c, listed, TOLERANCE)][:most]]


@dataclass(frozen=True)
class Ended:
    """How one search ended with volts alone, and how gone on where they tell no more."""

    volts: Told
    on: Told


@dataclass(frozen=True)
class Searched:
    """How the searches of one network's units ended: the program's own, and its rivals' on the first of them, with the
    same readings to be had; with printed volts only; and, of these first ones, whether the part is first once all is
    read that can be read, without a slip."""

    ours: Sequence[Ended]
    order: Sequence[Ended]
    halves: Sequence[Ended]
    printed: Sequence[Ended]
    all_read: Sequence[bool]


def searched(name: str, seeds: Sequence[int], most: int | None) -> Searched:
    """Broken units of one network searched in every way."""
    diagnosis = Diagnosis(drawing_of(name))
    cases = seen_by_dc(name, diagnosis.drawing, seeds, most)
    return _searched(diagnosis, cases, len(cases) if most is None else RIVALS_OF_A_NETWORK)


def searched_by_chance(seed: int) -> Searched | None:
    """Some broken units of one network put together by chance; None where it is too small or too large."""
    drawing = chance_drawing(seed)
    if not PARTS[0] <= len(drawing.parts) <= PARTS[1]:
        return None
    return _searched(Diagnosis(drawing), seen_by_dc(drawing.unit, drawing, [seed], OF_A_UNIT), RIVALS_OF_A_UNIT)


def _searched(diagnosis: Diagnosis, cases: Sequence[Case], with_rivals: int) -> Searched:
    halves = HalfSplit(diagnosis.table, candidates(diagnosis.table, diagnosis.drawing), TOLERANCE)

    def followed(choose: Choose, some: Sequence[Case]) -> list[Ended]:
        return [_ended(case, diagnosis, choose) for case in some]

    return Searched(
        followed(gain_for_cost, cases),
        followed(in_order, cases[:with_rivals]),
        followed(halves, cases[:with_rivals]),
        with_printed_volts_only(diagnosis, cases),
        [first_with_everything_read(case, diagnosis) for case in cases[:with_rivals]],
    )


def _ended(case: Case, diagnosis: Diagnosis, choose: Choose) -> Ended:
    return _gone_on(search_of(case, diagnosis, choose), choose, diagnosis)


def _gone_on(search: Search, choose: Choose, network: Diagnosis) -> Ended:
    volts = told_of(search, network)
    go_on(search, choose, network.drawing)
    return Ended(volts, told_of(search, network))


def with_printed_volts_only(diagnosis: Diagnosis, cases: Sequence[Case]) -> list[Ended]:
    """The same units with nothing but their printed volts and fed-by arrows on the drawing."""
    bare = Diagnosis(printed_only(diagnosis.drawing, diagnosis.table))
    listed = candidates(bare.table, bare.drawing)
    shown = [case for case in cases if visible(case, listed, TOLERANCE)]
    searches = [search_of(case, bare, gain_for_cost, diagnosis) for case in shown]
    return [_gone_on(search, gain_for_cost, diagnosis) for search in searches]


def _share(ended: Sequence[Told], what: str) -> float:
    return float(np.mean([getattr(each, what) for each in ended]))


def ours(ended: Sequence[Told], where: str = "") -> list[Figure]:
    """What the program's own choice comes to; ``where`` begins each name."""
    probes = [each.probes for each in ended]
    return [
        at_most(f"{where}probes, median ({len(ended)} faults that DC can see)", float(np.median(probes)), 5),
        at_most(f"{where}probes, 95 % need no more than", float(np.percentile(probes, 95)), 11),
        at_least(f"{where}the right part is first", _share(ended, "first"), 0.88),
        told(f"{where}the right part is first; parts side by side count as one", _share(ended, "alike")),
        at_least(f"{where}the right part is among the first three", _share(ended, "third"), 0.96),
        at_least(f"{where}the right part is in the 90 % set", _share(ended, "in_set"), 0.95),
        at_most(f"{where}parts in the 90 % set, mean", _share(ended, "set_size"), 1.8),
        calibration(ended, where),
    ]


def _right_at_80(ended: Sequence[Told], where: str) -> tuple[str, float]:
    """How often what is given 80 % is right, with its name."""
    says = np.array([say for each in ended for say in each.says] or [(0.8, 0.8)])
    right = 0.8 + float(says[:, 1].mean() - says[:, 0].mean())
    return f"{where}right when it says 80 % (all of {len(says)} chances between 70 and 90 %, moved to 80)", right


def calibration(ended: Sequence[Told], where: str) -> Figure:
    """Whether what is given 80 % is right about as often."""
    name, right = _right_at_80(ended, where)
    return Figure(name, round(right, 4), "0.75 to 0.85", 0.75 <= right <= 0.85)


def rivals(ended: Sequence[Told], order: Sequence[Told], halves: Sequence[Told], where: str = "") -> list[Figure]:
    """The same units by other ways; costs against theirs."""
    cost = _share(ended, "cost")
    where = f"{where}({len(ended)} faults) " if where else where
    return [
        at_most(f"{where}effort, of that in the drawing's order", cost / _share(order, "cost"), 0.4),
        at_most(f"{where}effort, of that of half-splitting", cost / _share(halves, "cost"), 0.6),
        *_rival(f"{where}for comparison: the drawing's order", order),
        *_rival(f"{where}for comparison: half-splitting", halves),
    ]


def _rival(name: str, ended: Sequence[Told]) -> list[Figure]:
    return [
        told(f"{name}, probes, mean", _share(ended, "probes")),
        told(f"{name}, the right part is first", _share(ended, "first")),
    ]


def printed(ended: Sequence[Told], where: str = "") -> list[Figure]:
    """With nothing but printed volts."""
    name = f"{where}printed volts only: "
    return [
        at_least(f"{name}the right node is first ({len(ended)} faults)", _share(ended, "first"), 0.85),
        told(f"{name}the right node is among the first three", _share(ended, "third")),
        at_most(f"{name}probes, median", float(np.median([each.probes for each in ended])), 6),
    ]


def _ms(work: Callable[[], object], times: int) -> float:
    spent = []
    for _ in range(times):
        start = time.process_time()
        work()
        spent.append(1e3 * (time.process_time() - start))
    return float(np.median(spent))


def cost() -> list[Figure]:
    """Processor time for the network of 62 parts in three modes."""
    drawing = drawing_of("console")
    start = time.process_time()
    diagnosis = Diagnosis(drawing)
    table = diagnosis.table
    dictionary_s = time.process_time() - start
    bare = printed_only(drawing, table)
    start = time.process_time()
    assert Diagnosis(bare).table.hypotheses
    printed_s = time.process_time() - start
    posterior = diagnosis.posterior([])
    seen = Seen("VR", table.modes[0], "dc_v", 24.9)
    return [
        at_most(f"dictionary of {len(drawing.parts)} parts, s of one processor", dictionary_s, 5),
        at_most("the same with printed volts only, s of one processor", printed_s, 1),
        at_most("one more reading weighed, ms", _ms(lambda: posterior.after(seen), 9), 2),
        at_most("next probes ranked, ms", _ms(lambda: rank(posterior), 5), 100),
        at_most("next probes ranked two steps ahead, ms", _ms(lambda: rank(posterior, look_ahead=True), 5), 1000),
    ]


def figures_of(found: Sequence[Searched], where: str = "") -> list[Figure]:
    """All figures of the searches of some networks."""
    volts, on = _in_both([ended for each in found for ended in each.ours])
    some, some_on = _in_both([ended for each in found for ended in each.ours[: len(each.order)]])
    order, halves = (_in_both([ended for each in found for ended in getattr(each, way)]) for way in ("order", "halves"))
    bare, bare_on = _in_both([ended for each in found for ended in each.printed])
    all_read = [first for each in found for first in each.all_read]
    every = f"for comparison: the right part is first with all read that can be, and no slip ({len(all_read)} faults)"
    return [
        *ours(volts, where),
        told(where + every, float(np.mean(all_read))),
        *rivals(some, order[0], halves[0], where),
        *ours(on, where + GONE_ON),
        *rivals(some_on, order[1], halves[1], where + GONE_ON),
        *printed(bare, where),
        *printed(bare_on, where + GONE_ON),
    ]


def _in_both(ended: Sequence[Ended]) -> tuple[list[Told], list[Told]]:
    return [each.volts for each in ended], [each.on for each in ended]


def searches(names: Sequence[str], seeds: Sequence[int], most: int | None, by_chance: int) -> list[Figure]:
    """All figures of searches, of networks by name and of so many by chance; each network in a process of its own."""
    with ProcessPoolExecutor(os.cpu_count()) as workers:
        named = list(workers.map(searched, names, repeat(seeds), repeat(most)))
        drawn = workers.map(searched_by_chance, range(FIRST_UNIT, FIRST_UNIT + by_chance))
        chance = [each for each in drawn if each is not None]
    groups = {f"{len(named)} networks by name: ": named, f"{len(chance)} networks by chance: ": chance}
    each = [figure for where, found in groups.items() for figure in figures_of(found, where)]
    return [*figures_of([*named, *chance]), *[told(figure.name, figure.value) for figure in each]]


def measure(full: bool) -> list[Figure]:
    """All figures."""
    names = sorted(TEXTS, key=lambda name: -len(TEXTS[name]))  # the longest first
    seeds, most, by_chance = ((1, 2, 3), None, 200) if full else ((1,), 24, 60)
    return [*cost(), *searches(names, seeds, most, by_chance), *suspected.figures(full)]


if __name__ == "__main__":
    raise SystemExit(run(measure, __doc__ or ""))
