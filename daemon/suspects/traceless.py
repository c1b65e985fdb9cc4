"""Faults that leave no trace in settled DC volts, and what would show them: said openly, never left out in silence."""

from dataclasses import dataclass

import numpy as np

from daemon.drawing import Drawing
from daemon.suspects.candidates import candidates
from daemon.suspects.faults import SHOWN_OTHERWISE, WOULD_SHOW
from daemon.suspects.net import Floats
from daemon.suspects.weighing import noise_v
from daemon.suspects.worlds import Table

HIDDEN = 0.5  # share of a fault's worlds that must be beyond what health can read, else it is said to be hidden


@dataclass(frozen=True, slots=True)
class Traceless:
    """A fault that DC volts at the drawing's points are unlikely to show."""

    part: str
    fault: str
    would_show: str


def traceless(table: Table, drawing: Drawing) -> list[Traceless]:
    """Faults whose worlds mostly read, at every point and across every part, as some healthy unit would."""
    kinds = {part.name: part.kind for part in drawing.parts}
    if "seen" not in table.memory:
        table.memory["seen"] = _share_seen(table, drawing)
    return [
        Traceless(each.part, each.fault, WOULD_SHOW.get(kinds.get(each.part, ""), SHOWN_OTHERWISE))
        for each, seen in zip(table.hypotheses, table.memory["seen"], strict=True)
        if each.part and seen < HIDDEN
    ]


def _share_seen(table: Table, drawing: Drawing) -> Floats:
    """Of each hypothesis the share of its worlds that read otherwise than any healthy unit, somewhere."""
    shown = np.zeros(len(table.of), dtype=bool)
    for each in candidates(table, drawing):
        volts = table.read(each.mode, each.plus, each.minus)
        sound = table.of == 0
        between = (table.rows(each.mode, each.plus, each.minus)[sound] ** 2).sum(axis=1).max()
        middle, drawn = float(np.median(volts[sound])), float(np.std(volts[sound]))
        shown |= np.abs(volts - middle) > 2 * np.hypot(np.sqrt(between), drawn) + 2 * noise_v(table, volts)
    return np.asarray(np.bincount(table.of, shown) / np.bincount(table.of))
