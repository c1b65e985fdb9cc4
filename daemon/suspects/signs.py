"""Signs that are no reading of volts: heat, a person's own proof, and ohms where only printed volts are known.

All chances are common practice, no source; each is far from certain, so that no single sign decides.
"""

from daemon.drawing import Drawing
from daemon.suspects.net import Floats
from daemon.suspects.readings import HALVES, Seen, place_of
from daemon.suspects.worlds import Hypothesis, Table

HEAT, PROOF, OHMS = "heat", "proof", "ohm_off"
HOT_FAULTS = ("short", "leaky", "too much", "passes its input", "pulled down")
NEARLY_SHORT_OHM = 10.0


def is_sign(seen: Seen, drawing: Drawing) -> bool:
    """True where ``sign_likelihood`` has the word."""
    return seen.quantity in (HEAT, PROOF) or (seen.quantity == OHMS and not drawing.parts)


def sign_likelihood(table: Table, drawing: Drawing, seen: Seen) -> Floats | None:
    """Of a sign in every world; ``value`` 1 where it shows (of ohms: below 10 ohm), 0 where it does not."""
    shows = bool(seen.value) if seen.quantity != OHMS else seen.value < NEARLY_SHORT_OHM
    if seen.quantity == OHMS:
        point = None if HALVES in seen.point else place_of(seen.point, drawing)
        if point is None:
            return None
        found = table.of_world([chance_of(OHMS, point.name, each) for each in table.hypotheses])
    else:
        found = table.of_world([chance_of(seen.quantity, seen.point, each) for each in table.hypotheses])
    return found if shows else 1 - found


def chance_of(quantity: str, name: str, hypothesis: Hypothesis) -> float:
    """How often the sign shows at the part or node of this name, if the hypothesis is true."""
    mine = name in hypothesis.parts
    if quantity == PROOF:  # with the part bypassed, lifted or replaced the fault went, and came back without
        return 0.9 if mine else 0.03
    if quantity == HEAT:  # a sound resistor beside a short gets hot as well
        return 0.6 if mine and any(word in hypothesis.fault for word in HOT_FAULTS) else 0.15
    return 0.7 if mine and "pulled down" in hypothesis.fault else 0.1
