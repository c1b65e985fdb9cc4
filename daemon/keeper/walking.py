"""Walks on the desk: a settled reading goes on to the next point when the probe lifts, without a hand.

The landing after the lift belongs to the next point, except where nothing says that a hand has moved the probe (common
practice, no source): it was off for less than ``HOP_US`` and is back at the same value, so the lead lost its hold; or
all that was read between lies between the two values, which are near: what had seemed to rest went on drifting.

What a person says about the walk is about the next landing: where the probe rests now keeps its tags.
"""

import json
import math
from collections import deque
from collections.abc import Iterable
from dataclasses import asdict, dataclass, replace
from typing import Any

from daemon.drawing import Point
from daemon.keeper import correcting, placing
from daemon.keeper.desk import Desk, Left, Step
from daemon.keeper.probe import Change, Probe, StayBegan
from daemon.keeper.walk import Stop, Walk
from drivers.errors import CommandError
from drivers.readings import Quantity

HOP_US = 600_000
SAME_STEP_US = 1_200_000
SAME_SHARE, SAME_COUNTS = 0.005, 5.0
DRIFT_SHARE = 0.2
MOST_SINCE = 40
MOST_STEPS = 200
Body = dict[str, Any]


@dataclass(frozen=True, slots=True)
class _Said:
    """A step of a walk and the sentence that tells it."""

    walk: Walk | None
    sentence: str


def start(desk: Desk, probe: Probe, stops: Iterable[Stop], at: int = 0) -> str:
    """Begin a walk along ``stops`` with a probe: from the drawing, or from what is worth probing next."""
    walk = Walk.along(stops, at)
    if not walk.stops:
        raise CommandError("points", "There are no points to go along: name some, or give the unit a drawing.")
    sentence = f"{len(walk.stops)} points in order; first {walk.here.label if walk.here else 'none'}."
    _step(desk, probe, _Said(walk, sentence))
    desk.tell("walk", f"{probe.name}: {sentence}")
    return sentence


def carry_out(desk: Desk, probe: Probe, body: Body) -> str:
    """What a person says of the walk. Raises ``CommandError``; then nothing is changed."""
    do = body["do"]
    named = [_stop(desk, text, body.get("mode", "")) for text in body.get("points", ())]
    if do == "start":
        return start(desk, probe, named or _drawn(desk))
    walk = desk.walks.get(probe.name)
    if walk is None:
        return _without_a_walk(desk, probe, do, named)
    if do == "next" and _is_this_step(desk, probe):
        return _next_words(walk)
    said = _DO[do](walk, named) if do != "here" else _here(desk, probe, walk)
    _step(desk, probe, said, expect=do != "here")
    if said.walk is None or said.walk.here is None or do == "next":
        desk.tell("walk", f"{probe.name}: {said.sentence}")
    return said.sentence


def heard(desk: Desk, probe: Probe, t_us: int, value: float) -> None:
    """A reading came: after a lift it may be the one that tells it from a value that drifts."""
    desk.lately.setdefault(probe.name, deque(maxlen=MOST_SINCE)).append((t_us, value))
    left = desk.left.get(probe.name)
    if left is not None and len(left.since) < MOST_SINCE:
        left.since.append((t_us, value))


def before_change(desk: Desk, probe: Probe, change: Change) -> None:
    """A stay that begins may be the one that has just been left."""
    left, walk = desk.left.get(probe.name), desk.walks.get(probe.name)
    if not isinstance(change, StayBegan):
        return
    desk.left.pop(probe.name, None)
    if left is None or walk is None or probe.last is None:
        return
    value = probe.last.value if change.settled is None else change.settled.value
    if _never_left(left, change.from_us, value, probe.last.resolution or 0.0):
        _keep(desk, probe, walk.to(left.stop))
        probe.name_now(walk.stops[left.stop].point, walk.stops[left.stop].leg)


def _never_left(left: Left, from_us: int, value: float, resolution: float) -> bool:
    step, margin = abs(value - left.value), SAME_SHARE * abs(left.value) + SAME_COUNTS * resolution
    low, high = min(value, left.value) - margin, max(value, left.value) + margin
    elsewhere = any(not low <= read <= high for t_us, read in left.since if left.at_us < t_us < from_us)
    drifted = not elsewhere and step <= DRIFT_SHARE * abs(left.value)
    return drifted or (step <= margin and from_us - left.at_us < HOP_US)


