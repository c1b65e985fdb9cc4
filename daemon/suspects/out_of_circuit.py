"""What is lifted, in sentences: whether what is read meanwhile counts, and if not, why."""

from collections.abc import Iterator
from dataclasses import dataclass

from daemon.suspects.infer import OF_A_PART, Posterior
from daemon.suspects.mending import DONE, THREE_LEGGED


@dataclass(frozen=True, slots=True)
class Lifted:
    """One part that is lifted, or was, and readings since are left out. ``said`` is a sentence."""

    part: str
    lifted: bool
    counts: bool
    said: str


def lifted_parts(posterior: Posterior) -> list[Lifted]:
    """Every part that is lifted now, and what was left out of each that is back."""
    return [*_now(posterior), *_before(posterior)]


def _now(posterior: Posterior) -> Iterator[Lifted]:
    untold = dict(posterior.state.untold)
    kinds = {part.name: part.kind for part in posterior.drawing.parts}
    for part, _leg in sorted(posterior.work.lifted):
        if part in untold:
            yield Lifted(part, True, False, f"{part} {untold[part]}: what is read meanwhile is left out.")
        elif untold:
            yield Lifted(part, True, False, f"{part} is lifted as well.")
        elif posterior.wanting:
            said = f"{part} is lifted: what was read since counts once the network without it is worked out."
            yield Lifted(part, True, False, said)
        else:
            legs = ", with all of its legs," if kinds[part] in THREE_LEGGED else ""
            said = f"{part} is lifted: what is read is held against the network without it{legs} until it is said to be"
            yield Lifted(part, True, True, f"{said} back.")


def _before(posterior: Posterior) -> Iterator[Lifted]:
    """Parts that are back, and cost readings while they were not."""
    still = {part for part, _ in posterior.work.lifted}
    cost: dict[tuple[str, str], int] = {}
    for each in posterior.weighed:
        if each.seen.quantity not in DONE | OF_A_PART:
            for untold in each.state.untold:
                cost[untold] = cost.get(untold, 0) + 1
    for (part, why), count in sorted(cost.items()):
        if part not in still:
            readings = "A reading" if count == 1 else f"{count} readings"
            taken = f"{readings} taken while {part} {why.replace('is lifted', 'was lifted', 1)}"
            yield Lifted(part, False, False, f"{taken} {'is' if count == 1 else 'are'} left out.")
