"""What is likely to lie between the points of a drawing without a network, from its printed volts and arrows.

Equal volts are a fuse, a choke or a joint; equal in some modes and dead in others a contact; a narrow tolerance behind
a rail a regulator; 0.65 V between two points a base and its emitter. All of it is common practice, no source.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from daemon.drawing import Drawing, Point
from daemon.suspects.chosen import unnamed
from daemon.suspects.coupled import NEAR_V, Transistor, loops_of
from daemon.suspects.net import Floats

GROUND_V = 0.005  # below this a printed value is 0 V
EQUAL = 0.012  # share by which volts of one and the same conductor may differ, with three digits printed
REGULATED_PERCENT = 6.0  # points printed with a tolerance up to this, and not with the mains, are taken as regulated
JUNCTION_V, USUAL_V = (0.5, 0.8), 0.65  # from base to emitter
LEAST_V, COARSE_V = 0.3, 0.5  # of a junction whose volts are printed in steps as large as they are
SATURATED_V = 0.35
SATURATES_V = 0.03
DEAD = 0.03  # share of a feeder's volts below which a point is off
LEG = re.compile(r"^((?:Q|TR|VT|T)\d+\w*?)[ _.-]?(B|C|E)$", re.IGNORECASE)
NONE = -1
Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Stages:
    """Nodes of a drawing. ``volts`` (nodes, modes), with what is not printed filled in; ``printed`` says where it is.

    ``feeder`` is the node that each is fed from (-1: none), ``feed`` how: source, hidden, joined, resistor, regulator,
    shunt (by a zener, or a regulator), coupled (feedback) or transistor; ``contact`` (nodes, modes) is True where a
    switch is open. Of amplifiers that are coupled in DC: ``links`` between two nodes that no arrow shows, ``drives``
    that carry the output stage's base current, ``quiet`` nodes that draw nothing by themselves, ``sunk`` emitters
    of followers that take their current from the output.
    """

    names: tuple[str, ...]
    labels: tuple[str, ...]
    points: tuple[Point, ...]
    volts: Floats
    printed: Flags
    feeder: tuple[int, ...]
    feed: tuple[str, ...]
    contact: Flags
    transistors: tuple[Transistor, ...]
    links: tuple[tuple[int, int], ...] = ()
    drives: frozenset[int] = frozenset()
    quiet: frozenset[int] = frozenset()
    sunk: frozenset[int] = frozenset()

    @property
    def coupled(self) -> set[int]:
        """Nodes of amplifiers that are coupled in DC."""
        legs = {n for t in self.transistors if t.coupled for n in (t.base, t.emitter)}
        return (legs | self.quiet | self.drives) - {NONE}

    def children(self, node: int) -> list[int]:
        """Nodes that a node feeds."""
        return [n for n, feeder in enumerate(self.feeder) if feeder == node]

    def line(self, node: int) -> list[int]:
        """A node's feeder, its feeder and so on."""
        return _line(node, self.feeder)


def named_apart(drawing: Drawing) -> Drawing:
    """The drawing with a net of its own for each leg, where one name has several and no nets are given."""
    names = [point.name for point in drawing.points]
    points = [
        replace(point, net=f"{point.name} {point.leg}") if names.count(point.name) > 1 and not point.net else point
        for point in drawing.points
    ]
    return replace(drawing, points=tuple(points))


def label_of(point: Point, drawing: Drawing) -> str:
    """A point's name, with its leg where several have the name."""
    alone = sum(p.name == point.name for p in drawing.points) == 1
    return point.name if alone or not point.leg else f"{point.name} {point.leg}"


