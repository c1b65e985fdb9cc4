"""Is a settled reading inside what the drawing prints?

Expected value = printed x mains (only where the point follows it) x loading by the meter in hand.
The limits of error ``a`` of the meter are taken as rectangular, u = a / sqrt(3) (JCGM 100:2008, the GUM,
4.3.7); the guard band is U = 2 u as in ILAC-G8:09/2019, 4.2.3; the chance of lying inside the tolerance
follows JCGM 106:2012 with a normal distribution.
"""

import math
from dataclasses import dataclass, fields
from typing import Any

from daemon.drawing import Drawing, Point
from daemon.judge.ripple_limit import PRINTED, ripple_limit
from drivers.readings import Quantity

NOT_COMPARED = "not compared"
OFF = "the unit draws no current: it is off"
NOT_AS_DRAWN = "the drawing's volts are not to be expected"
ZERO_TOLERANCE_V = 0.05  # common practice, no source: an output printed 0 V is let pass up to 50 mV
# Mains anywhere in 230 V +-10 % (IEC 60038), rectangular: 10 % / sqrt(3).
UNMEASURED_MAINS_PERCENT = 5.8
SAWTOOTH_VPP = math.sqrt(12)  # peak to peak of a sawtooth in its rms (Fourier series)


@dataclass(frozen=True, slots=True)
class Expected:
    """What a reading is held against, in the reading's unit. ``low`` is None for a one-sided limit."""

    value: float
    low: float | None
    high: float
    tolerance_v: float
    compared_with: str


@dataclass(frozen=True, slots=True)
class NotCompared:
    """Why a reading is not held against the drawing: a whole sentence."""

    why: str


@dataclass(frozen=True, slots=True)
class Judgement:
    """``verdict`` is inside, probably inside, probably outside, outside or not compared."""

    verdict: str
    expected: float | None
    low: float | None
    high: float | None
    chance_inside: float | None
    compared_with: str

    def as_dict(self) -> dict[str, Any]:
        """The judgement as the state and the screens carry it."""
        return {name: getattr(self, name) for name in _PARTS}


_PARTS = tuple(field.name for field in fields(Judgement))  # plain values, asked for at every look at the state


def expect(
    point: Point | None,
    mode: str,
    condition: str,
    mains_v: float | None,
    drawing: Drawing,
    meter_ohm: float = 1e7,
    quantity: Quantity = Quantity.DC_V,
    altered: str = "",
) -> Expected | NotCompared:
    """What the drawing lets expect of ``quantity`` at ``point``, or why nothing can be expected.

    ``altered`` says where the unit is not as drawn ("R5 is lifted"); "" where it is.
    """
    if point is None:
        return NotCompared("not on the drawing, or the leg is not told")
    if mode.casefold() == "off":
        return NotCompared("the unit is off: printed values do not hold")
    held = why_printed_values_do_not_hold(condition)
    if held is not None:
        return NotCompared(held)
    found = _expect_of(point, mode, mains_v, drawing, meter_ohm, quantity)
    return NotCompared(why_not_as_drawn(altered)) if altered and isinstance(found, Expected) else found


def _expect_of(
    point: Point, mode: str, mains_v: float | None, drawing: Drawing, meter_ohm: float, quantity: Quantity
) -> Expected | NotCompared:
    if quantity in (Quantity.RIPPLE, Quantity.AC_V):
        return _expect_ripple(point, mode, drawing, quantity)
    if quantity is not Quantity.DC_V:
        return NotCompared(f"the drawing prints DC volts; this is {quantity.value}")
    printed = point.printed_v.get(mode)
    if printed is None:
        return NotCompared(f"no value printed for {_name(point)} in {mode}")
    return _expect_volts(point, printed, mains_v, drawing, meter_ohm)


def why_printed_values_do_not_hold(condition: str) -> str | None:
    """None where the unit is fed as the drawing means it (direct, isolation), else the reason."""
    words = condition.casefold()
    if "lamp" in words:
        return "fed through the lamp: printed values do not hold"
    if "variable" in words:
        return "fed through the variable transformer: printed values do not hold"
    if words.strip() == "off":
        return "the unit is not fed: printed values do not hold"
    if "direct" in words or "isolation" in words:
        return None
    return f"fed by {condition!r}: printed values are only believed with direct or isolation"


def why_not_as_drawn(altered: str) -> str:
    """The reason to stand in a verdict's place while ``altered`` holds of the unit."""
    return f"{altered}: {NOT_AS_DRAWN}"


