"""A session of three days, invented and the same each time: 25.9 million readings, 2,000 placements, 500 captures.

``python -m tests.benchmarks.long_session FILE [HOURS]`` writes one by hand.
"""

import sys
from collections import deque
from itertools import repeat
from pathlib import Path
from typing import NamedTuple

import numpy as np

from daemon.store.settings import Setting
from daemon.store.writer import SessionWriter
from drivers.clock import HandClock
from drivers.readings import Trace
from tests.benchmarks.made_readings import HOUR_US, SERIES, START_US, readings, stays

BLOCK_US = 900_000_000  # a commit
ABOUT = {"unit": "cassette deck", "serial": "0417", "protection": "double-insulated"}
SHARES = (0.35, 0.15)  # of the placements, on the second and third series; the others are on the first
MODES = ("STOP", "PLAY", "REC", "PAUSE")
HYPOTHESES = ("mode switch stuck", "regulator dead", "dry joint", "leaky capacitor", "")
SAMPLES = 10_000


class Spike(NamedTuple):
    """One reading unlike all others: the number of its series, its time (us) and value."""

    series: int
    t_us: int
    value: float


def spike(hours: float) -> Spike:
    """Where that reading lies in a session of so many hours."""
    return Spike(1, START_US + round(0.4171 * hours * HOUR_US), 47.11)


SPIKE = spike(72.0)


def write_long_session(
    path: Path, hours: float = 72.0, placements: int = 2000, captures: int = 500, seed: int = 1
) -> None:
    """Write the session to ``path``, closed. ``spike(hours)`` is in it."""
    clock = HandClock(START_US)
    rng = np.random.default_rng(seed)
    end_us = START_US + round(hours * HOUR_US)
    counts = _shared_out(placements)
    stood = [stays(made, hours, count, rng) for made, count in zip(SERIES, counts, strict=True)]
    told = deque(sorted(_story(stood, counts, captures, end_us, rng), key=lambda each: each[0]))
    with SessionWriter.create(path, clock, ABOUT) as writer:
        numbers = _begin(writer)
        for start_us in range(START_US, end_us, BLOCK_US):
            stop_us = min(start_us + BLOCK_US, end_us)
            for number, made, own in zip(numbers, SERIES, stood, strict=True):
                _append(writer, number, made, own, start_us, stop_us, hours, rng)
            clock.turn((stop_us - clock.now_us()) / 1e6)
            while told and told[0][0] < stop_us:
                moment_us, tell, *arguments = told.popleft()
                tell(writer, moment_us, *arguments)
            writer.commit()


def _shared_out(placements):
    """How many stays each series has; the mains meter's one is no placement."""
    others = [max(1, round(placements * share)) for share in SHARES]
    return [max(1, placements - sum(others)), *others, 1]


def _begin(writer):
    writer.add_event(START_US, "session opened", "Session opened for a cassette deck.")
    writer.set_context("condition", "isolation transformer", START_US)
    numbers = [writer.series(made.instrument, "", made.quantity) for made in SERIES]
    for number, made in zip(numbers, SERIES, strict=True):
        writer.note_setting(number, START_US, Setting(12.0, 10.0**-made.decimals, 0.02, 0.0035, 0.0006))
    return numbers


def _append(writer, number, made, own, start_us, stop_us, hours, rng):
    block = readings(made, own, start_us, stop_us, rng)
    odd = spike(hours)
    if number == odd.series and block.t[0] < odd.t_us <= block.t[-1]:
        place = int(np.searchsorted(block.t, odd.t_us))
        block.t[place], block.v[place], block.flags[place] = odd.t_us, odd.value, 0
    planes = block.t.tolist(), block.v.tolist(), block.flags.tolist()
    deque(map(writer.append, repeat(number), *planes), maxlen=0)


