"""From a settled reading, as the daemon tells it, to the ranking on the screen; and polls while a drawing is solved."""

import numpy as np

from tests.benchmarks.figures import Figure, at_least, at_most, told
from tests.benchmarks.screen.busy_bench import METER_S
from tests.benchmarks.screen.looking import Look, browsers, process

AT_ONCE_S, REFINED_S = 0.3, 1.0
UNITS, READINGS = 8, 5
ROUNDS, SOLVING_S = 3, 6.0
LATER_S = 1.5  # after the last reading was settled


def figures(full: bool) -> list[Figure]:
    """All that is said of suspects on the bench page; with ``full`` of more units."""
    with browsers() as (opened,):
        return on_the_screen(opened, UNITS * (4 if full else 1), READINGS, ROUNDS, SOLVING_S)


def on_the_screen(opened, units: int, readings: int, rounds: int, seconds: float) -> list[Figure]:
    """One open page, so many readings on each of so many broken units, and so many drawings seen for the first time."""
    with process("probed_bench") as (address, ask):
        look = Look(opened, address, wanted=())
        settled = ask(f"probe {units} {readings}\n")
        look.page.wait_for_timeout(1000 * LATER_S)
        drawings = look.page.evaluate("drawings")
        late_s = {"new": [], "known": []}
        opening_s = []
        for number in range(rounds):
            for how in list(late_s)[:: -1 if number % 2 else 1]:
                opening, after = ask(f"{how} {seconds}\n")
                late_s[how] += after
                opening_s += opening if how == "new" else []
        look.close()
    refined = ages_s(settled, drawings["suspects two steps ahead"])
    at_once = np.minimum(ages_s(settled, drawings["suspects"]), refined)
    ratio = float(np.percentile(late_s["new"], 99) / np.percentile(late_s["known"], 99))
    on_time = float(np.mean(np.array(opening_s + late_s["new"]) <= METER_S / 10))
    what = f"62 parts, {len(settled)} readings"
    return [
        at_least(f"{what}: ranking on the screen within {AT_ONCE_S} s", float(np.mean(at_once <= AT_ONCE_S)), 0.95),
        at_least(f"{what}: two steps ahead within {REFINED_S} s", float(np.mean(refined <= REFINED_S)), 0.95),
        *(told(f"{what}: s to the screen, p{q}", float(np.percentile(at_once, q))) for q in (50, 95)),
        *(told(f"{what}: s until two steps ahead, p{q}", float(np.percentile(refined, q))) for q in (50, 95)),
        at_least("polls that began within a tenth of their period while a new drawing was opened", on_time, 0.99),
        at_most("start lateness of polls p99, a drawing opened for the first time / one that was solved", ratio, 1.5),
    ]


def ages_s(settled, drawn):
    """How old each reading was when a ranking with it was first seen, in seconds; for ever where none was.

    ``settled`` are [its time, told at], ``drawn`` [time of the newest reading in it, seen at], all microseconds.
    """
    drawn = [(newest, at) for newest, at in drawn if newest is not None]
    seen_us = [min((at for newest, at in drawn if newest >= t_us), default=np.inf) for t_us, _ in settled]
    return (np.array(seen_us) - [told_us for _, told_us in settled]) / 1e6
