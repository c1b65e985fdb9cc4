"""Several traces of one point on one axis of time, with gaps where the scope did not look."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from daemon.judge.hum import Volts
from drivers.readings import Trace

MOST_SAMPLES = 20_000_000


@dataclass(frozen=True, slots=True, eq=False)
class Joined:
    """``volts`` from ``t0_us`` on, NaN in gaps; ``half_width_us`` how far any piece may lie from its place."""

    volts: Volts
    t0_us: int
    half_width_us: int


def joined(traces: Sequence[Trace]) -> Joined:
    """All traces that were taken as the last one was; a knob that was turned in between ends what came before.

    Where two overlap, the later one counts.
    """
    last = traces[-1]
    alike = [trace for trace in traces if _settings(trace) == _settings(last)]
    begin_us = min(trace.t0_us for trace in alike)
    step_us = last.dt_s * 1e6
    firsts = [round((trace.t0_us - begin_us) / step_us) for trace in alike]
    size = max(first + len(trace.codes) for first, trace in zip(firsts, alike, strict=True))
    if size > MOST_SAMPLES:
        return Joined(last.volts, last.t0_us, last.t0_half_width_us)
    volts = np.full(size, np.nan)
    for first, trace in zip(firsts, alike, strict=True):
        volts[first : first + len(trace.codes)] = trace.volts
    return Joined(volts, begin_us, max(trace.t0_half_width_us for trace in alike))


def _settings(trace: Trace) -> tuple[float, float, float, str]:
    return trace.dt_s, trace.scale_v, trace.offset_v, trace.coupling