def _story(stood, counts, captures, end_us, rng):
    """What happens besides the readings: (time, how to tell it, more)."""
    for made, own, count in zip(SERIES[:3], stood, counts, strict=False):
        for place in range(count):
            level = round(float(own.level[place]), made.decimals)
            yield int(own.t0[place]), _placement, made, int(own.t1[place]), level, int(rng.integers(1, 40))
    bounds = np.sort(rng.integers(START_US, end_us, 40)).tolist()
    for place, t_us in enumerate([START_US, *bounds]):
        yield t_us, _context, "mode", MODES[place % len(MODES)]
        yield t_us, _context, "hypothesis", HYPOTHESES[place // 5 % len(HYPOTHESES)]
    for place, t_us in enumerate(np.linspace(START_US, end_us, captures, endpoint=False).astype(np.int64).tolist()):
        yield t_us, _capture, place, float(rng.uniform(0.2, 6.5)), int(rng.integers(2**31))
    for place, t_us in enumerate(np.sort(rng.integers(START_US, end_us, 200)).tolist()):
        yield t_us, _note, f"Seen on the board, number {place + 1}."


def _context(writer, t_us, kind, value):
    writer.set_context(kind, value, t_us)


def _note(writer, t_us, text):
    writer.add_event(t_us, "note", text, {"kind": "note"})


def _placement(writer, t_us, made, t1_us, level, pin):
    held = writer.context
    number = writer.open_placement(
        t_us, instrument=made.instrument, channel="", probe=made.instrument, quantity=made.quantity,
        point=f"TP{pin}", leg="C" if pin % 3 == 0 else "", mode=held.get("mode", ""),
        condition=held.get("condition", ""), hypothesis=held.get("hypothesis", ""),
    )  # fmt: skip
    step = 10.0**-made.decimals
    facts = {"value": level, "uncertainty": step, "limits": 0.002, "count": (t1_us - t_us) * made.rate_hz // 1_000_000}
    if not facts["count"]:
        facts = {"count": 0}
    else:
        verdict = "inside" if pin % 4 else "outside"
        facts["judgement"] = {
            "verdict": verdict, "expected": level if pin % 4 else level + 2.0, "low": level - 0.1, "high": level + 0.1,
            "chance_inside": 0.99 if pin % 4 else 0.0, "compared_with": f"{level} V printed, 10 %",
        }  # fmt: skip
    writer.set_placement(number, t1=t1_us, **facts)
    if pin == 7:
        writer.correct_placement(number, t1_us, "wrong pin", struck=True)


def _capture(writer, t_us, place, peak_v, seed):
    rng = np.random.default_rng(seed)
    t_s = np.arange(SAMPLES) * 1e-3 - 1.0
    volts = np.where(t_s > 0.3, peak_v * (1 - np.exp(-(t_s - 0.3) / 0.1)) * np.exp(-(t_s - 0.3) / 4.0), 0.0)
    codes = np.round(volts / 0.001 + rng.normal(0.0, 1.5, SAMPLES)).astype(np.int16)
    role = ("reference", "switch-on", "kept")[place % 3 if place else 0]
    event = writer.add_event(t_us, "switch-on", "The unit draws current.") if role == "switch-on" else None
    held = writer.context
    tags = {"point": "C308", "leg": "", "mode": held.get("mode", ""), "condition": held.get("condition", "")}
    number = writer.add_capture(
        Trace(t_us, 1e-3, codes, 0.001, 0.0, "1"), role=role, event=event, instrument="scope", **tags
    )
    if event is not None:
        verdict = "missing" if peak_v < 0.62 else "smaller" if peak_v < 4.34 else "same"
        writer.add_event(
            t_us + 10_000_000, "switch-on verdict", f"C308: {verdict}.",
            {"t_us": t_us, "capture": number, "reference": 1, **tags, "verdict": verdict, "also": [],
             "ratio": round(peak_v / 6.2, 3), "why": f"{100 * peak_v / 6.2:.1f} % of the reference."},
        )  # fmt: skip


if __name__ == "__main__":
    write_long_session(Path(sys.argv[1]), *map(float, sys.argv[2:3]))