def catch_up(desk: Desk, expect: bool = True) -> None:
    """Probes have lifted: their walks go on where the stop in hand has been read.

    Without ``expect`` a person has just said where the probe is, and that counts.
    """
    lifts, desk.lifts = desk.lifts, []
    for lift in lifts:
        walk, probe = desk.walks.get(lift.probe), desk.probes[lift.probe]
        if walk is None:
            continue
        gone_on = walk.left(lift.placement)
        if gone_on is not walk and not math.isnan(lift.value):
            # A lift is only believed some readings later: those belong to it.
            since = [read for read in desk.lately.get(probe.name, ()) if read[0] > lift.at_us]
            desk.left[probe.name] = Left(walk.at, lift.value, lift.at_us, since=since)
        _keep(desk, probe, gone_on, expect)  # from a point beside the walk it comes back to it
        if gone_on is not walk and gone_on.here is None:
            desk.tell("walk", f"{probe.name}: {_end_words(gone_on)}")


def settled(desk: Desk, probe: Probe) -> None:
    """The placement under way has a value: where it lies on a stop of the walk, that one is read."""
    walk, opened = desk.walks.get(probe.name), desk.placements.get(probe.name)
    if walk is None or opened is None or opened.settled is None:
        return
    at = walk.index(probe.point, probe.leg)
    if at is None or walk.read[at] == opened.id or desk.writer.placement(opened.id)["struck"]:
        return
    desk.walks[probe.name] = walk.read_at(at, opened.id)
    _store(desk)
    desk.state_is_old = True


def pointed(desk: Desk, probe: Probe) -> None:
    """A person said which point it is: where it is one of the walk, the walk goes on from there."""
    walk = desk.walks.get(probe.name)
    at = walk.index(probe.point, probe.leg) if walk is not None else None
    if walk is not None and at is not None and at != walk.at:
        _step(desk, probe, _Said(walk.to(at), f"Now at {walk.stops[at].label}."), expect=False)


def struck(desk: Desk, placement: int, act: int) -> None:
    """A placement does not count: its stop comes again."""
    _corrected(desk, placement, act, lambda walk: walk.unread(placement), "Struck.")


def moved(desk: Desk, placement: int, act: int) -> None:
    """A placement was another point."""
    row = desk.writer.placement(placement)
    _corrected(desk, placement, act, lambda walk: walk.was(placement, row["point"], row["leg"]), "Moved.")


def undo(desk: Desk) -> tuple[str, int | None] | None:
    """Take back the last thing a person said of a walk, with the correction it came with.

    None where the last thing that was said is a correction of its own.
    """
    last_act = desk.writer.last_act()
    step = desk.steps[-1] if desk.steps else None
    if step is None or (last_act is not None and last_act >= step.next_act and last_act != step.act):
        return None
    desk.steps.pop()
    sentence, act = f"Taken back: {step.sentence}", None
    if step.act is not None and step.act == last_act:
        sentence, act = correcting.undo(desk, {"act": step.act})
    probe, now = desk.probes[step.probe], desk.walks.get(step.probe)
    before, after = step.before, step.after
    _keep(desk, probe, now.taken_back(before, after) if now and before and after else before)
    return sentence, act


def recall(desk: Desk) -> None:
    """The walks of a session that is resumed."""
    for name, kept in json.loads(desk.writer.meta("walks") or "{}").items():
        if name in desk.probes:
            stops = tuple(Stop(**stop) for stop in kept["stops"])
            walk = Walk(stops, kept["at"], kept["held"], tuple(kept["read"]), frozenset(kept["passed"]))
            _keep(desk, desk.probes[name], walk)


def shown(desk: Desk, probe: Probe) -> dict[str, Any] | None:
    """A probe's walk as the state tells it."""
    walk = desk.walks.get(probe.name)
    if walk is None:
        return None
    opened = desk.placements.get(probe.name)
    return {
        "at": walk.at,
        "of": len(walk.stops),
        "held": walk.held,
        "read": sum(each is not None for each in walk.read),
        "is_read": opened is not None and walk.stop_of(opened.id) == walk.at,
        "here": None if walk.here is None else asdict(walk.here),
        "then": None if walk.then is None else asdict(walk.then),
        "passed": [walk.stops[n].label for n in sorted(walk.passed)],
    }


def _is_this_step(desk: Desk, probe: Probe) -> bool:
    """Who is used to press at each point presses as the probe lifts: that is one step, not two."""
    left = desk.left.get(probe.name)
    if left is None or left.said or desk.clock.now_us() - left.at_us > SAME_STEP_US:
        return False
    desk.left[probe.name] = replace(left, said=True)
    return True


def _without_a_walk(desk: Desk, probe: Probe, do: str, named: list[Stop]) -> str:
    """A foot switch needs no preparation: the drawing's order begins at the point after (before) the last one."""
    if do == "then" and named:
        return start(desk, probe, named)
    stops = _drawn(desk)
    if do not in ("next", "back") or not stops:
        raise CommandError("do", "No walk is under way: start one (`walk` with `do` start), or name the points.")
    now = next((n for n, stop in enumerate(stops) if (stop.point, stop.leg) == (probe.point, probe.leg)), None)
    if now is None:
        return start(desk, probe, stops)
    return start(desk, probe, stops, (now + (1 if do == "next" else -1)) % len(stops))


