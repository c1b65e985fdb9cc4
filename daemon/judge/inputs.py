"""What a scope's input coupling did to a record, and whether a reference taken otherwise can be held against it."""

from drivers.readings import Trace

# AC coupling of scopes begins at 3 to 10 Hz, a 10:1 probe lowers that tenfold: common practice, no source.
AC_CORNER_HZ = 7.0
CUT_OFF = "GND"


def corner_hz(trace: Trace) -> float | None:
    """Corner of the high-pass between the point and the converter, Hz; None where it is coupled directly."""
    return AC_CORNER_HZ / max(trace.probe_factor or 1.0, 1.0) if trace.coupling == "AC" else None


def is_cut_off(trace: Trace) -> bool:
    """True where the input was switched to ground: the flat line says nothing of the point."""
    return trace.coupling == CUT_OFF


def comparable(trace: Trace, reference: Trace) -> bool:
    """A reference that lost its slow part tells nothing of a record that has it."""
    return not (reference.coupling == "AC" and trace.coupling != "AC") and not is_cut_off(reference)
