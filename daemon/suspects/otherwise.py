"""What would tell where no volts at rest do: the supply's current, ripple, the switch-on, heat, ohms, a part by itself.

Each way is worth the bits that it is expected to teach of the part, for its effort, and comes with its reason and what
has to be said before it. Its ``quantity`` is what the readings file calls it, so that what is found can be weighed.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from daemon.drawing import GROUND
from daemon.suspects.candidates import ACCESS_COST
from daemon.suspects.cautions import HOT, IN_SERIES, SCOPE, discharge_caution, touch_caution
from daemon.suspects.infer import Posterior
from daemon.suspects.mending import LED_PAST, tested_parts
from daemon.suspects.net import Floats
from daemon.suspects.outlook import Outlook
from daemon.suspects.probes import MODE_COST
from daemon.suspects.proofs import proofs
from daemon.suspects.readings import Seen, node_name
from daemon.suspects.signs import HOT_FAULTS, chance_of
from daemon.suspects.spreading import bits_of_values, two_ends
from daemon.suspects.traceless import traceless
from daemon.suspects.ways import bypass_words, listed, test_words
from daemon.suspects.weighing import (
    AMPS_RELATIVE,
    LEAST_OHM,
    METER_A,
    MOST_OHM,
    TEST_MISLEADS,
    other_likelihood,
)

# Effort beside that of one easy point: common practice, no source.
COST = {
    "current_a": 1.5,
    "ripple_vpp": 2.0,
    "heat": 2.0,
    "kick": 3.0,
    "ohm_off": 5.0,
    "bypassed": 7.0,
    "part_good": 10.0,
}
WORTH_BITS = 0.05
MOST_PARTS, MOST_PAIRS, MOST_WAYS, MOST_OF_A_KIND = 6, 4, 6, 2
SURE = 0.9
BYPASS_HELPS = 0.95


@dataclass(frozen=True, slots=True)
class Way:
    """Something else to do; ``point`` is a point, a part or a source, as ``quantity`` has it."""

    point: str
    mode: str
    quantity: str
    gain_bits: float
    cost: float
    reason: str
    caution: str


class _Open:
    """What is still open, and who is in question."""

    def __init__(self, posterior: Posterior, outlook: Outlook, mode: str, solve: bool) -> None:
        self.posterior, self.outlook, self.mode, self.solve = posterior, outlook, mode, solve
        self.table, self.here, self.drawing = posterior.table, posterior.here, posterior.drawing
        self.chances = posterior.by_hypothesis
        self.suspects = [part for part in posterior.credible_set if part][:MOST_PARTS]
        names = {name: number for number, name in enumerate(posterior.by_part)}
        self.part_of = np.array([names[(each.parts or (each.part,))[0]] for each in self.table.hypotheses])
        self.by_part = {part.name: part for part in self.drawing.parts}
        tried = proofs(posterior)
        self.states = {each.part: each.state for each in tried}
        self.in_place = {each.part for each in tried if each.in_place}
        self.tested = tested_parts(each.seen for each in posterior.weighed)

    def likely_fault(self, part: str) -> str:
        own = [(float(p), h.fault) for p, h in zip(self.chances, self.table.hypotheses, strict=True) if h.part == part]
        return max(own, default=(0.0, ""))[1]

    def ends_of(self, name: str) -> tuple[str, str] | None:
        """The nets to hold an ohm-meter to for one suspect; None where a point has no column of its own."""
        if name in self.by_part:
            one, other = self.by_part[name].nets[:2]
            return one, other
        own = [(float(p), h.beside) for p, h in zip(self.chances, self.table.hypotheses, strict=True) if h.part == name]
        beside = max(own, default=(0.0, ()))[1]
        ends = [node_name(each, self.drawing) for each in (name, *(beside or (GROUND,)))]
        return None if None in ends else (str(ends[0]), str(ends[1]))

    def sign_bits(self, chance: Sequence[float] | Floats) -> float:
        """What a sign teaches of the part that shows with such a chance under each hypothesis."""
        shows = np.bincount(self.part_of, self.chances * np.asarray(chance))
        weight = np.bincount(self.part_of, self.chances)
        share = shows / np.maximum(weight, 1e-300)
        return float(_binary(np.array([shows.sum()]))[0] - (weight * _binary(share)).sum())

    def evidence_bits(self, seen: Seen) -> float:
        """The same of a sign that is weighed as evidence of its own kind; 0 where it says nothing."""
        found = other_likelihood(self.table, self.drawing, seen, self.posterior.now)
        if found is None:
            return 0.0
        worlds = np.bincount(self.table.of, minlength=len(self.chances))
        return self.sign_bits(np.bincount(self.table.of, found) / np.maximum(worlds, 1))


def otherwise(posterior: Posterior, outlook: Outlook, mode: str | None, solve: bool = True) -> list[Way]:
    """The best few ways, best first; of a part that is nearly sure how to prove it, and of a proved one nothing.

    Without ``solve`` only ohms that were worked out before are thought of.
    """
    modes = posterior.table.modes
    now = _Open(posterior, outlook, mode if mode in modes else modes[0], solve)
    leader, chance = next(iter(posterior.by_part.items()))
    if leader and chance >= SURE:
        return [] if now.states.get(leader) == "proved" else list(_proof_of(now, leader))
    ways = [*_currents(now), *_signs_at_points(now), *_heat(now), *_ohms(now), *_by_themselves(now)]
    return _best_of(way for way in ways if way.gain_bits >= WORTH_BITS)


def _worth(way: Way) -> float:
    return way.gain_bits / way.cost


def _best_of(ways: Iterable[Way]) -> list[Way]:
    """The best few, best first: the best of each kind before a second of any, for who lacks the means of one."""
    kinds: dict[str, list[Way]] = {}
    for way in sorted(ways, key=_worth, reverse=True):
        alike = kinds.setdefault(way.quantity, [])
        if len(alike) < MOST_OF_A_KIND and way.point not in [each.point for each in alike]:
            alike.append(way)
    firsts, others = ([way for alike in kinds.values() for way in alike[part]] for part in (slice(1), slice(1, None)))
    return sorted([*firsts, *sorted(others, key=_worth, reverse=True)][:MOST_WAYS], key=_worth, reverse=True)


def _proof_of(now: _Open, part: str) -> Iterator[Way]:
    """Nearly sure is not proved: what would prove it before it is replaced."""
    for way in _by_themselves(now, [part]):
        yield replace(way, reason=f"proof of {part}: {way.reason}")


def _cautions(now: _Open, nets: Sequence[str], own: str) -> str:
    touch = touch_caution(now.table, now.drawing, [now.table.nodes[net] for net in nets if net in now.table.nodes])
    return f"{touch} {own}".strip()


def _currents(now: _Open) -> Iterator[Way]:
    kept = now.outlook.kept
    for number, source in enumerate(now.table.sources):
        for m, mode in enumerate(now.table.modes):
            amps = now.here.amps[m, number][now.posterior.now[kept]]
            sway = now.here.amps_sway[now.posterior.now[kept], m * len(now.table.sources) + number].astype(float)
            own = np.sqrt((sway**2).sum(axis=1) + (AMPS_RELATIVE * amps) ** 2 + METER_A**2)
            level = float(np.median(own / np.maximum(np.abs(amps), METER_A)))
            values = np.sign(amps) * np.log1p(np.abs(amps) * level / METER_A) / level
            bits = bits_of_values(values[None], now.outlook.part, now.outlook.weights)
            said = two_ends(now.posterior, now.outlook, amps, "A")
            reason = f"the current of {source} in {mode}: {said}."
            if not said:
                continue
            cost = COST["current_a"] + (MODE_COST if mode != now.mode else 0.0)
            caution = _cautions(now, now.by_part[source].nets, IN_SERIES)
            yield Way(source, mode, "current_a", bits, cost, reason, caution)


def _signs_at_points(now: _Open) -> Iterator[Way]:
    """Ripple and the switch-on at the points of suspects whose fault volts at rest do not show."""
    unseen = {(each.part, each.fault) for each in traceless(now.table, now.drawing)}
    hidden = [name for name in now.suspects if (name, now.likely_fault(name)) in unseen]
    for point in now.drawing.points:
        net = point.net or point.name
        near = [name for name in hidden if net in getattr(now.by_part.get(name), "nets", (name,))]
        if net not in now.table.nodes or not near:
            continue
        caution = _cautions(now, [net], SCOPE)
        for quantity, value, words in (
            ("ripple_vpp", 1e9, "ripple at {}: beyond its limit it speaks for {}, within it against"),
            ("kick", 0.0, "the switch-on at {}: a kick missing or changed speaks for {}, the usual one against"),
        ):
            bits = now.evidence_bits(Seen(point.name, now.mode, quantity, value))
            cost = COST[quantity] + ACCESS_COST[point.access] - 1
            yield Way(point.name, now.mode, quantity, bits, cost, words.format(point.name, listed(near)) + ".", caution)


def _heat(now: _Open) -> Iterator[Way]:
    for part in now.suspects:
        if any(word in now.likely_fault(part) for word in HOT_FAULTS):
            bits = now.sign_bits([chance_of("heat", part, each) for each in now.table.hypotheses])
            reason = f"whether {part} gets warmer than it should: {now.likely_fault(part)}, it would."
            nets = now.by_part[part].nets if part in now.by_part else (part,)
            yield Way(part, now.mode, "heat", bits, COST["heat"], reason, _cautions(now, nets, HOT))


def _ohms(now: _Open) -> Iterator[Way]:
    """Across each suspect, the power off; of points whose volts alone are printed, to what feeds them or to 0 V."""
    names = {point.net or point.name: point.name for point in reversed(now.drawing.points)} | {GROUND: "0 V"}
    pairs = dict.fromkeys(pair for name in now.suspects if (pair := now.ends_of(name)) is not None)
    for one, other in list(pairs)[:MOST_PAIRS]:
        if one == GROUND:
            one, other = other, one
        key = f"ohms {one} - {other}"
        if key not in now.here.memory:
            ohms = now.here.ohms(one, other) if now.solve else None
            if ohms is None:
                continue
            now.here.memory[key] = ohms
        logs = np.log(np.clip(now.here.memory[key][:, now.posterior.now[now.outlook.kept]], LEAST_OHM, MOST_OHM))
        bits = bits_of_values(logs / now.here.ohms_spread, now.outlook.part, now.outlook.weights)
        point = names.get(one, one) if other == GROUND else f"{names.get(one, one)} - {names.get(other, other)}"
        said = two_ends(now.posterior, now.outlook, np.exp(np.median(logs, axis=0)), "ohm")
        if not said:
            continue
        to = "" if other != GROUND else " to 0 V"
        caution = discharge_caution(now.table, now.drawing, [one, other])
        yield Way(point, "", "ohm_off", bits, COST["ohm_off"], f"ohms at {point}{to}, in circuit: {said}.", caution)


def _by_themselves(now: _Open, parts: Sequence[str] = ()) -> Iterator[Way]:
    """A bypass where the likely fault lets nothing through; the part lifted and tested."""
    for name in parts or now.suspects:
        fault, part = now.likely_fault(name), now.by_part.get(name)
        caution = discharge_caution(now.table, now.drawing, part.nets if part else [name])
        if fault in LED_PAST and name not in now.in_place:
            helps = [
                BYPASS_HELPS if name in each.parts and each.fault in LED_PAST else 0.02 for each in now.table.hypotheses
            ]
            bits = now.sign_bits(helps)
            yield Way(name, now.mode, "bypassed", bits, COST["bypassed"], bypass_words(name, part), caution)
        if part is not None and name not in now.tested:
            good = [TEST_MISLEADS if name in each.parts else 1 - TEST_MISLEADS for each in now.table.hypotheses]
            yield Way(name, "", "part_good", now.sign_bits(good), COST["part_good"], test_words(part, fault), caution)


def _binary(chance: Floats) -> Floats:
    p = np.clip(chance, 1e-12, 1 - 1e-12)
    return np.asarray(-(p * np.log2(p) + (1 - p) * np.log2(1 - p)))