def judge(value: float, half_width: float, expected: Expected | NotCompared, type_a: float = 0.0) -> Judgement:
    """Verdict on ``value`` whose meter is good to +-``half_width``; ``type_a`` is the scatter's own u."""
    if isinstance(expected, NotCompared) or not math.isfinite(value):
        why = expected.why if isinstance(expected, NotCompared) else "no value: beyond the meter's range"
        return Judgement(NOT_COMPARED, None, None, None, None, why)
    u = math.hypot(half_width / math.sqrt(3), type_a)
    distance = _distance_outside(value, expected)
    if expected.low is None and 2 * u > expected.high and distance <= 2 * u:
        # One-sided limits start at zero: what is coarser than the limit itself cannot tell the sides apart.
        why = f"{expected.compared_with}; this range is too coarse to tell: turn to a finer one"
        return Judgement(NOT_COMPARED, expected.value, expected.low, expected.high, None, why)
    chance = _chance_inside(value, u, expected)
    note = expected.compared_with if half_width else f"{expected.compared_with}; meter taken as exact"
    return Judgement(
        _verdict(distance, 2 * u), expected.value, expected.low, expected.high, chance, note
    )


def _expect_ripple(point: Point, mode: str, drawing: Drawing, quantity: Quantity) -> Expected | NotCompared:
    limit = ripple_limit(point, mode, drawing)
    if limit is None and quantity is Quantity.AC_V:
        return NotCompared(f"the drawing prints DC volts; this is {quantity.value}")
    if limit is None:
        return NotCompared(f"no ripple limit printed for {_name(point)}")
    because = f"printed for {_name(point)}" if limit.because == PRINTED else f"at {_name(point)}: {limit.because}"
    text = f"at most {_volts(limit.vpp)}pp ripple {because}"
    if quantity is Quantity.RIPPLE:
        return Expected(limit.vpp, None, limit.vpp, 0.0, text)
    most = limit.vpp / SAWTOOTH_VPP
    return Expected(most, None, most, 0.0, f"{text}, as a sawtooth {_volts(most)} rms")


def _expect_volts(
    point: Point, printed: float, mains_v: float | None, drawing: Drawing, meter_ohm: float
) -> Expected:
    text = f"{_volts(printed)} printed for {_name(point)}"
    if printed == 0:
        tolerance = ZERO_TOLERANCE_V
        text += f", +-{_volts(tolerance)} (common practice for a printed 0)"
        return Expected(0.0, -tolerance, tolerance, tolerance, text)
    percent, value = drawing.tolerance_of(point), printed
    note = f"{percent:g} %"
    if point.follows_mains and mains_v and drawing.nominal_mains_v:
        value *= mains_v / drawing.nominal_mains_v
        text += f" x mains {mains_v:.4g}/{drawing.nominal_mains_v:g}"
    elif point.follows_mains:
        percent += UNMEASURED_MAINS_PERCENT
        note += f" and {UNMEASURED_MAINS_PERCENT} % because the mains is not measured"
    loading = _loading(meter_ohm, point.source_ohm) / _loading(drawing.meter_ohm, point.source_ohm)
    if abs(loading - 1) > 5e-4:
        value *= loading
        text += f" x loading {loading:.3f}"
    tolerance = abs(value) * percent / 100
    shown = f" = {_volts(value)}" if value != printed else ""
    return Expected(value, value - tolerance, value + tolerance, tolerance, f"{text}{shown}, {note}")


def _loading(meter_ohm: float, source_ohm: float) -> float:
    return meter_ohm / (meter_ohm + source_ohm)


def _distance_outside(value: float, expected: Expected) -> float:
    """How far beyond the nearer limit; negative inside."""
    above = value - expected.high
    return above if expected.low is None else max(above, expected.low - value)


def _verdict(distance_outside: float, guard: float) -> str:
    if distance_outside <= 0:
        return "inside" if distance_outside <= -guard else "probably inside"
    return "probably outside" if distance_outside <= guard else "outside"


def _chance_inside(value: float, u: float, expected: Expected) -> float:
    if u == 0:
        return 1.0 if _distance_outside(value, expected) <= 0 else 0.0
    below = 0.0 if expected.low is None else _normal_cdf((expected.low - value) / u)
    return max(0.0, _normal_cdf((expected.high - value) / u) - below)


def _normal_cdf(z: float) -> float:
    return 0.5 * math.erfc(-z / math.sqrt(2))


def _name(point: Point) -> str:
    return f"{point.name} ({point.leg})" if point.leg else point.name


def _volts(value: float) -> str:
    return f"{value:.4g} V" if abs(value) >= 0.1 or value == 0 else f"{value * 1e3:.4g} mV"