def stages_of(drawing: Drawing, coupled: bool = True) -> Stages:
    """The nodes of a drawing, and what is likely to feed each of them; without ``coupled`` no amplifier's loop."""
    first: dict[str, Point] = {}
    for point in drawing.points:
        if point.printed_v:
            first.setdefault(point.net or point.name, point)
    names = tuple(first)
    points = tuple(first.values())
    labels = tuple(label_of(point, drawing) for point in points)
    told = np.array([[p.printed_v.get(m, np.nan) for m in drawing.modes] for p in points]).reshape(len(points), -1)
    feeders = _feeders(names, points, told)
    main = _without_loops([_main(n, each, told) for n, each in enumerate(feeders)])
    volts = _filled(told, main)
    transistors = _transistors(labels, volts, main, feeders)
    for each in transistors:
        if each.emitter >= 0 and main[each.emitter] == each.base and each.collector not in (each.base, NONE):
            main[each.emitter] = each.collector
    main = _without_loops(main)
    loops = loops_of(volts, main, transistors) if coupled else []
    legs = {node for loop in loops for node in loop.nodes}
    transistors = [t for t in transistors if not {t.base, t.emitter} & legs]
    transistors += [each for loop in loops for each in loop.transistors]
    for loop in loops:
        for node, feeder in loop.fed.items():
            main[node] = feeder
    main = _without_loops(main)
    backs = {loop.back for loop in loops}
    contact = np.array([_off(volts, n, feeder) for n, feeder in enumerate(main)]).reshape(volts.shape)
    carried = {(each.emitter, each.collector) for each in transistors}
    feed = tuple(
        "transistor" if {(n, f), (f, n)} & carried and f >= 0 else _feed(drawing, points, volts, contact, n, f)
        for n, f in enumerate(main)
    )
    quiet = {node for loop in loops for node in loop.quiet}
    beside = {n for n in quiet if main[n] in quiet and (np.abs(volts[n] - volts[main[n]]) < NEAR_V).all()}
    feed = tuple(_leg_feed(each, n in backs, n in beside) if n in legs else each for n, each in enumerate(feed))
    held = {n for n, each in enumerate(feed) if each == "shunt" and not _is_stage(n, main, transistors)}
    feed = tuple("resistor" if each == "shunt" and n not in held else each for n, each in enumerate(feed))
    return Stages(
        names, labels, points, volts, np.isfinite(told), tuple(main), feed, contact, tuple(transistors),
        tuple(link for loop in loops for link in loop.links),
        frozenset(loop.drive for loop in loops),
        frozenset(quiet),
        frozenset(loop.sunk for loop in loops),
    )  # fmt: skip


def _is_stage(node: int, main: Sequence[int], transistors: Sequence[Transistor]) -> bool:
    """A leg of a transistor that passes no supply: nothing holds its volts."""
    legs = [each for each in transistors if node in (each.collector, each.base, each.emitter)]
    return any(node != each.base or each.collector != main[node] for each in legs)


def _leg_feed(feed: str, back: bool, beside: bool) -> str:
    """What feeds a leg of a coupled amplifier: no zener; where its feedback comes to, a resistor either way; and beside
    another point of its output, hardly anything, though both are at 0 V."""
    if beside and not back and feed != "transistor":
        return "joined"
    if back and feed in ("hidden", "resistor", "shunt"):
        return "coupled"
    return "resistor" if feed == "shunt" else feed


def _feeders(names: Sequence[str], points: Sequence[Point], told: Floats) -> list[list[int]]:
    number: dict[str, int] = {}
    for n, point in enumerate(points):
        number.setdefault(point.name, n)
    found = [[number[f] for f in point.fed_by if f in number and number[f] != n] for n, point in enumerate(points)]
    if any(found):
        return found
    return [_highest(n, told) for n in range(len(names))]


def _highest(node: int, told: Floats) -> list[int]:
    """Where a drawing has no arrows: the highest point of the same sign that is on whenever this one is."""
    own = np.nan_to_num(told)
    level = own[node][np.argmax(np.abs(own[node]))] if own.shape[1] else 0.0
    on = np.abs(own[node]) > GROUND_V
    best, most = NONE, abs(level) * (1 + EQUAL)
    for other in range(len(own)):
        whole = (own[other] * np.sign(level))[on]
        if other != node and whole.size and whole.min() > most:
            best, most = other, float(whole.min())
    return [best] if best >= 0 else []


def _main(node: int, feeders: Sequence[int], told: Floats) -> int:
    """Of several feeders the one that is nearest above: the others are a base, or serve other modes."""
    if len(feeders) < 2:
        return feeders[0] if feeders else NONE
    own = np.abs(np.nan_to_num(told[node]))
    near = [(np.abs(np.nan_to_num(told[f])) >= own * (1 - EQUAL)).mean() for f in feeders]
    return feeders[int(np.argmax(near))]


def _without_loops(main: Sequence[int]) -> list[int]:
    found = list(main)
    for node in range(len(found)):
        seen, at = {node}, found[node]
        while at >= 0 and at not in seen:
            seen.add(at)
            at = found[at]
        if at == node:
            found[node] = NONE
    return found


