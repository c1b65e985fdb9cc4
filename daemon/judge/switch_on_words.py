"""The sentence that says why: what was compared with what, and what else was seen."""

import math

from daemon.judge.capture import Capture
from daemon.judge.causes import CLIPPING, COUPLING, DEAD_TIME, NOT_ARMED, RATE
from daemon.judge.evidence import Evidence
from daemon.judge.sizes import Size


def why_nothing(capture: Capture) -> str:
    """Why a record cannot be looked at."""
    if len(capture.seen) and not capture.seen.any():
        return "Not observed: every sample is clipped, the point is out of the scope's range."
    if capture.ends_before:
        return "Not observed: the record ends before the switch-on."
    if capture.begins_long_after:
        return f"Not observed: the record begins {-capture.latest * capture.dt_s:.3g} s after the switch-on."
    return "Not observed: the record has too few samples."


def cause_of_nothing(capture: Capture) -> str:
    """The same in a word."""
    return "range" if len(capture.seen) and not capture.seen.any() else NOT_ARMED


def cause_in_words(evidence: Evidence) -> str:
    """Why a kick would not have been seen, in a word or a few."""
    if evidence.capture.on >= len(evidence.capture.volts):
        return NOT_ARMED
    return evidence.cause if evidence.healthy is not None else "no reference"


def sentence(verdict: str, also: tuple[str, ...], evidence: Evidence, a_min: float) -> str:
    """One or more whole sentences for a verdict."""
    parts = [_main(verdict, evidence, a_min)]
    if "never settles" in (verdict, *also):
        parts.append(_where_it_ends(evidence))
    if "hum follows" in (verdict, *also):
        parts.append(_hum(evidence))
    if "late" in (verdict, *also) and verdict != "late":
        parts.append(_late(evidence))
    if evidence.size is not None and evidence.healthy is not None and evidence.healthy.clipped:
        parts.append("The reference itself is clipped: take a new one on a wider range.")
    if evidence.capture.clipped.any():
        share = float(evidence.capture.clipped.mean())
        parts.append(f"{share:.1%} of the record is clipped and was not counted.")
    if evidence.steps:
        steps = ", ".join(f"{volts:+.3g} V at {at_s:.2f} s" for at_s, volts in evidence.steps[:3])
        parts.append(f"Later steps: {steps}.")
    return " ".join(parts)


def _main(verdict: str, evidence: Evidence, a_min: float) -> str:
    if verdict == "not observed":
        return f"Not observed: {_why_not_observed(evidence, a_min)}"
    if evidence.silent:
        return (
            f"Nothing came, though a kick of {a_min:.0%} of the reference would have stood out"
            f" {_sigma(evidence.would_show)} where {evidence.needed:.1f} are needed."
        )
    if evidence.size is None or evidence.healthy is None:
        return _without_reference(evidence)
    if verdict == "late":
        return f"{_late(evidence)} {_size(evidence, evidence.size)}"
    return _size(evidence, evidence.size)


def _size(evidence: Evidence, size: Size) -> str:
    assert evidence.healthy is not None
    peak_v = evidence.healthy.course.peak_v
    own_v = math.copysign(size.ratio * peak_v, evidence.course.peak_v) if size.by_shape else evidence.course.peak_v
    interval = f"99 % interval {_percent(size.low)} to {_percent(size.high)}"
    course = "" if size.by_shape else ", with another course than the reference's"
    turned = " It goes the other way round." if own_v * peak_v < 0 else ""
    return (
        f"The kick is {_volts(own_v)} where the reference has {_volts(peak_v)}:"
        f" {_percent(size.ratio)} ({interval}){course}.{turned}"
    )


def _without_reference(evidence: Evidence) -> str:
    return (
        f"Something came {_after(evidence.onset_s)}, largest {_volts(evidence.course.peak_v)};"
        " there is no reference of this point and mode, so its size says nothing yet."
    )


def _why_not_observed(evidence: Evidence, a_min: float) -> str:
    capture = evidence.capture
    if capture.on >= len(capture.volts):
        return "the record ends before the switch-on."
    if evidence.healthy is None and evidence.muted_s:
        return (
            f"a relay or mute keeps this point quiet for {evidence.muted_s:g} s after switch-on, and nothing stands"
            " out of the noise after that: look at a point before it."
        )
    if evidence.healthy is None:
        return (
            "nothing stands out of the noise, and without a reference of this point and mode"
            " silence cannot be told from a kick too small to see."
        )
    seen = f"only {evidence.coverage:.0%} of where the kick would be"
    if evidence.cause == CLIPPING:
        return f"clipping; {seen} is in range."
    if evidence.cause in (DEAD_TIME, NOT_ARMED):
        came = f" Of what came, {_volts(evidence.course.peak_v)} was seen." if evidence.found else ""
        return f"{evidence.cause}; {seen} was captured.{came}"
    if evidence.cause == RATE:
        return f"rate too low for the shape: samples {capture.own_dt_s * 1e3:.3g} ms apart may miss the kick."
    if evidence.cause == COUPLING:
        share = evidence.healthy.coupling_share
        return f"coupling; the AC-coupled input lets {share:.0%} of the kick's energy through."
    return (
        f"noise; a kick of {a_min:.0%} of the reference would stand out {_sigma(evidence.would_show)}"
        f" where {evidence.needed:.1f} are needed."
    )


def _where_it_ends(evidence: Evidence) -> str:
    ends = f"It does not settle: it ends at {_volts(evidence.course.final_v)}"
    return f"{ends}, the reference at {_volts(evidence.healthy_final_v)}." if evidence.healthy else f"{ends}."


def _hum(evidence: Evidence) -> str:
    hum = evidence.hum
    assert hum is not None
    text = f"Hum of {hum.strongest_hz:.0f} Hz stays, {_volts(hum.peak_to_peak_v)}pp"
    if evidence.healthy is None:
        return f"{text}."
    usual = evidence.healthy.hum
    usual_text = f"{_volts(usual.peak_to_peak_v)}pp" if usual and usual.is_there else "none to be seen"
    return f"{text}; the reference has {usual_text}."


def _late(evidence: Evidence) -> str:
    return (
        f"It comes {evidence.lag_s:.2f} s later than the reference;"
        f" up to {evidence.late_s:.2f} s is within what is known of the switch-on."
    )


def _after(onset_s: float | None) -> str:
    if onset_s is None:
        return "at an unknown time"
    return f"{max(onset_s, 0):.2f} s after switch-on"


def _sigma(times: float) -> str:
    return "more than 1000 sigma" if times > 1000 else f"{times:.1f} sigma"


def _percent(ratio: float) -> str:
    return f"{ratio * 100:.3g} %" if math.isfinite(ratio) else "unlimited"


def _volts(volts: float) -> str:
    return f"{volts:.3g} V" if abs(volts) >= 0.1 or volts == 0 else f"{volts * 1e3:.3g} mV"
