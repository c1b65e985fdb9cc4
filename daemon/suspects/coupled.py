"""Amplifiers that are coupled in DC from input to output and back, found in printed volts.

No arrow shows a base, so that an amplifier's loop is open in a drawing without a network. What shows is this: a point
that follows the output is one of two bases with one emitter between them, or an emitter behind the output; the first
stage's collector is 0.65 V from the next stage's emitter; and the output has an emitter follower on either side, whose
bases are about a junction above and below it. All of it is common practice, no source.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from daemon.suspects.net import Floats

NONE = -1
JUNCTION_V = (0.45, 0.85)
NEAR_V, PAIR_V = 0.35, 0.15  # a point that follows the output; two bases of a pair
FAR_V = 3.0  # a rail is at least so far away
BIAS_V = (-1.2, 0.9)  # of a follower's junction, in whatever mode: one side of a class B stage is off


@dataclass(frozen=True, slots=True)
class Transistor:
    """Three nodes by their numbers (-1: 0 V); ``sign`` +1 is an npn."""

    collector: int
    base: int
    emitter: int
    sign: int
    coupled: bool = False  # one of an amplifier with DC feedback


@dataclass(slots=True)
class Loop:
    """One amplifier: its transistors; ``links`` between the bases of its followers and from a pair's tail to its rail,
    ``fed`` what its points are fed from that the arrows have otherwise, ``drive`` the point that its second stage
    drives, ``back`` the one that its feedback comes to, ``sunk`` the emitter of a follower that takes its current from
    the output, and ``quiet`` those that draw nothing by themselves."""

    transistors: list[Transistor] = field(default_factory=list)
    links: list[tuple[int, int]] = field(default_factory=list)
    fed: dict[int, int] = field(default_factory=dict)
    drive: int = NONE
    back: int = NONE
    sunk: int = NONE
    quiet: set[int] = field(default_factory=set)

    @property
    def nodes(self) -> set[int]:
        """All points that are legs of it."""
        return {n for t in self.transistors for n in (t.collector, t.base, t.emitter) if n >= 0} | self.quiet


def loops_of(volts: Floats, main: Sequence[int], known: Sequence[Transistor]) -> list[Loop]:
    """Amplifiers with DC feedback; ``volts`` (nodes, modes), ``main`` each node's feeder, ``known`` transistors."""
    finder = _Finder(volts, main, known)
    found: list[Loop] = []
    taken: set[int] = set()
    for first in finder.first_stages():
        legs = {first.base, first.emitter, first.other.base if first.other else first.base}
        if legs & taken:
            continue
        loop = finder.loop(first)
        if loop is not None:
            found.append(loop)
            taken |= loop.nodes
    return found


@dataclass(frozen=True, slots=True)
class _First:
    """A first stage: ``output`` is what it takes its feedback from."""

    collector: int
    base: int
    emitter: int
    sign: int
    output: int
    other: Transistor | None = None