def _filled(told: Floats, main: Sequence[int]) -> Floats:
    """What is not printed for a mode: dead where its feeder is dead, else as in the mode that is printed."""
    volts = np.where(np.abs(told) < GROUND_V, 0.0, told)
    for node in sorted(range(len(main)), key=lambda n: _depth(n, main)):
        for mode in np.flatnonzero(~np.isfinite(volts[node])):
            known = volts[node][np.isfinite(volts[node])]
            level = float(known[np.argmax(np.abs(known))]) if known.size else 0.0
            feeder = main[node]
            volts[node, mode] = 0.0 if feeder >= 0 and abs(volts[feeder, mode]) <= GROUND_V else level
    return volts


def _depth(node: int, main: Sequence[int]) -> int:
    depth = 0
    while main[node] >= 0 and depth < len(main):
        node, depth = main[node], depth + 1
    return depth


def _off(volts: Floats, node: int, feeder: int) -> Flags:
    """Modes in which a point is dead and what feeds it is not, if it is on in others."""
    own = np.abs(volts[node])
    if feeder < 0 or own.max() <= GROUND_V:
        return np.zeros(own.shape, dtype=bool)
    return np.asarray((own <= GROUND_V) & (np.abs(volts[feeder]) > GROUND_V))


def _feed(
    drawing: Drawing, points: Sequence[Point], volts: Floats, contact: Flags, node: int, feeder: int
) -> str:
    own = volts[node]
    if feeder < 0:
        return "source" if np.abs(own).max() >= 3 else "hidden"
    on = (np.abs(own) > GROUND_V) & ~contact[node]
    above = volts[feeder][on] * np.sign(own[on])
    level = np.abs(own[on])
    if not on.any():
        return "resistor"
    if (above < level * (1 - 3 * EQUAL)).mean() > 0.5:
        return "hidden"
    drop = above - level
    if (drop < EQUAL * level + 2 * GROUND_V).all():
        return "joined"
    point = points[node]
    if not point.follows_mains and drop.min() > 0.5 and level.max() > 2.2:
        if drawing.tolerance_of(point) <= REGULATED_PERCENT:
            return "regulator"
        if points[feeder].follows_mains:
            return "shunt"
    return "resistor"


def _transistors(
    labels: Sequence[str], volts: Floats, main: Sequence[int], feeders: Sequence[Sequence[int]]
) -> list[Transistor]:
    """By the names of their legs, else by 0.65 V between two points one of which is fed through the other's stage."""
    legs: dict[str, dict[str, int]] = {}
    for node, label in enumerate(labels):
        if match := LEG.match(label):
            legs.setdefault(match[1].upper(), {})[match[2].upper()] = node
    found: list[Transistor] = []
    for own in legs.values():
        each = _named(own, volts, main, {other[leg] for other in legs.values() for leg in other} - set(own.values()))
        if each is not None:
            found.append(each)
    allowed = _unnamed(volts, main, feeders)
    return [*found, *unnamed(allowed, [_off_v(volts, each) for each in allowed], main, found)]


def _unnamed(volts: Floats, main: Sequence[int], feeders: Sequence[Sequence[int]]) -> list[Transistor]:
    """Whatever may be a transistor by its volts and arrows: of two points either may be the other's base."""
    found = []
    for emitter in range(len(main)):
        for base in _bases_of(emitter, volts, main, feeders):
            each = _with_collector(emitter, base, volts, main, set(), feeders[emitter])
            if each is not None and not _is_joined(volts, base, each.collector, np.abs(volts[base]) > GROUND_V):
                found.append(each)
    return found


def _off_v(volts: Floats, each: Transistor) -> float:
    """By how much a junction's printed volts lie beside the usual ones, beyond their digits."""
    on = np.abs(volts[each.emitter]) > 0.1
    own, half = volts[each.base][on], _digit_v(volts[each.base][on]) / 2
    across = np.abs(own - volts[each.emitter][on])
    return float(np.maximum(np.abs(across - USUAL_V) - half, 0).max())


def _named(own: dict[str, int], volts: Floats, main: Sequence[int], others: set[int]) -> Transistor | None:
    base, emitter, collector = own.get("B"), own.get("E"), own.get("C")
    if base is None:
        if emitter is None:
            return None
        base = _base_of(emitter, volts, main, [[]] * len(main))
        if base < 0:
            return None
    if emitter is None:
        emitter = _emitter_of(base, volts, main, others)
        if emitter is None:
            return None
    if emitter >= 0 and not _is_junction(volts[base] - volts[emitter]):
        return None
    if collector is None:
        return _with_collector(emitter, base, volts, main, others)
    return Transistor(collector, base, emitter, _sign(volts, base, emitter))


