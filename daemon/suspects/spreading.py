"""How far a reading of any kind parts the suspects: in bits, and in words."""

import numpy as np

from daemon.suspects.infer import Posterior
from daemon.suspects.net import Floats, Ints
from daemon.suspects.outlook import KERNEL, Outlook
from daemon.suspects.weighing import WRONG_POINT

WIDEST = 400  # bins: a scale in units of a reading's own spread needs no more
TOGETHER = 0.25  # of the larger of two values: nearer they are one outcome


def bits_of_values(values: Floats, part: Ints, weights: Floats) -> float:
    """Mutual information of the part and a reading; values (draws, worlds) in units of the reading's own spread."""
    bins = np.clip(np.floor(values - values.min()), 0, WIDEST).astype(np.int64)
    width, parts = int(bins.max()) + len(KERNEL), int(part.max()) + 1
    joint = np.zeros((parts, width))
    for row in bins:
        for shift, share in enumerate(KERNEL):
            np.add.at(joint, (part, row + shift), share * weights / len(bins))
    of_part = joint.sum(axis=1, keepdims=True)
    joint = (1 - WRONG_POINT) * joint + WRONG_POINT * of_part / width
    return float(max(0.0, _entropy(joint.sum(axis=0)) + _entropy(of_part) - _entropy(joint)))


def two_ends(posterior: Posterior, outlook: Outlook, values: Floats, unit: str) -> str:
    """The two likeliest outcomes, with who is likely then; "" where there is only one."""
    table = posterior.table
    names = [table.hypotheses[table.of[world]].part for world in outlook.kept]
    left = outlook.weights.copy()
    told: list[str] = []
    while len(told) < 2 and left.sum() > 0.02:
        level = values[int(np.argmax(left))]
        here = np.abs(values - level) <= TOGETHER * np.maximum(np.abs(values), abs(level)) + 1e-12
        totals: dict[str, float] = {}
        for number in np.flatnonzero(here & (left > 0)):
            totals[names[number]] = totals.get(names[number], 0.0) + float(left[number])
        best = sorted(totals, key=lambda name: -totals[name])[:3]
        who = " or ".join(each or "none that DC shows" for each in best)
        told.append(f"about {_amount(float(level), unit)}: {who}")
        left[here] = 0
    return "; ".join(told) if len(told) > 1 else ""


def _amount(value: float, unit: str) -> str:
    if abs(value) < 1e-3:
        return f"0 {unit}"
    return f"{value:.2g} {unit}" if abs(value) < 1000 else f"{value / 1000:.2g} k{unit}"


def _entropy(chance: Floats) -> float:
    safe = np.maximum(chance, 1e-300)
    return float(-(chance * np.log2(safe)).sum())
