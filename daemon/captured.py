"""A switch-on that a session keeps: judged against its reference, and opened for whoever wants to see how.

``facts`` are the data of the ``capture`` event. Both raise ``SessionError`` where the session does not hold what
they name.
"""

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from daemon.judge.evidence import Evidence
from daemon.judge.inputs import comparable, corner_hz, is_cut_off
from daemon.judge.pieces import examine_pieces
from daemon.judge.power_onset import power_onset
from daemon.judge.switch_on import SwitchOnVerdict
from daemon.records import SessionRecords
from drivers.errors import SessionError
from drivers.readings import Trace

CUT_OFF_INPUT = "Not observed: the scope's input was switched to ground, so its line is flat whatever the point does."
OTHER_COUPLING = "The reference was taken AC-coupled and this record was not: keep a new reference with DC coupling."
OPENED_POINTS = 400


def judge_capture(records: SessionRecords, facts: Mapping[str, Any]) -> dict[str, Any]:
    """The verdict on one capture as plain JSON values."""
    return _examined(records, facts)[0].as_dict()


def opened(records: SessionRecords, capture: int) -> dict[str, Any]:
    """How the verdict on a capture came about, in at most ``OPENED_POINTS`` stretches.

    ``rows`` are [seconds after switch-on, lowest and highest volts, model, reference or None, lowest and highest of
    what the model leaves; None where nothing was captured]. ``window_s`` is where the switch-on may have been.
    """
    facts = next((each for each in records.events("capture")["data"] if each.get("capture") == capture), None)
    if facts is None:
        raise SessionError(f"{records.path} has no switch-on capture {capture}.")
    verdict, evidence = _examined(records, facts)
    compared = facts.get("compared_with") or "nothing: there was no reference of this point and mode"
    head = {"capture": capture, "verdict": verdict.verdict, "why": verdict.why, "compared_with": compared}
    if evidence is None:
        return head | {"rows": [], "coverage": 0.0, "window_s": None, "sigma_v": None}
    seen = evidence.capture
    window_s = [(at - seen.on) * seen.dt_s for at in (seen.earliest, seen.latest)]
    return head | {
        "rows": _rows(evidence),
        "coverage": evidence.coverage,
        "window_s": window_s,
        "sigma_v": evidence.sigma_v,
        "would_show": evidence.would_show if evidence.healthy else None,
        "needed": evidence.needed,
    }


def _rows(evidence: Evidence) -> list[list[float | None]]:
    seen, n = evidence.capture, len(evidence.capture.volts)
    firsts = np.unique(np.linspace(0, n, min(OPENED_POINTS, n), endpoint=False).astype(np.int64))
    volts = np.where(seen.seen | seen.clipped, seen.volts, np.nan)
    left = np.where(seen.seen, seen.volts - evidence.model_v, np.nan)
    reference = _reference_v(evidence)
    columns: list[NDArray[np.float64]] = [
        np.asarray((firsts - seen.on) * seen.dt_s, dtype=np.float64),
        np.fmin.reduceat(volts, firsts),
        np.fmax.reduceat(volts, firsts),
        evidence.model_v[firsts],
        reference[firsts],
        np.fmin.reduceat(left, firsts),
        np.fmax.reduceat(left, firsts),
    ]
    return [[_known(value) for value in row] for row in zip(*(column.tolist() for column in columns), strict=True)]


def _known(value: float) -> float | None:
    return value if np.isfinite(value) else None


def _reference_v(evidence: Evidence) -> NDArray[np.float64]:
    """The reference with its switch-on at this one's; not a number where there is none."""
    seen, healthy = evidence.capture, evidence.healthy
    if healthy is None:
        return np.full(len(seen.volts), np.nan)
    at = np.arange(len(seen.volts)) - seen.on + healthy.shape.lead
    inside = (at >= 0) & (at < len(healthy.shape.volts))
    shape = healthy.shape.volts[np.clip(at, 0, len(healthy.shape.volts) - 1)]
    return np.where(inside, shape + evidence.level_v, np.nan)


def _examined(records: SessionRecords, facts: Mapping[str, Any]) -> tuple[SwitchOnVerdict, Evidence | None]:
    trace = records.trace((facts.get("pieces") or [facts["capture"]])[-1])
    if is_cut_off(trace):
        return SwitchOnVerdict("not observed", why=CUT_OFF_INPUT, cause="coupling"), None
    reference = None if facts.get("reference") is None else records.trace(facts["reference"])
    note = ""
    if reference is not None and not comparable(trace, reference):
        reference, note = None, OTHER_COUPLING
    facts = _dated_by_power(records, facts)
    pieces = [records.trace(number) for number in facts.get("pieces") or ()] or [trace]
    unsure_us = facts.get("switch_on_half_width_us", 0)
    ends_v = sorted(code * trace.scale_v + trace.offset_v for code in (trace.lowest_code, trace.highest_code))
    against = None
    if reference is not None:
        unsure_us += reference.t0_half_width_us
        on_us = facts.get("reference_on_us") or reference.t0_us
        against = (reference.volts, reference.dt_s, (on_us - reference.t0_us) / 1e6)
    verdict, evidence = examine_pieces(
        pieces,
        facts["switch_on_t_us"],
        unsure_us,
        one_record=bool(facts.get("one_record")),
        reference=against,
        reference_clipped=reference is not None and _was_clipped(records, facts["reference"], reference),
        lowest_v=ends_v[0],
        highest_v=ends_v[1],
        lsb_v=abs(trace.scale_v),
        relay_delay_s=facts.get("relay_delay_s", 0.0),
        coupled_hz=None if reference is None or reference.coupling == "AC" else corner_hz(trace),
    )
    return replace(verdict, why=f"{verdict.why} {note}".strip()), evidence


def _dated_by_power(records: SessionRecords, facts: Mapping[str, Any]) -> Mapping[str, Any]:
    """With the moment at which a channel of the same record shows the power come on, where there is one."""
    if facts.get("power") is None:
        return facts
    power = records.trace(facts["power"])
    half_us = facts.get("switch_on_half_width_us", 0) + power.t0_half_width_us
    on_s = (facts["switch_on_t_us"] - power.t0_us) / 1e6
    found = power_onset(power.volts, power.dt_s, on_s, half_us / 1e6, abs(power.scale_v))
    if found is None:
        return facts
    # Both channels are of one record: where it lies on the time line does not matter between them.
    dated = {"switch_on_t_us": power.t0_us + round(found[0] * 1e6), "switch_on_half_width_us": round(found[1] * 1e6)}
    return {**facts, **dated, "one_record": True}


def _was_clipped(records: SessionRecords, capture: int, reference: Trace) -> bool:
    """Only a scope's own codes tell: a reference read from a file fills its codes from end to end."""
    captures = records.captures()
    by_scope = captures[(captures["id"] == capture) & (captures["instrument"] != "")]
    return reference.clipped and len(by_scope) > 0
