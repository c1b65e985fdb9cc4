"""Several traces of one point on one axis of time, with gaps where the scope did not look.

A scope says of no sweep when it was; each lies within what the reading of it took. What follows from how the
sweeps lie to each other is therefore asked of several placements (Monte Carlo, JCGM 101:2008).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from daemon.judge.evidence import Evidence, agreed
from daemon.judge.hum import Volts
from daemon.judge.switch_on import SwitchOnVerdict, examine_switch_on, verdict_on
from drivers.readings import Trace

MOST_SAMPLES = 20_000_000
OTHERWISE = 7
SEED = 1


@dataclass(frozen=True, slots=True, eq=False)
class Joined:
    """``volts`` from ``t0_us`` on, NaN in gaps; ``half_width_us`` how far any piece may lie from its place."""

    volts: Volts
    t0_us: int
    half_width_us: int


def examine_pieces(
    traces: Sequence[Trace], on_us: int, unsure_us: float, *, one_record: bool = False, **known: Any
) -> tuple[SwitchOnVerdict, Evidence | None]:
    """Verdict and evidence on all traces of one switch-on, no surer than every placement of them is.

    ``on_us`` is the switch-on on the daemon's clock, ``unsure_us`` how far either side it may have been, where a
    trace lies on that clock not counted; ``one_record``: the switch-on was seen in the trace itself, so that does
    not count at all. ``known`` are the other words of ``examine_switch_on``.
    """
    placed = placements(traces)
    if not one_record:
        unsure_us += placed[0].half_width_us
    several: list[Evidence] = []
    verdict = SwitchOnVerdict("not observed")
    for record in placed:
        of_one, evidence = examine_switch_on(
            record.volts,
            traces[-1].dt_s,
            on_s=(on_us - record.t0_us) / 1e6,
            on_uncertainty_s=unsure_us / 1e6,
            **known,
        )
        if evidence is None:
            return of_one, None
        several.append(evidence)
        verdict = verdict_on(agreed(several))
        if verdict.verdict == "not observed":
            break  # no other placement makes that any surer
    return verdict, agreed(several)


def placements(traces: Sequence[Trace]) -> list[Joined]:
    """First as dated, then ``OTHERWISE`` times with each piece anywhere within its half-width; one trace only as dated.

    Traces that were taken otherwise than the last one are left out: a knob that was turned in between ends what
    came before. The draws are the same at every call.
    """
    alike = [trace for trace in traces if _settings(trace) == _settings(traces[-1])]
    half_us = np.array([trace.t0_half_width_us for trace in alike], dtype=np.float64)
    chance = np.random.default_rng(SEED)
    shifts_us = [np.zeros(len(alike))]
    if len(alike) > 1:
        shifts_us += [chance.uniform(-half_us, half_us) for _ in range(OTHERWISE)]
    return [_joined(alike, shift_us) for shift_us in shifts_us]


def _joined(alike: Sequence[Trace], shift_us: Volts) -> Joined:
    last = alike[-1]
    step_us = last.dt_s * 1e6
    starts_us = _one_after_another(alike, shift_us)
    begin_us = float(starts_us.min())
    firsts = [round(float(start_us - begin_us) / step_us) for start_us in starts_us]
    size = max(first + len(trace.codes) for first, trace in zip(firsts, alike, strict=True))
    if size > MOST_SAMPLES:
        return Joined(last.volts, last.t0_us, last.t0_half_width_us)
    volts = np.full(size, np.nan)
    for first, trace in zip(firsts, alike, strict=True):
        volts[first : first + len(trace.codes)] = trace.volts
    return Joined(volts, round(begin_us), max(trace.t0_half_width_us for trace in alike))


def _one_after_another(alike: Sequence[Trace], shift_us: Volts) -> Volts:
    """When each begins: sweeps do not overlap, so one that seems to is moved as far as its half-width allows."""
    dated_us, half_us = (
        np.array([getattr(trace, name) for trace in alike], dtype=np.float64) for name in ("t0_us", "t0_half_width_us")
    )
    lengths_us = np.array([trace.dt_s * 1e6 * len(trace.codes) for trace in alike])
    before_us = np.cumsum(lengths_us) - lengths_us
    pushed_us = np.maximum.accumulate(dated_us + shift_us - before_us) + before_us
    starts_us: Volts = np.clip(pushed_us, dated_us - half_us, dated_us + half_us)
    return starts_us


def _settings(trace: Trace) -> tuple[float, float, float, str]:
    return trace.dt_s, trace.scale_v, trace.offset_v, trace.coupling
