"""How what lies between and behind printed points fails: changes of the properties of likely networks.

How often each fails, and how far a fault goes, is common practice, no source; each goes in steps, so that no single
one decides.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import TypeAlias

import numpy as np

from daemon.suspects.coupled import Transistor
from daemon.suspects.likely_net import Likely
from daemon.suspects.likely_parts import has_zener, is_behind_diode, is_led
from daemon.suspects.net import OPEN_S, Floats, Ints
from daemon.suspects.stages import Stages

SOMETHING = "something else"
SHORT_OHM, MOST_SHORT_OHM, WIRE_S = 0.03, 10.0, 30.0
LEAK_FROM = 0.3  # of what a point and all behind it are in ohms: no short has more, and a leak has more
LOAD_OPEN_INSIDE = 0.05
WEAKEST = 1000.0  # of what a point and all behind it are in ohms: a way that is open but for what leaks across it
SOMETHING_WEIGHT, SOMETHING_WORLDS = 0.075, 4  # of each part on a point
WAYS_THROUGH = ("feed open", "feed weak", "feed too strong", "switch stuck", "passes its input")
HANGS, HANGS_INSIDE, HANGS_COLLECTOR, HANGS_COUPLED = 0.6, 0.25, 0.15, 0.15


@dataclass(slots=True)
class Broken:
    """Theta (modes, rows, worlds) being broken, in place; ``version`` of the network is each world's."""

    likely: Likely
    theta: Floats
    version: Ints

    def rows(self, kind: str, number: int) -> dict[str, int]:
        """Rows of theta of an element by the names of its properties; empty where there is none."""
        return self.likely.net.slots.get(f"{kind} {number}", {})

    def ohm(self, node: int) -> Floats:
        """What a point and all that it feeds are in ohms, (worlds,)."""
        return np.asarray(self.likely.node_ohm[node][self.version])


Change: TypeAlias = Callable[[Broken, Floats], None]


@dataclass(frozen=True, slots=True)
class Way:
    """One way to fail of what is on some ``nodes``, its own first; ``weight`` against others, ``levels`` of how far.

    ``change`` puts it into theta; how far, (worlds,), goes from 0 to 1. ``beside`` are the nodes that a broken way
    leads from.
    """

    nodes: tuple[int, ...]
    fault: str
    weight: float
    levels: int
    change: Change
    beside: tuple[int, ...] = ()


def _log_between(low: float, high: float, far: Floats) -> Floats:
    return np.asarray(low * (high / low) ** far)


def _set(kind: str, number: int, slot: str, value: float) -> Change:
    def change(broken: Broken, _far: Floats) -> None:
        rows = broken.rows(kind, number)
        if slot in rows:
            broken.theta[:, rows[slot]] = value

    return change


def _all(*changes: Change) -> Change:
    def change(broken: Broken, far: Floats) -> None:
        for each in changes:
            each(broken, far)

    return change


def _feed_open(node: int) -> Change:
    return _all(
        _set("feed", node, "g", OPEN_S),
        _set("regulator", node, "limit", 0.0),
        _set("source", node, "g", OPEN_S),
        _set("diode", node, "i_s", 0.0),
    )


def _feed_weak(low: float, high: float, node: int) -> Change:
    """More resistance on the way, against what the point and all behind it are."""

    def change(broken: Broken, far: Floats) -> None:
        more = broken.ohm(node) * _log_between(low, high, far)
        for kind in ("feed", "source"):
            if (row := broken.rows(kind, node).get("g")) is not None:
                broken.theta[:, row] = 1 / (1 / broken.theta[:, row] + more)

    return change


def _bridge_feed(node: int) -> Change:
    """A diode that is shorted."""

    def change(broken: Broken, far: Floats) -> None:
        row = broken.rows("feed", node)["g"]
        broken.theta[:, row] = np.maximum(broken.theta[:, row], 1 / _log_between(0.03, 1.0, far))

    return change


def _feed_strong(node: int) -> Change:
    def change(broken: Broken, far: Floats) -> None:
        row = broken.rows("feed", node)["g"]
        own = broken.theta[:, row]
        # What a source has inside is not known, so that a short may be any resistance down to that of a wire.
        beyond = np.clip((far - 0.6) / 0.4, 0, 1)
        some = own * _log_between(1.3, 10.0, np.minimum(far / 0.6, 1))
        short = (10 * own) ** (1 - beyond) * WIRE_S**beyond
        more = np.where(far < 0.6, some, short)
        broken.theta[:, row] = np.where(own > 10 * OPEN_S, np.maximum(own, more), own)

    return change