def _drawn(desk: Desk) -> list[Stop]:
    return [Stop(point.name, point.leg) for point in desk.drawing.points] if desk.drawing else []


def _stop(desk: Desk, text: str, mode: str) -> Stop:
    """The point that words mean: ``Q302``, ``Q302, C`` or, as the drawing's, ``Q302 C``."""
    points: tuple[Point, ...] = desk.drawing.points if desk.drawing else ()
    wanted = " ".join(text.replace(",", " ").split()).casefold()
    for point in points:
        if wanted in (f"{point.name} {point.leg}".strip().casefold(), point.name.casefold()):
            return Stop(point.name, point.leg, mode)
    name, _, leg = text.partition(",")
    return Stop(name.strip(), leg.strip(), mode)


def _next(walk: Walk, _: list[Stop]) -> _Said:
    after = walk.next()
    passed = f"{walk.here.label} passed over. " if walk.here and not walk.has_read else ""
    return _Said(after, passed + _next_words(after))


def _back(walk: Walk, _: list[Stop]) -> _Said:
    return _Said(walk.back(), f"Back: {_next_words(walk.back())}")


def _hold(walk: Walk, _: list[Stop]) -> _Said:
    return _Said(walk.hold(), f"Held at {walk.here.label if walk.here else 'the end'}: each landing is one more there.")


def _go_on(walk: Walk, _: list[Stop]) -> _Said:
    return _Said(walk.hold(False), f"Going on. {_next_words(walk)}")


def _then(walk: Walk, named: list[Stop]) -> _Said:
    if not named:
        raise CommandError("points", "Say which points come next.")
    after = walk.with_next(named)
    if walk.here is None:
        after = after.to(len(walk.stops))
    return _Said(after, f"Then {', '.join(stop.label for stop in named)}.")


def _end(_: Walk, __: list[Stop]) -> _Said:
    return _Said(None, "The walk is over: name each point, or start another.")


_DO = {"next": _next, "back": _back, "hold": _hold, "go on": _go_on, "then": _then, "end": _end}


def _here(desk: Desk, probe: Probe, walk: Walk) -> _Said:
    """The probe is on it now: said where a lift cannot be told from the readings (0 V to 0 V, ohms, a scope)."""
    if walk.here is None:
        raise CommandError("do", "The walk is over: there is no next point.")
    placing.mark(desk, probe, walk.here.point, walk.here.leg, from_now=True)
    return _Said(walk, f"{probe.name}: on {walk.here.label} now.")


def _next_words(walk: Walk) -> str:
    return _end_words(walk) if walk.here is None else f"Next {walk.here.label}."


def _end_words(walk: Walk) -> str:
    passed = ", ".join(walk.stops[n].label for n in sorted(walk.passed))
    return "That was the last point." + (f" Passed over: {passed}; next goes there." if passed else "")


def _corrected(desk: Desk, placement: int, act: int, change: Any, sentence: str) -> None:
    name = desk.writer.placement(placement)["probe"]
    walk = desk.walks.get(name)
    if walk is None or name not in desk.probes:
        return
    after = change(walk)
    if after != walk:
        _step(desk, desk.probes[name], _Said(after, sentence), act=act)


def _step(desk: Desk, probe: Probe, said: _Said, act: int | None = None, expect: bool = True) -> None:
    before = desk.walks.get(probe.name)
    step = Step(probe.name, before, said.walk, said.sentence, act, desk.writer.begin_act())
    desk.steps = [*desk.steps[-MOST_STEPS:], step]
    desk.left.pop(probe.name, None)
    _keep(desk, probe, said.walk, expect)


def _keep(desk: Desk, probe: Probe, walk: Walk | None, expect: bool = True) -> None:
    if walk is None:
        desk.walks.pop(probe.name, None)
    else:
        desk.walks[probe.name] = walk
        if expect:
            _expect(desk, probe, walk)
    _store(desk)
    desk.state_is_old = True


def _expect(desk: Desk, probe: Probe, walk: Walk) -> None:
    point, leg = (walk.here.point, walk.here.leg) if walk.here else ("", "")
    if probe.last is not None and probe.last.quantity is Quantity.RIPPLE:
        placing.mark(desk, probe, point, leg)  # of a scope's lead the marks alone say where it is
    else:
        probe.expect(point, leg)


def _store(desk: Desk) -> None:
    kept = {name: {**asdict(walk), "passed": sorted(walk.passed)} for name, walk in desk.walks.items()}
    desk.writer.set_meta("walks", json.dumps(kept))