def _sign(volts: Floats, base: int, emitter: int) -> int:
    across = volts[base] - (volts[emitter] if emitter >= 0 else 0.0)
    return 1 if across[np.argmax(np.abs(across))] > 0 else -1


def _is_junction(across: Floats) -> bool:
    size = np.abs(across)
    return bool(JUNCTION_V[0] <= size.max() <= JUNCTION_V[1])


def _emitter_of(base: int, volts: Floats, main: Sequence[int], others: set[int]) -> int | None:
    """-1 for an emitter at 0 V; None where no point is 0.65 V from the base."""
    near = [
        n
        for n in range(len(main))
        if n not in others and n != base and _is_junction(volts[base] - volts[n]) and np.abs(volts[n]).max() > 0.8
    ]
    family = [n for n in near if set(_line(n, main)) & set(_line(base, main))]
    if family:
        return min(family, key=lambda n: abs(float(np.abs(volts[base] - volts[n]).max()) - 0.65))
    return NONE if _is_junction(volts[base]) else None


def _base_of(emitter: int, volts: Floats, main: Sequence[int], feeders: Sequence[Sequence[int]]) -> int:
    return next(iter(_bases_of(emitter, volts, main, feeders)), NONE)


def _bases_of(emitter: int, volts: Floats, main: Sequence[int], feeders: Sequence[Sequence[int]]) -> list[int]:
    """Points that follow an emitter 0.65 V apart in every mode, and are no part of what feeds it."""
    on = np.abs(volts[emitter]) > 0.1
    if not on.any():
        return []
    above = main[emitter]
    if above >= 0 and above not in feeders[emitter][1:] and _is_joined(volts, emitter, above, on):
        return []
    line = [n for n in _line(emitter, main) if n not in feeders[emitter]]
    found = []
    for base in range(len(main)):
        across = np.abs(volts[base] - volts[emitter])[on]
        half = _digit_v(volts[base][on]) / 2
        fits = ((across >= np.maximum(JUNCTION_V[0] - half, LEAST_V)) & (across <= JUNCTION_V[1] + half)).all()
        fits &= (np.abs(volts[base])[~on] <= JUNCTION_V[1]).all()
        if base == emitter or base in line or emitter in _line(base, main) or not fits:
            continue
        if set(_line(base, main)) & set(_line(emitter, main)) or base in feeders[emitter]:
            found.append(base)
    return found


def _digit_v(volts: Floats) -> Floats:
    """What one of the last of three digits counts for, where volts are large enough that it swallows a junction's."""
    digit = 10 ** (np.floor(np.log10(np.maximum(np.abs(volts), 1e-3))) - 2)
    return np.where(digit > COARSE_V, digit, 0.0)


def _is_joined(volts: Floats, node: int, feeder: int, on: Flags) -> bool:
    return bool((np.abs(volts[node] - volts[feeder])[on] < EQUAL * np.abs(volts[node])[on] + 2 * GROUND_V).all())


def _line(node: int, main: Sequence[int]) -> list[int]:
    """A node's feeder, its feeder and so on."""
    found: list[int] = []
    at = main[node]
    while at >= 0 and at not in found:
        found.append(at)
        at = main[at]
    return found


def _with_collector(
    emitter: int, base: int, volts: Floats, main: Sequence[int], others: set[int], feeders: Sequence[int] = ()
) -> Transistor | None:
    """The collector is what feeds the emitter, or what is fed by it; at 0 V, what is held down when the base is on."""
    sign = _sign(volts, base, emitter)
    if emitter >= 0:
        at = volts[emitter]
        below = [n for n in range(len(main)) if main[n] == emitter and (sign * (volts[n] - at)).max() > SATURATES_V]
        above = main[emitter]
        if above == base:
            above = next((n for n in feeders if n != base), NONE)
        if sign > 0 and above >= 0 and above != base and (volts[above] - at).max() > 0.1:
            return Transistor(above, base, emitter, sign)
        fits = [n for n in below if n != base]
        return Transistor(fits[0], base, emitter, sign) if fits else None
    on = np.abs(volts[base]) > JUNCTION_V[0]
    held = [
        n
        for n in range(len(main))
        if n not in others | {base}
        and main[n] >= 0
        and (np.abs(volts[n][on]) < SATURATED_V).all()
        and (np.abs(volts[main[n]][on]) > 1).all()
        and np.abs(volts[n][on]).max() > GROUND_V
        and not _is_junction(volts[n])
    ]
    return Transistor(held[0], base, NONE, sign) if len(held) == 1 else None
