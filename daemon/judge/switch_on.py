"""What happened at a point when the unit was switched on, against a healthy reference: one verdict by one rule.

The verdict is the first that is true of ``ORDER``; the others that are true stand beside it. Silence is
called missing only where what was captured would have shown a kick of ``a_min`` of the reference; else it
was not observed. Without a reference nothing is ever called missing.
"""

import math
from collections.abc import Callable
from dataclasses import asdict, dataclass
from functools import lru_cache
from typing import Any, ParamSpec

import numpy as np

from daemon.judge.capture import Capture, Healthy, ready_capture, ready_reference
from daemon.judge.causes import DEAD_TIME, NOT_ARMED
from daemon.judge.evidence import Evidence, evidence_against, evidence_alone
from daemon.judge.hum import Volts
from daemon.judge.sizes import ENOUGH_COVERAGE, SMALLER_BELOW
from daemon.judge.switch_on_words import cause_in_words, cause_of_nothing, sentence, why_nothing

ORDER = (
    "not observed",
    "missing",
    "never settles",
    "hum follows",
    "late",
    "smaller",
    "larger",
    "same",
    "size uncertain",
)
MISSING_BELOW, LARGER_ABOVE = 0.10, 1.5
LATE_TOLERANCE_S = 0.1
A_MIN = 0.5
Words = ParamSpec("Words")

_RANGES = {
    "missing": (-math.inf, MISSING_BELOW),
    "smaller": (-math.inf, SMALLER_BELOW),
    "larger": (LARGER_ABOVE, math.inf),
    "same": (SMALLER_BELOW, LARGER_ABOVE),
}


@dataclass(frozen=True, slots=True)
class SwitchOnVerdict:
    """``ratio`` is the size against the reference with its 99 % interval; times are after switch-on.

    ``final_v`` is the level of the last 0.2 s relative to that before switch-on; ``hum_v`` the peak
    amplitude of the hum at the end, ``hum_hz`` its frequency; ``steps`` later jumps (seconds, volts);
    ``coverage`` the share of the reference's energy that was captured unclipped, worst case;
    ``onset_low_s`` and ``onset_high_s`` the 95 % interval of the onset; ``late_by_s`` how much later than the
    reference where that is late; ``cause`` one of a few words where it was not observed;
    ``probability`` the chance that the size lies where the verdict says; ``why`` a whole sentence.
    """

    verdict: str
    also: tuple[str, ...] = ()
    ratio: float | None = None
    ratio_low: float | None = None
    ratio_high: float | None = None
    onset_s: float | None = None
    final_v: float | None = None
    hum_v: float | None = None
    hum_hz: float | None = None
    steps: tuple[tuple[float, float], ...] = ()
    coverage: float = 0.0
    probability: float | None = None
    why: str = ""
    onset_low_s: float | None = None
    onset_high_s: float | None = None
    late_by_s: float | None = None
    cause: str = ""

    def as_dict(self) -> dict[str, Any]:
        """The verdict as events, screens and ``--json`` carry it: what is not known is None."""
        return {key: _known(value) for key, value in asdict(self).items()}


def examine_switch_on(
    volts: Volts,
    dt_s: float,
    *,
    on_s: float,
    reference: tuple[Volts, float, float] | None = None,
    on_uncertainty_s: float | tuple[float, float] = 0.0,
    reference_clipped: bool = False,
    lowest_v: float | None = None,
    highest_v: float | None = None,
    lsb_v: float | None = None,
    relay_delay_s: float = 0.0,
    a_min: float = A_MIN,
    late_tolerance_s: float = LATE_TOLERANCE_S,
    coupled_hz: float | None = None,
) -> tuple[SwitchOnVerdict, Evidence | None]:
    """Verdict, with its evidence, on a record in volts that was switched on ``on_s`` seconds after its first sample.

    ``on_uncertainty_s``: how far either side, or (before, after), the switch-on may have been;
    ``reference`` is (volts, dt_s, on_s) of a healthy capture; ``lowest_v`` and ``highest_v`` are the ends
    of the converter's range (samples there are clipped); ``lsb_v`` its step (None: read off the values);
    ``relay_delay_s`` counts only without a reference, which has its own delay in it; ``coupled_hz`` is the
    corner of the input's AC coupling (None: DC), which the reference was taken without. The evidence is None where
    there was nothing to look at.
    """
    unsure = on_uncertainty_s if isinstance(on_uncertainty_s, tuple) else (on_uncertainty_s,) * 2
    capture = ready_capture(volts, dt_s, on_s, unsure, lowest_v, highest_v, lsb_v)
    if not capture.is_usable:
        return SwitchOnVerdict("not observed", why=why_nothing(capture), cause=cause_of_nothing(capture)), None
    if reference is None:
        evidence = evidence_alone(capture, relay_delay_s)
    else:
        volts_then, dt_then_s, on_then_s = reference
        healthy = _ready_once(
            np.asarray(volts_then, dtype=np.float64).tobytes(),
            (dt_then_s, on_then_s, capture.dt_s),
            reference_clipped,
            capture.own_dt_s,
            coupled_hz,
        )
        evidence = evidence_against(capture, healthy, a_min, late_tolerance_s)
    return verdict_on(evidence, a_min), evidence