def _pulled(node: int) -> Change:
    """A short in half of the steps; in the others a leak, or a load that draws too much: resistance to 0 V.

    Of what fails in capacitors and semiconductors most is shorted (failure-mode ratios, from memory).
    """

    def change(broken: Broken, far: Floats) -> None:
        whole = broken.ohm(node)
        most = np.minimum(MOST_SHORT_OHM, LEAK_FROM * whole)
        least = np.minimum(SHORT_OHM, most / 10)
        leak = most * (3 * whole / most) ** np.maximum(2 * far - 1, 0)
        ohm = np.where(far < 0.5, least * (most / least) ** (2 * far), leak)
        broken.theta[:, broken.rows("load", node)["g"]] += 1 / ohm

    return change


def _load_less(node: int) -> Change:
    def change(broken: Broken, far: Floats) -> None:
        left = np.where(far < 0.5, 1e-9, (far - 0.5) * 1.4)
        kinds = [("load", "gi"), ("led", ("i_s",)), ("zener", ("z_s", "i_s"))]
        if broken.likely.on_transistor[node]:
            kinds.append(("source", "g"))  # which stands for the resistor of a tail, or of a collector
        for kind, slots in kinds:
            for slot in slots:
                if (row := broken.rows(kind, node).get(slot)) is not None:
                    least = 1 / broken.likely.meter_ohm if slot == "g" else 0.0
                    broken.theta[:, row] = np.maximum(broken.theta[:, row] * left, least)

    return change


def _off(far: Floats) -> Floats:
    return np.asarray(np.where(far < 0.5, 0.35 + 0.55 * 2 * far, 1.1 + 0.5 * (2 * far - 1)))


def _wrong_volts(node: int) -> Change:
    """A regulator or a zener that holds another voltage."""

    def change(broken: Broken, far: Floats) -> None:
        for kind, slot in (("regulator", "v"), ("zener", "z_off_v")):
            if (row := broken.rows(kind, node).get(slot)) is not None:
                broken.theta[:, row] *= _off(far)

    return change


def _passes(node: int) -> Change:
    def change(broken: Broken, far: Floats) -> None:
        broken.theta[:, broken.rows("feed", node)["g"]] = _log_between(5.0, 0.2, far) ** -1
        _set("regulator", node, "limit", 0.0)(broken, far)

    return change


def _source_low(node: int) -> Change:
    def change(broken: Broken, far: Floats) -> None:
        broken.theta[:, broken.rows("source", node)["v"]] *= 0.4 + 0.48 * far

    return change


def _bridged(number: int, slot: str) -> Change:
    def change(broken: Broken, far: Floats) -> None:
        broken.theta[:, broken.rows("transistor", number)[slot]] = 1 / _log_between(0.03, 2.0, far)

    return change


def _stuck(node: int, others: Sequence[int]) -> Change:
    """A contact that stays closed in all modes; of a selector's, the others are then open in half of the worlds."""

    def change(broken: Broken, far: Floats) -> None:
        row = broken.rows("feed", node)["g"]
        broken.theta[:, row] = broken.theta[:, row].max(axis=0)
        for other in others:
            row = broken.rows("feed", other)["g"]
            broken.theta[:, row] = np.where(far < 0.6, OPEN_S, broken.theta[:, row])

    return change


def ways_of(stages: Stages) -> list[Way]:
    """The ways in which a drawing's stages may fail."""
    found = []
    for node in range(len(stages.names)):
        if np.abs(stages.volts[node]).max() > 0 or node in stages.coupled:
            found += [*_feed_ways(stages, node), *_load_ways(stages, node), _something(stages, node)]
    for number, each in enumerate(stages.transistors):
        found += _transistor_ways(number, each)
    for number, ends in enumerate(stages.links):
        found.append(Way(ends, "link open", 0.4, 2, _set("link", number, "g", OPEN_S)))
        found.append(Way(ends, "link weak", 0.3, 4, _link_times(number, 3.0, 300.0)))
        found.append(Way(ends, "link shorted", 0.3, 2, _link_times(number, 0.2, 0.002)))
    return found


def _link_times(number: int, low: float, high: float) -> Change:
    def change(broken: Broken, far: Floats) -> None:
        broken.theta[:, broken.rows("link", number)["g"]] /= _log_between(low, high, far)

    return change


