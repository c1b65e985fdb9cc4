"""What a bench meter can be turned to: names, ranges and counts of each function."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Function:
    """One function: its headers below MEASure, CONFigure and SENSe, its short name, its ranges."""

    series: str
    header: str
    short: str
    unit: str
    ranges: tuple[float, ...]


def _decades(first: float, count: int) -> tuple[float, ...]:
    return tuple(float(f"{first * 10**power:.3g}") for power in range(count))


FUNCTIONS = {
    function.series: function
    for function in (
        Function("dc_v", ":VOLTage[:DC]", "VOLT", "V", _decades(0.6, 4)),
        Function("ac_v", ":VOLTage:AC", "VOLT:AC", "V", _decades(0.6, 4)),
        Function("dc_a", ":CURRent[:DC]", "CURR", "A", _decades(0.006, 4)),
        Function("ac_a", ":CURRent:AC", "CURR:AC", "A", _decades(0.006, 4)),
        Function("ohm", ":RESistance", "RES", "OHM", _decades(600, 6)),
        Function("ohm_4w", ":FRESistance", "FRES", "OHM", _decades(600, 6)),
        Function("continuity_ohm", ":CONTinuity", "CONT", "OHM", (600.0,)),
        Function("diode_v", ":DIODe", "DIOD", "V", (6.0,)),
        Function("frequency_hz", ":FREQuency", "FREQ", "HZ", _decades(60, 6)),
        Function("period_s", ":PERiod", "PER", "S", _decades(6e-4, 4)),
        Function("capacitance_f", ":CAPacitance", "CAP", "F", _decades(6e-9, 8)),
    )
}


def fitting_range(function: Function, value: float, now: float | None) -> float | None:
    """The range that auto-range ends on from ``now``; None when the value is beyond them all.

    A range is left upwards when the value is beyond it and downwards below 9.5 % of it, so
    that a value on the border does not hunt.
    """
    if now is not None and 0.095 * now <= abs(value) <= now:
        return now
    fitting = next((r for r in function.ranges if abs(value) <= r), None)
    if fitting is not None and now is not None and fitting < now and abs(value) >= 0.095 * now:
        return now
    return fitting
