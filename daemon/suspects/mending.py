"""What was done to the unit, and which faults it takes away while it holds."""

from daemon.suspects.worlds import Hypothesis

# A part replaced, a bypass put in (a link, a substitute, another feed), and the bypass taken away again.
MENDED, BYPASSED, UNMENDED = "mended", "bypassed", "unmended"
DONE = frozenset({MENDED, BYPASSED, UNMENDED})
# What leads past a part helps where the part lets nothing through, and never where it lets too much through.
LED_PAST = frozenset({"open", "high resistance", "no output", "dead", "low"}) | frozenset(
    {"feed open", "feed weak", "source dead", "source low", "transistor open"}  # where only printed volts are known
)
Done = frozenset[tuple[str, str]]  # parts, and how each was mended


def after(done: Done, part: str, quantity: str) -> Done:
    """What holds once this was done too; a part's last word counts."""
    others = frozenset(each for each in done if each[0] != part)
    return others if quantity == UNMENDED else others | {(part, quantity)}


def is_mended(hypothesis: Hypothesis, done: Done) -> bool:
    """True where every fault of a hypothesis is taken away."""
    faults = hypothesis.fault.split(" + ")
    if len(faults) == 1:  # one part, or one whose legs are points of a drawing without a network
        return any(_takes_away(part, faults[0], done) for part in hypothesis.parts)
    return all(_takes_away(part, fault, done) for part, fault in zip(hypothesis.parts, faults, strict=True))


def _takes_away(part: str, fault: str, done: Done) -> bool:
    return (part, MENDED) in done or ((part, BYPASSED) in done and fault in LED_PAST)