def _something(stages: Stages, node: int) -> Way:
    """A fault that is none of the others; the more parts a point is on, the likelier."""
    on = sum(node in (each.base, each.collector, each.emitter) for each in stages.transistors)
    weight = SOMETHING_WEIGHT * (1 + len(stages.children(node)) + on)
    return Way((node,), SOMETHING, weight, SOMETHING_WORLDS, lambda _broken, _far: None)


def _transistor_ways(number: int, each: Transistor) -> list[Way]:
    legs = tuple(leg for leg in (each.emitter, each.collector, each.base) if leg >= 0)
    found = [Way(legs, "transistor open", 0.3, 3, _set("transistor", number, "i_s", 0.0))]
    for pair, slot, weight in (("C-E", "g_ce", 0.35), ("C-B", "g_cb", 0.2), ("B-E", "g_be", 0.2)):
        found.append(Way(legs, f"transistor shorted {pair}", weight, 4, _bridged(number, slot)))
    return found


def _feed_ways(stages: Stages, node: int) -> list[Way]:
    feed = stages.feed[node]
    if feed == "transistor":
        return []
    if feed == "source":
        dead = _feed_open(node)
        return [Way((node,), "source dead", 0.4, 2, dead), Way((node,), "source low", 0.4, 6, _source_low(node))]
    beside = (stages.feeder[node],) if stages.feeder[node] >= 0 else ()
    ways = _ways_in(stages, node, feed)
    return [replace(each, beside=beside) if each.fault in WAYS_THROUGH else each for each in ways]


def _ways_in(stages: Stages, node: int, feed: str) -> list[Way]:
    found = [Way((node,), "feed open", 0.5, 3, _feed_open(node))]
    if feed == "regulator":
        found.append(Way((node,), "passes its input", 0.3, 3, _passes(node)))
    if feed == "regulator" or has_zener(stages, node):
        weight = 0.1 if feed == "resistor" else 0.3
        found.append(Way((node,), "holds the wrong volts", weight, 8, _wrong_volts(node)))
    if feed in ("joined", "resistor", "shunt", "hidden"):
        found.append(Way((node,), "feed weak", 0.3, 8, _way_weak(feed, node)))
    if feed in ("resistor", "shunt"):
        strong = _bridge_feed if is_behind_diode(stages, node) else _feed_strong
        found.append(Way((node,), "feed too strong", 0.25, 9, strong(node)))
    if stages.contact[node].any():
        others = [n for n in stages.children(stages.feeder[node]) if n != node and stages.contact[n].any()]
        found.append(Way((node,), "switch stuck", 0.3, 4 if others else 2, _stuck(node, others)))
    return found


def _way_weak(feed: str, node: int) -> Change:
    return _feed_weak(0.05, WEAKEST, node) if feed in ("joined", "hidden") else _resistor_high(node)


def _resistor_high(node: int) -> Change:
    def change(broken: Broken, far: Floats) -> None:
        row = broken.rows("feed", node)["g"]
        broken.theta[:, row] /= _log_between(1.25, 20.0, far)
        if "i_s" in (diode := broken.rows("diode", node)):
            broken.theta[:, diode["i_s"]] *= 1e-6

    return change


def _load_ways(stages: Stages, node: int) -> list[Way]:
    inside = bool(stages.children(node))
    joined = stages.feed[node] == "joined"
    hangs = _hangs(stages, node)
    legs = any(node in (each.base, each.emitter) for each in stages.transistors)
    found = [Way((node,), "pulled down", 1.2 * hangs, 12, _pulled(node))]
    if not (inside and joined) and stages.feed[node] not in ("source", "hidden"):
        weight = LOAD_OPEN_INSIDE if inside and not legs else 0.5 * hangs + 0.2 * is_led(stages, node)
        found.append(Way((node,), "load open", weight, 4, _load_less(node)))
    return found


def _hangs(stages: Stages, node: int) -> float:
    """How much there is from a point to 0 V that may fail, against one part in series."""
    if node in stages.coupled:
        return HANGS_COUPLED  # transistors and what leads from one to the other, mostly
    children = stages.children(node)
    if stages.feed[node] in ("joined", "source") and children and all(stages.feed[n] == "joined" for n in children):
        return HANGS_INSIDE  # nothing but the way to what it feeds
    held = any(node == each.collector for each in stages.transistors) and stages.feed[node] != "source"
    return HANGS_COLLECTOR if held else HANGS
