"""The next probe: what teaches most for the least effort, and why, in one sentence.

Gain is the mutual information between the faulty part and the reading, in bits. Cost is access plus a change of mode.
Probes are ordered by gain over a low power of cost: tried on broken units that ngspice solved, searches then end in a
sixth fewer probes for a tenth more effort than with gain over cost.
"""

from dataclasses import dataclass

import numpy as np

from daemon.suspects.candidates import Candidate, candidates
from daemon.suspects.cautions import touch_caution
from daemon.suspects.infer import Posterior
from daemon.suspects.net import Floats
from daemon.suspects.outlook import APART, Outlook

MODE_COST = 1.5
ENOUGH_BITS = 0.1
SOME_WORLDS, MORE_WORLDS, LOOK_WORLDS = 500, 1000, 300  # for one step; for two; for what each outcome leaves
LOOK_AT, LOOK_ON = 6, 24
LEAST_BITS = 0.005
THRIFT = 0.3  # power of the effort that a gain is divided by: one more probe is dearer than a longer reach


@dataclass(frozen=True, slots=True)
class Probe:
    """A candidate with what it is worth."""

    candidate: Candidate
    gain_bits: float
    cost: float
    reason: str = ""


def outlook_of(posterior: Posterior, look_ahead: bool = False) -> Outlook:
    """The likeliest worlds, and what each candidate will read in them; to ``look_ahead`` takes more of them."""
    worlds = MORE_WORLDS if look_ahead else SOME_WORLDS
    return Outlook.of(posterior, tuple(candidates(posterior.table, posterior.drawing)), worlds)


def rank(
    posterior: Posterior,
    mode: str | None = None,
    most: int = 5,
    look_ahead: bool = False,
    outlook: Outlook | None = None,
) -> list[Probe]:
    """The best next probes, best first; ``mode`` is the one that the unit is in. Greedy, or refined by two steps."""
    table = posterior.table
    outlook = outlook or outlook_of(posterior, look_ahead)
    listed = outlook.listed
    in_mode = table.modes.index(mode) if mode in table.modes else None
    costs = np.array([c.access + (MODE_COST if in_mode is not None and c.mode != in_mode else 0) for c in listed])
    gains = outlook.gains()
    worth = gains / costs**THRIFT
    if look_ahead:
        worth = _looked_ahead(outlook, gains, costs)
    order = np.lexsort((-worth, gains < ENOUGH_BITS))  # what teaches too little is not worth it at any price
    best = [int(i) for i in order[:most] if gains[i] > LEAST_BITS]
    return [
        Probe(listed[i], float(gains[i]), float(costs[i]), reason(posterior, outlook, i, float(gains[i]))) for i in best
    ]


def _looked_ahead(outlook: Outlook, gains: Floats, costs: Floats) -> Floats:
    """Worth of the best few with the best step after each outcome counted in."""
    worth = gains / costs**THRIFT
    better = worth - worth.max()  # those not looked at stay behind those that were
    order = np.argsort(-worth)
    follow = order[:LOOK_ON]
    few = outlook.fewer(LOOK_WORLDS)
    for i in order[:LOOK_AT]:
        later_gain, later_cost = 0.0, 0.0
        for share, left in few.outcomes(int(i)):
            next_gains = left.gains(follow)
            k = int(np.argmax(next_gains / costs[follow] ** THRIFT))
            later_gain += share * float(next_gains[k])
            later_cost += share * float(costs[follow][k]) * (next_gains[k] > ENOUGH_BITS / 2)
        better[i] = (gains[i] + later_gain) / (costs[i] + later_cost) ** THRIFT
    return np.asarray(better)


def caution_of(posterior: Posterior, candidate: Candidate) -> str:
    """What has to be said before a lead goes there, or ""."""
    nodes = [node for node in (candidate.plus, candidate.minus) if node >= 0]
    return touch_caution(posterior.table, posterior.drawing, nodes)


def reason(posterior: Posterior, outlook: Outlook, number: int, gain_bits: float) -> str:
    """Why this probe, in a sentence or two, with the caution where its volts call for one."""
    candidate = outlook.listed[number]
    mean = outlook.mean[number]
    groups = sorted(outlook.outcomes(number), key=lambda item: -item[0])[:2]
    caution = caution_of(posterior, candidate)
    caution = f" {caution}" if caution else ""
    how = "halves what is left" if 0.8 <= gain_bits <= 1.3 else f"teaches {gain_bits:.1f} bits"
    levels = [float(np.average(group.mean[number], weights=group.weights)) for _share, group in groups]
    if len(levels) < 2:
        levels = _sides(outlook, number)
    if len(levels) < 2:
        middle = float(np.average(mean, weights=outlook.weights))
        return f"{how}: about {_v(middle)} is expected, and how far off it is tells the suspects apart.{caution}"
    said = [f"about {_v(level)}: {_leaders(posterior, outlook, number, level)}" for level in levels]
    return f"{how}: if {said[0]}; if {said[1]}.{caution}"


def _sides(outlook: Outlook, number: int) -> list[float]:
    """What is read in the middle of the worlds above and below their mean, heavier first, where that is far apart."""
    mean, weights = outlook.mean[number], outlook.weights
    above = mean > float(np.average(mean, weights=weights))
    sides = [side for side in (above, ~above) if side.any()]
    sides.sort(key=lambda side: -float(weights[side].sum()))
    levels = [_median(mean[side], weights[side]) for side in sides]
    usual = _median(outlook.spread[number], weights)
    return levels if len(levels) == 2 and abs(levels[0] - levels[1]) > APART * usual else []


def _median(values: Floats, weights: Floats) -> float:
    order = np.argsort(values)
    heap = np.cumsum(weights[order])
    return float(values[order][np.searchsorted(heap, heap[-1] / 2)])


def _leaders(posterior: Posterior, outlook: Outlook, number: int, level: float) -> str:
    """Who is most likely if about this is read."""
    near = outlook.weights * np.exp(-0.5 * ((outlook.mean[number] - level) / outlook.spread[number]) ** 2)
    totals: dict[str, float] = {}
    for world, amount in zip(outlook.kept, near, strict=True):
        part = posterior.table.hypotheses[posterior.table.of[world]].part
        totals[part] = totals.get(part, 0.0) + float(amount)
    best = sorted(totals, key=lambda name: -totals[name])[:3]
    whole = sum(totals.values()) or 1.0
    best = [name for name in best if totals[name] > 0.1 * whole] or best[:1]
    return "likely " + " or ".join(name or "none that DC shows" for name in best)


def _v(volts: float) -> str:
    size = abs(volts)
    return "0 V" if size < 0.005 else f"{volts:.2f} V" if size < 1 else f"{volts:.3g} V"
