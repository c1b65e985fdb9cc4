"""The bench page while everything happens: from the answer at the daemon to the screen."""

import statistics
from concurrent.futures import ThreadPoolExecutor

import numpy as np

from tests.benchmarks.figures import Figure, at_least, at_most, ratio_in_turns
from tests.benchmarks.screen.day import MESSAGES_S, WORKING_DAY_S
from tests.benchmarks.screen.looking import Look, browsers, process

SERIES, MANY_SERIES = 4, 16
SHORT_S = 0.25
CALM_S = 2.0  # after a page was opened
TURNS = 5
WARM_S = 8
RUSH, RUSH_S, DAY_RATE = 48, 30, 48


def figures(full: bool) -> list[Figure]:
    """All that is said of the live page; with ``full`` longer, and a whole working day's worth of messages."""
    scale = 3 if full else 1
    with browsers(3) as opened:
        return [
            *beside_whole_figures(opened[0], 3 * scale, 4.0),
            *many_series(opened[0], 6.0 * scale),
            *late_polls(opened, 3 * scale, 4.0),
            *after_a_day(opened, *((DAY_RATE, WORKING_DAY_S / DAY_RATE) if full else (RUSH, RUSH_S))),
        ]


def beside_whole_figures(opened, pairs, seconds):
    """Our page and the one that asks for whole figures, in turns; the first goes second every other time."""
    seen = {"ours": [], "theirs": []}
    with process("busy_bench", SERIES) as (ours, _), process("whole_figures") as (theirs, _):
        for number in range(pairs):
            pages = [("ours", ours), ("theirs", theirs)]
            for name, address in pages[:: -1 if number % 2 else 1]:
                seen[name].append(_watched(opened, address, seconds))
        wire = _bytes_a_second(opened, ours, seconds) / _bytes_a_second(opened, theirs, seconds)
    both = f"{SERIES} series at 50 readings/s and a trace of 10,000 points 5 times a second"
    return [
        *(
            at_least(f"{both}: {what} to screen, whole figures / ours, p{q}", _faster(seen, name, q), goal)
            for what, name in (("reading", "trend_s"), ("trace", "scope_s"))
            for q, goal in ((50, 3.0), (95, 2.5))
        ),
        at_most("bytes on the wire a second, ours / whole figures", wire, 0.05),
    ]


def _faster(seen, name, percent):
    """Median over the pairs of theirs / ours."""
    at = {who: [np.percentile(getattr(each, name), percent) for each in looks] for who, looks in seen.items()}
    return statistics.median(theirs / ours for ours, theirs in zip(at["ours"], at["theirs"], strict=True))


def _watched(opened, address, seconds):
    look = Look(opened, address)
    look.page.wait_for_timeout(CALM_S * 1000)
    try:
        return look.watch(seconds)
    finally:
        look.close()


def _bytes_a_second(opened, address, seconds):
    look = Look(opened, address)
    look.page.wait_for_timeout(CALM_S * 1000)
    try:
        return look.bytes_a_second(seconds)
    finally:
        look.close()


def many_series(opened, seconds):
    """Sixteen meters."""
    with process("busy_bench", MANY_SERIES) as (address, _):
        seen = _watched(opened, address, seconds)
    on_time = float(np.mean(seen.trend_s < SHORT_S))
    return [at_least(f"{MANY_SERIES} series: share of readings on the screen within {SHORT_S} s", on_time, 0.95)]


def late_polls(opened, rounds, seconds):
    """Start lateness of polls with three browsers and with none, in turns."""
    late_s = {"looked at": [], "alone": []}
    with process("busy_bench", SERIES) as (address, late):
        looks = [Look(each, address) for each in opened]
        where = {"looked at": address, "alone": "about:blank"}
        for number in range(rounds):
            for how in list(where)[:: -1 if number % 2 else 1]:
                late_s[how] += _lateness(looks, where[how], late, seconds)
        for look in looks:
            look.close()
    ratio = np.percentile(late_s["looked at"], 99) / np.percentile(late_s["alone"], 99)
    return [at_most(f"start lateness of polls p99, {len(opened)} browsers / none", float(ratio), 1.5)]


def _lateness(looks, where, late, seconds):
    for look in looks:
        look.page.goto(where)
    looks[0].page.wait_for_timeout(CALM_S * 1000)
    late()
    looks[0].page.wait_for_timeout(seconds * 1000)
    return late()


def after_a_day(opened, rate, seconds):
    """A page that heard ``rate`` times the usual messages for ``seconds``, beside one that was opened just now."""
    with process("day") as (address, say):
        old = Look(opened[0], address)
        _meanwhile(old, say, rate, WARM_S)  # whatever is made once has been made, and scripts have been compiled
        old.page.wait_for_timeout(CALM_S * 1000)
        heard, held = old.page.evaluate("heard"), old.heap_bytes()
        said = _meanwhile(old, say, rate, seconds)
        share = (old.page.evaluate("heard") - heard) / said
        young = Look(opened[1], address)
        _meanwhile(old, say, rate, WARM_S)
        old.page.wait_for_timeout(CALM_S * 1000)
        slower = ratio_in_turns(lambda: _standing_s(old), lambda: _standing_s(young), TURNS)
        holds = old.heap_bytes() / held
        young.close()
        old.close()
    hours = f"{said / MESSAGES_S / 3600:.1f} h worth of messages"
    return [
        at_least(f"{hours}: messages that the page heard / said", share, 0.95),
        at_most(f"after {hours}: reading to screen p50, this page / one opened just now", slower, 1.2),
        at_most(f"after {hours}: what the page's scripts hold, after / before", holds, 1.1),
    ]


def _meanwhile(look, say, rate, seconds):
    """Have ``rate`` times the messages said for so long; how many. What the browser tells of them is taken from it all
    the while: its driver keeps what nobody takes, and ends when that is too much."""
    with ThreadPoolExecutor(1) as other:
        answer = other.submit(say, f"{rate} {seconds}\n")
        while not answer.done():
            look.page.wait_for_timeout(200)
    return answer.result()["said"]


def _standing_s(look):
    """Latency p50 in seconds at the usual rate."""
    return float(np.median(look.watch(3.0, (0.05, 0.2)).trend_s))
