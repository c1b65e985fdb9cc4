"""Signs that are no reading: heat, and a person's own proof.

All chances are common practice, no source; each is far from certain, so that no single sign decides.
"""

from daemon.suspects.net import Floats
from daemon.suspects.readings import Seen
from daemon.suspects.worlds import Hypothesis, Table

HEAT, PROOF = "heat", "proof"
HOT_FAULTS = ("short", "leaky", "too much", "passes its input", "pulled down")


def is_sign(seen: Seen) -> bool:
    """True where ``sign_likelihood`` has the word."""
    return seen.quantity in (HEAT, PROOF)


def sign_likelihood(table: Table, seen: Seen) -> Floats:
    """Of a sign in every world; ``value`` 1 where it shows, 0 where it does not."""
    found = table.of_world([chance_of(seen.quantity, seen.point, each) for each in table.hypotheses])
    return found if seen.value else 1 - found


def chance_of(quantity: str, name: str, hypothesis: Hypothesis) -> float:
    """How often the sign shows at the part or node of this name, if the hypothesis is true."""
    mine = name in hypothesis.parts
    if quantity == PROOF:  # with the part bypassed, lifted or replaced the fault went, and came back without
        return 0.9 if mine else 0.03
    # A sound resistor beside a short gets hot as well.
    return 0.6 if mine and any(word in hypothesis.fault for word in HOT_FAULTS) else 0.15
