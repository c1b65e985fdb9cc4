"""How much ripple a reservoir capacitor may have: the drawing's own limit, or I / (2 f C) from its network.

A full-wave rectifier charges it 2 f times a second, and in between the load takes I / (2 f) of charge out of it
(the usual bound; the capacitor is charged for a while, so a healthy one stays below it).
"""

from collections.abc import Iterator
from dataclasses import dataclass

from daemon.drawing import GROUND, Drawing, Part, Point

HIGHEST_60_HZ_V = 150.0  # nominal mains up to here is 60 Hz nearly everywhere (100 V also 50 Hz); common practice
PRINTED = "printed"
_PASSES_ON = {"resistor", "inductor", "fuse", "jumper", "connector", "joint"}
_CONTACTS = {"switch", "relay"}


@dataclass(frozen=True, slots=True)
class RippleLimit:
    """Volts peak to peak, and where they come from."""

    vpp: float
    because: str


def ripple_limit(point: Point, mode: str, drawing: Drawing) -> RippleLimit | None:
    """The limit at a point in a mode; None where the drawing neither prints one nor lets work one out."""
    if point.ripple_vpp is not None:
        return RippleLimit(point.ripple_vpp, PRINTED)
    if point.net is None or not _is_charged_from_the_mains(point.net, drawing):
        return None
    farad = sum(part.value or 0.0 for part in drawing.parts if part.kind == "capacitor" and _ends(part, point.net))
    ampere = _load_a(point.net, mode, drawing)
    if not farad or not ampere:
        return None
    mains_hz = 60.0 if (drawing.nominal_mains_v or 230.0) <= HIGHEST_60_HZ_V else 50.0
    because = f"{ampere * 1e3:.4g} mA / (2 x {mains_hz:g} Hz x {farad * 1e6:.4g} uF)"
    return RippleLimit(ampere / (2 * mains_hz * farad), because)


def _ends(part: Part, net: str) -> bool:
    return set(part.nets) == {net, GROUND}


def _is_charged_from_the_mains(net: str, drawing: Drawing) -> bool:
    """True where a rectifier or a source that stands for one lies right at the net."""
    return any(net in part.nets and part.kind in ("diode", "source") for part in drawing.parts)


def _load_a(net: str, mode: str, drawing: Drawing) -> float:
    """What all loads behind the net draw from it in a mode, amperes."""
    seen, waiting, ampere = {net}, [net], 0.0
    taken: set[str] = set()
    while waiting:
        here = waiting.pop()
        for part in drawing.parts:
            if here not in part.nets or part.name in taken:
                continue
            if part.kind == "load":
                taken.add(part.name)
                ampere += _drawn_a(part, here, mode, drawing)
            for there in _behind(part, here, mode):
                if there != GROUND and there not in seen and not _is_charged_from_the_mains(there, drawing):
                    seen.add(there)
                    waiting.append(there)
    return ampere


def _drawn_a(load: Part, net: str, mode: str, drawing: Drawing) -> float:
    if load.current_a is not None:
        return abs(load.current_a)
    volts = [point.printed_v.get(mode, 0.0) for point in drawing.points if point.net == net]
    return abs(volts[0]) / load.ohm if volts and load.ohm else 0.0


def _behind(part: Part, net: str, mode: str) -> Iterator[str]:
    """Where current that enters a part at ``net`` comes out."""
    if part.kind in _PASSES_ON or (part.kind in _CONTACTS and mode in part.closed_in):
        yield from (other for other in part.nets if other != net)
    elif part.kind == "selector" and mode in part.contact_in:
        both = {part.nets[0], part.contact_in[mode]}
        yield from both - {net} if net in both else ()
    elif part.kind == "regulator" and net == part.nets[0]:
        yield part.nets[1]
    elif part.kind in ("npn", "pnp") and net == part.nets[0]:
        yield part.nets[2]
