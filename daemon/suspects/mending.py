"""What was done to the unit, which faults it takes away while it holds, and where the network is no longer as drawn."""

from collections.abc import Iterable
from dataclasses import dataclass

from daemon.drawing import Drawing
from daemon.suspects.altered import LIKE, LINK, OUT, Altered
from daemon.suspects.readings import Seen
from daemon.suspects.worlds import Hypothesis

# A part replaced, a bypass put in (a link, a substitute, another feed) and taken away, a part lifted and put back.
MENDED, BYPASSED, UNMENDED, LIFTED, BACK = "mended", "bypassed", "unmended", "lifted", "back"
TESTED = "good"
DONE_FOR_GOOD = frozenset({MENDED, BYPASSED, UNMENDED})
DONE = DONE_FOR_GOOD | {LIFTED, BACK}
# What leads past a part helps where the part lets nothing through, and never where it lets too much through.
LED_PAST = frozenset({"open", "high resistance", "no output", "dead", "low"}) | frozenset(
    {"feed open", "feed weak", "source dead", "source low", "transistor open"}  # where only printed volts are known
)
# Led past, a sound one of these reads no otherwise: it only mends.
FED_ELSEWHERE = frozenset({"source", "regulator", "selector"})
READS_ALIKE = FED_ELSEWHERE | {"fuse", "jumper", "connector", "joint", "capacitor"}
THREE_LEGGED = frozenset({"npn", "pnp", "regulator", "selector"})
BY_A_LINK = frozenset({"switch", "relay"})
Done = frozenset[tuple[str, str]]  # parts, and how each was mended
Parts = frozenset[tuple[str, str]]  # parts, each with a word: a leg ("" all), or what lies across


@dataclass(frozen=True, slots=True)
class Work:
    """What was done and still holds: parts ``replaced``, ``bypassed`` and ``lifted``."""

    replaced: frozenset[str] = frozenset()
    bypassed: Parts = frozenset()
    lifted: Parts = frozenset()

    def after(self, seen: Seen) -> "Work":
        """What holds once this was done too; a part's last word counts."""
        part, own = seen.point, frozenset({(seen.point, seen.how)})
        replaced, bypassed = self.replaced - {part}, _without(self.bypassed, part)
        if seen.quantity == LIFTED:
            return Work(self.replaced, self.bypassed, _without(self.lifted, part) | own)
        if seen.quantity == BACK:
            return Work(self.replaced, self.bypassed, _without(self.lifted, part))
        if seen.quantity == MENDED:
            return Work(replaced | {part}, bypassed, _without(self.lifted, part))
        return Work(replaced, bypassed | own if seen.quantity == BYPASSED else bypassed, self.lifted)

    def words(self) -> str:
        """What holds while a reading is taken, to stand behind it; "" where nothing does."""
        told = [(sorted(part for part, _ in self.bypassed), "bypassed"), (sorted(p for p, _ in self.lifted), "lifted")]
        said = [f"{' and '.join(names)} {how}" for names, how in told if names]
        return f" with {' and '.join(said)}" if said else ""


@dataclass(frozen=True, slots=True)
class State:
    """What that makes of the unit: faults that are ``done`` with, and the network ``altered``; ``untold`` names what
    the network cannot have (each with the reason, to stand behind the name): then no volts mean anything."""

    done: Done = frozenset()
    altered: Altered = frozenset()
    untold: Parts = frozenset()


AS_IT_CAME = State()


def state_of(work: Work, drawing: Drawing) -> State:
    """The unit's state under what was done to it."""
    kinds = {part.name: part.kind for part in drawing.parts}
    untold = frozenset((part, why) for part, leg in work.lifted if (why := _why_untold(part, leg, drawing)))
    out = {part for part, _ in work.lifted}
    done, altered = {(part, MENDED) for part in work.replaced}, {(part, OUT) for part in out}
    for part, how in work.bypassed:
        kind = kinds.get(part, "")
        if part not in out and (not kind or kind in FED_ELSEWHERE or (kind in READS_ALIKE and how != LINK)):
            done.add((part, BYPASSED))
        elif kind in FED_ELSEWHERE:
            untold |= {(part, "is lifted, with another feed in its place")}
        elif part not in out and kind in READS_ALIKE - {"capacitor"}:
            done.add((part, BYPASSED))
        else:
            altered.add((part, how or (LINK if kind in BY_A_LINK else LIKE)))
    return State(frozenset(done), frozenset(altered), untold)


def _why_untold(part: str, leg: str, drawing: Drawing) -> str:
    if not drawing.parts:
        return "is lifted, and only printed volts are known"
    kind = next((each.kind for each in drawing.parts if each.name == part), None)
    if kind is None:
        return "is lifted and not in the drawing's network"
    return f"is lifted at one leg only ({leg})" if leg and kind in THREE_LEGGED else ""


def tested_parts(evidence: Iterable[Seen]) -> dict[str, bool]:
    """Parts that were tested by themselves, and whether they were good, the last time; a new part is untested."""
    found: dict[str, bool] = {}
    for seen in evidence:
        if seen.quantity == TESTED:
            found[seen.point] = bool(seen.value)
        elif seen.quantity == MENDED:
            found.pop(seen.point, None)
    return found


def _without(parts: Parts, name: str) -> Parts:
    return frozenset(each for each in parts if each[0] != name)


def is_mended(hypothesis: Hypothesis, done: Done) -> bool:
    """True where every fault of a hypothesis is taken away."""
    faults = hypothesis.fault.split(" + ")
    if len(faults) == 1:  # one part, or one whose legs are points of a drawing without a network
        return any(_takes_away(part, faults[0], done) for part in hypothesis.parts)
    return all(_takes_away(part, fault, done) for part, fault in zip(hypothesis.parts, faults, strict=True))


def _takes_away(part: str, fault: str, done: Done) -> bool:
    return (part, MENDED) in done or ((part, BYPASSED) in done and fault in LED_PAST)
