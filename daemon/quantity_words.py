"""Quantities and amounts in words, as a colleague would say them. Pure."""

import math

from drivers.readings import Flag, Quantity

_PREFIXES = {-12: "p", -9: "n", -6: "µ", -3: "m", 0: "", 3: "k", 6: "M", 9: "G"}
_FUNCTIONS = {
    Quantity.DC_V: "DC volts",
    Quantity.AC_V: "AC volts",
    Quantity.DC_A: "DC amperes",
    Quantity.AC_A: "AC amperes",
    Quantity.OHM: "ohms",
    Quantity.OHM_4W: "ohms on four wires",
    Quantity.CONTINUITY: "continuity",
    Quantity.DIODE: "diode",
    Quantity.FREQUENCY: "frequency",
    Quantity.PERIOD: "period",
    Quantity.CAPACITANCE: "capacitance",
    Quantity.TEMPERATURE: "temperature",
}


def function_words(quantity: Quantity) -> str:
    """What a meter is turned to."""
    return _FUNCTIONS.get(quantity, quantity.value)


def amount(value: float, unit: str, flags: Flag = Flag.NONE) -> str:
    """A value with its unit and the prefix that suits it; why there is none where there is none."""
    if Flag.OVERLOAD in flags:
        return "overload (beyond the range, or an open lead)"
    if not math.isfinite(value):
        return "no value"
    if unit in ("dBm", "%", "degC") or value == 0:
        return f"{value:.5g} {unit}"
    power = min(max(math.floor(math.log10(abs(value)) / 3) * 3, min(_PREFIXES)), max(_PREFIXES))
    return f"{value / 10**power:.5g} {_PREFIXES[power]}{unit}"