def _verdict_of(examine: Callable[Words, tuple[SwitchOnVerdict, Evidence | None]]) -> Callable[Words, SwitchOnVerdict]:
    def judge(*volts: Words.args, **known: Words.kwargs) -> SwitchOnVerdict:
        """The verdict of ``examine_switch_on`` alone, of the same words."""
        return examine(*volts, **known)[0]

    return judge


judge_switch_on = _verdict_of(examine_switch_on)


@lru_cache(maxsize=16)
def _ready_once(
    volts: bytes, times_s: tuple[float, float, float], clipped: bool, own_dt_s: float, coupled_hz: float | None
) -> Healthy:
    """One reference serves many switch-ons: it is made ready once."""
    dt_s, on_s, wanted_dt_s = times_s
    series = np.frombuffer(volts)
    return ready_reference(
        series, dt_s, on_s, wanted_dt_s, clipped=clipped, own_dt_s=own_dt_s, coupled_hz=coupled_hz
    )


def verdict_on(evidence: Evidence, a_min: float = A_MIN) -> SwitchOnVerdict:
    """The rule itself."""
    true = _what_is_true(evidence)
    verdict, *also = [name for name in ORDER if name in true]
    size, hum = evidence.size, evidence.hum
    shown = size is not None and verdict != "not observed"
    return SwitchOnVerdict(
        verdict,
        tuple(also),
        size.ratio if size and shown else None,
        size.low if size and shown else None,
        size.high if size and shown else None,
        evidence.onset_s,
        evidence.course.final_v,
        hum.strongest_v if hum else None,
        hum.strongest_hz if hum and hum.is_there else None,
        evidence.steps,
        evidence.coverage,
        _probability(evidence, [verdict, *also]),
        sentence(verdict, tuple(also), evidence, a_min),
        evidence.onset_between_s[0] if evidence.onset_between_s else None,
        evidence.onset_between_s[1] if evidence.onset_between_s else None,
        evidence.lag_s if "late" in true else None,
        cause_in_words(evidence) if verdict == "not observed" else "",
    )


def _what_is_true(evidence: Evidence) -> set[str]:
    true = set()
    if (not evidence.found and not evidence.silent) or _hides_its_size(evidence):
        true.add("not observed")
    if evidence.never_settles:
        true.add("never settles")
    if evidence.hum_follows:
        true.add("hum follows")
    if evidence.found and evidence.lag_s > evidence.late_s:
        true.add("late")
    return true | _sizes_that_are_true(evidence)


def _hides_its_size(evidence: Evidence) -> bool:
    """Something came, and where the largest of it may have been nobody looked: it may be any size."""
    size = evidence.size
    if size is None or not evidence.found or math.isfinite(size.high) or size.low > SMALLER_BELOW:
        return False
    return evidence.coverage < ENOUGH_COVERAGE and evidence.cause in (DEAD_TIME, NOT_ARMED)


def _sizes_that_are_true(evidence: Evidence) -> set[str]:
    size = evidence.size
    if evidence.silent:
        return {"missing"}
    if not evidence.found:
        return set()
    if size is None:
        return {"size uncertain"}
    if size.high < MISSING_BELOW:
        return {"missing"}
    if size.high < SMALLER_BELOW:
        return {"smaller"}
    if size.low > LARGER_ABOVE:
        return {"larger"}
    return {"same"} if size.low >= SMALLER_BELOW and size.high <= LARGER_ABOVE else {"size uncertain"}


def _probability(evidence: Evidence, names: list[str]) -> float | None:
    for name in names:
        if name in _RANGES and evidence.size is not None:
            return evidence.size.chance_between(*_RANGES[name])
    return None


def _known(value: Any) -> Any:
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    return [_known(each) for each in value] if isinstance(value, tuple) else value


__all__ = ["Capture", "Evidence", "SwitchOnVerdict", "examine_switch_on", "judge_switch_on", "verdict_on"]