class _Finder:
    def __init__(self, volts: Floats, main: Sequence[int], known: Sequence[Transistor]) -> None:
        self.volts, self.main, self.known = volts, main, known
        self.count = len(main)
        self.alive = np.abs(volts).max(axis=0) > 1 if self.count else np.zeros(volts.shape[1], dtype=bool)
        self.kids = [[n for n in range(self.count) if main[n] == node] for node in range(self.count)]

    def at(self, node: int) -> Floats:
        return self.volts[node] if node >= 0 else np.zeros(self.volts.shape[1])

    def level(self, node: int) -> float:
        own = self.at(node)
        return float(own[np.argmax(np.abs(own))])

    def on(self, *nodes: int) -> np.ndarray:
        """Modes in which the amplifier is on: what feeds one of these points is live."""
        live = np.zeros(self.volts.shape[1], dtype=bool)
        for node in nodes:
            high = [n for n in (node, *self.line(node)) if np.abs(self.at(n)).max() > FAR_V]
            live |= np.abs(self.at(high[0])) > FAR_V if high else False
        return live if live.any() else self.alive

    def line(self, node: int) -> list[int]:
        found: list[int] = []
        while node >= 0 and self.main[node] >= 0 and self.main[node] not in found:
            node = self.main[node]
            found.append(node)
        return found

    def junction(self, base: int, emitter: int, sign: int) -> bool:
        on = self.on(base, emitter)
        across = sign * (self.at(base) - self.at(emitter))[on]
        return bool(across.size and across.min() >= JUNCTION_V[0] and across.max() <= JUNCTION_V[1])

    def follows(self, node: int, other: int) -> bool:
        """Near each other in every mode, or one of them behind an open contact."""
        return other >= 0 and node >= 0 and bool((np.abs(self.at(node) - self.at(other)) < NEAR_V).all())

    def first_stages(self) -> list[_First]:
        found = [first for emitter in range(self.count) if (first := self._pair(emitter)) is not None]
        for each in self.known:
            output = self.main[each.emitter] if each.emitter >= 0 else NONE
            if output < 0 or each.collector < 0 or self.main[each.collector] not in (each.emitter, NONE):
                continue
            drop = each.sign * (self.at(each.emitter) - self.at(output))
            if self.main[output] >= 0 and -0.1 < drop.max() < FAR_V and self._next(each.collector, -each.sign):
                found.append(_First(each.collector, each.base, each.emitter, each.sign, output))
        return found

    def _pair(self, emitter: int) -> _First | None:
        """Two bases with one emitter, of which one follows the output."""
        best: tuple[float, _First] | None = None
        for sign in (1, -1):
            leaves = [n for n in range(self.count) if n != emitter and not self.kids[n]]
            bases = [n for n in leaves if self.junction(n, emitter, sign)]
            for back in bases:
                output = self.main[back]
                if not self.follows(back, output) or self.main[output] < 0:
                    continue
                for base in bases:
                    apart = float(np.abs(self.at(base) - self.at(back)).max())
                    if base == back or apart > PAIR_V or not self._may_be_input(base, output):
                        continue
                    collector = self._collector(emitter, sign)
                    if collector is None:
                        continue
                    other = Transistor(self._other(collector, emitter, sign), back, emitter, sign)
                    first = _First(collector, base, emitter, sign, output, other)
                    score = apart + (0 if self.main[base] < 0 else 0.5)
                    if best is None or score < best[0]:
                        best = score, first
        return best[1] if best else None

    def _may_be_input(self, node: int, output: int) -> bool:
        feeder = self.main[node]
        if feeder < 0:
            return True
        same = self.level(feeder) * self.level(node) > 0
        return same and abs(self.level(node)) > 1 and feeder != output

    def _collector(self, emitter: int, sign: int) -> int | None:
        """A point below its rail by a junction and a little, with the next stage's emitter between them."""
        best: tuple[float, int] | None = None
        for node in range(self.count):
            rail = self.main[node]
            if node == emitter or self.kids[node] or rail < 0 or rail == emitter:
                continue
            over = (sign * (self.at(node) - self.at(emitter)))[self.on(rail)]
            drop = (sign * (self.at(rail) - self.at(node)))[self.on(rail)]
            if not over.size or over.min() < 0.5 or not 0.3 < drop.max() < 2 * FAR_V:
                continue
            near = self._next(node, -sign)
            if near:
                score = float(drop.max()) + (2 * FAR_V if near[0] in (NONE, *self.line(node)) else 0)
                if best is None or score < best[0]:
                    best = score, node
        return best[1] if best else None

    def _other(self, collector: int, emitter: int, sign: int) -> int:
        """The pair's other collector: a point like the first one, else the rail."""
        rail = self.main[collector]
        for node in self.kids[rail]:
            drop = sign * (self.level(rail) - self.level(node))
            fits = node not in (collector, emitter) and not self.kids[node] and 0.2 < drop < FAR_V
            if fits and not self.junction(collector, node, -sign) and not self.junction(node, collector, -sign):
                return node
        return rail

    def _next(self, base: int, sign: int) -> list[int]:
        """Emitters that fit a base: a point between it and the rail, the rail or 0 V."""
        line = self.line(base)
        beside = [n for n in range(self.count) if n != base and self.main[n] in line and n not in line]
        beside.sort(key=lambda n: not self.kids[n])
        return [n for n in [*beside, *line, NONE] if self.junction(base, n, sign)]  # a point of its own comes first

    def loop(self, first: _First) -> Loop | None:
        """The rest of an amplifier of which the first stage is known; None where there is no second one."""
        near = self._next(first.collector, -first.sign)
        if not near:
            return None
        sign, emitter = -first.sign, near[0]
        loop = Loop([Transistor(first.collector, first.base, first.emitter, first.sign)])
        if first.other is not None:
            loop.transistors.append(first.other)
        group = self._group(first.output)
        taken = {first.collector, first.base, first.emitter, emitter} | ({first.other.base} if first.other else set())
        followers = self._followers(group, taken)
        drive = self._drive(emitter, sign, group, followers, taken)
        if drive is None:
            return None
        loop.transistors = [replace(each, coupled=True) for each in [*loop.transistors, *followers]]
        loop.drive, loop.back = drive, first.other.base if first.other else first.emitter
        loop.transistors.append(Transistor(drive, first.collector, emitter, sign))
        for each in followers[1:]:  # the first one carries what the output takes, the other takes its own from there
            loop.sunk = each.emitter
            if self.main[each.emitter] not in group:
                loop.fed[each.emitter] = self._nearest(each.emitter, group, followers)
        self._link(loop, followers)
        self._tail(loop, first, [drive, *(each.base for each in followers)])
        below = [n for n in range(self.count) if set(self.line(n)) & group and self.follows_when_on(n, first.output)]
        loop.quiet = {n for n in group | set(below) if n != drive} | {t.base for t in followers} | {first.emitter}
        loop.quiet |= {n for t in followers for n in self._on_the_way(t.base)}
        loop.quiet -= {drive}
        return loop

    def _on_the_way(self, node: int) -> list[int]:
        """Points between a follower's base and its rail, that feed nothing else."""
        found = []
        for each in self.line(node):
            if len(self.kids[each]) != 1 or self.main[each] < 0:
                break
            found.append(each)
        return found

    def follows_when_on(self, node: int, other: int) -> bool:
        apart = np.abs(self.at(node) - self.at(other))
        return bool((apart[np.abs(self.at(node)) > 0.005] < NEAR_V).all())

    def _group(self, output: int) -> set[int]:
        """The output with all points of its volts that arrows join to it or to a rail."""
        group, waiting = {output}, [output]
        while waiting:
            here = waiting.pop()
            near = {n for n in [self.main[here], *self.kids[here]] if self.follows(n, here) and self.main[n] >= 0}
            waiting += near - group
            group |= near
        for node in range(self.count):
            if self.kids[node] or self.main[node] < 0 or not self.follows(node, output):
                continue
            if (np.abs(self.at(self.main[node]) - self.at(node))[self.on(node)] > FAR_V).all():
                group.add(node)
        return group

    def _followers(self, group: set[int], taken: set[int]) -> list[Transistor]:
        """An npn that is fed from above and a pnp that is fed from below, where their bases are to be seen."""
        found: list[Transistor] = []
        for emitter in sorted(group):
            rail = self.main[emitter]
            if rail in group or rail < 0:
                continue
            sign = 1 if self.level(rail) > self.level(emitter) else -1
            base = self._base(emitter, sign, taken, group, found)
            if base is not None:
                found.append(Transistor(rail, base, emitter, sign))
        if len(found) == 1:
            one = found[0]
            for emitter in sorted(n for n in group if not self.kids[n] and n != one.emitter):
                base = self._base(emitter, -one.sign, taken, group, found)
                if base is not None and self.junction(base, emitter, -one.sign):
                    found.append(Transistor(self._far_rail(-one.sign), base, emitter, -one.sign))
                    break
        return found

    def _far_rail(self, sign: int) -> int:
        """The rail that an npn's collector is on, or a pnp's: the highest or lowest source, or 0 V."""
        sources = [n for n in range(self.count) if self.main[n] < 0 and sign * self.level(n) > FAR_V]
        return max(sources, key=lambda n: sign * self.level(n), default=NONE)

    def _base(
        self, emitter: int, sign: int, taken: set[int], group: set[int], found: Sequence[Transistor]
    ) -> int | None:
        used = taken | group | {each.base for each in found}
        fits = []
        for node in range(self.count):
            if node in used or self.main[node] < 0 or set(self.line(node)) & group:
                continue
            across = sign * (self.at(node) - self.at(emitter))[self.on(emitter)]
            live = np.abs(across) < 5
            if live.all() and JUNCTION_V[0] - 0.1 <= across.max() <= BIAS_V[1] and across.min() >= BIAS_V[0]:
                fits.append((abs(float(across.max()) - 0.65), node))
        return min(fits)[1] if fits else None

    def _nearest(self, emitter: int, group: set[int], followers: Sequence[Transistor]) -> int:
        others = [n for n in group if n != emitter and n not in {t.emitter for t in followers[1:]} and self.kids[n]]
        return min(others, key=lambda n: float(np.abs(self.at(n) - self.at(emitter)).max()), default=self.main[emitter])

    def _drive(
        self, emitter: int, sign: int, group: set[int], followers: Sequence[Transistor], taken: set[int]
    ) -> int | None:
        """What the second stage's collector is: by the arrow, else the base on its side, else the output itself."""
        if emitter >= 0:
            over = [(n, float((sign * (self.at(n) - self.at(emitter))).max())) for n in self.kids[emitter]]
            below = [n for n, volts in over if n not in taken and volts > 0.3]
            if below and len(self.kids[emitter]) == 1:
                return below[0]
        own = [each.base for each in followers if each.sign == -sign]
        bases = own or [each.base for each in followers]
        if bases:
            return bases[0]
        ends = [n for n in group if self.main[n] not in group and self.main[n] >= 0]
        return ends[0] if len(ends) == 1 else None

    def _tail(self, loop: Loop, first: _First, driven: Sequence[int]) -> None:
        """A pair's tail, where the arrows have it fed by a transistor: it hangs on the rail that the drive hangs on."""
        if first.other is None or first.sign * (self.level(self.main[first.emitter]) - self.level(first.emitter)) < 0:
            return
        rails = [self.main[n] for n in driven if self.main[n] >= 0]
        rails = [n for n in rails if first.sign * (self.level(first.emitter) - self.level(n)) > FAR_V]
        if rails and self.main[first.emitter] >= 0:
            loop.links.append((first.emitter, rails[0]))

    def _link(self, loop: Loop, followers: Sequence[Transistor]) -> None:
        if len(followers) != 2:
            return
        one, other = followers[0].base, followers[1].base
        if one not in self.line(other) and other not in self.line(one):
            loop.links.append((one, other))
