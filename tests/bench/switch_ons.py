"""Switch-ons of healthy and faulty units over the wire: ``python -m tests.bench.switch_ons [--full] [--seed N]``.

The unit, its scope and the daemon run as processes of their own, as in the demo. Each time the unit goes on
at a chance moment, as it was found or repaired, and the scope looks in another way: rolling, or in sweeps
with dead time between them. A verdict is right, or "not observed", or wrong; not one may be wrong.
``--full``: 200 times, else 10.
"""

import argparse
import contextlib
import json
import random
import sys
import tempfile
import threading
from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from daemon.commands import Door, fetch_state, say
from simulated_instruments.asking import UnitDoor
from simulated_instruments.unit.scenario import load
from tests.bench.played import all_answer, bench, daemon, wait_for

ROLLING_S_DIV = (0.5, 0.25)
SWEEPS_S_DIV = (0.05, 0.02, 0.01, 0.005)
OFF_S = 1.2
RIGHT = {
    "amplifier": {"faulty": {"missing"}, "repaired": {"same", "size uncertain"}},
    "cassette": {"faulty": {"missing"}, "repaired": {"same", "size uncertain"}},
}
UNITS = tuple(RIGHT)
NOT_OBSERVED = "not observed"


@dataclass(frozen=True)
class Told:
    """One switch-on and what was said of it."""

    unit: str
    stage: str
    s_div: float
    verdict: str
    why: str

    @property
    def wrong(self) -> bool:
        """Neither right nor not observed."""
        return self.verdict != NOT_OBSERVED and self.verdict not in RIGHT[self.unit][self.stage]


def _rest(seconds: float) -> None:
    threading.Event().wait(seconds)


class Bench:
    """One unit on its bench."""

    def __init__(self, unit: str, hands: Any, door: Door, seed: int) -> None:
        self._unit, self._hands, self._door = unit, hands, door
        self._chance = random.Random(seed)
        self._scenario = load(unit)
        self._point = self._scenario.scope_point
        self._do(do="mode", mode=self._scenario.scope_mode)
        self._do(do="touch", probe="scope A", thing=self._point)
        self._knob("V/div 1", self._scenario.scope_v_div)
        for words in (
            {"command": "condition", "condition": "direct"},
            {"command": "mode", "mode": self._scenario.scope_mode},
            {"command": "point", "probe": "scope A", "point": self._point},
        ):
            say(door, words)

    def _do(self, **words: Any) -> None:
        self._hands.ask(**words)

    def _knob(self, knob: str, position: float) -> None:
        self._do(do="knob", instrument="scope", knob=knob, position=position)

    def switch_on(self) -> Told:
        """Off for a while, then on; the verdict on that."""
        stage = self._chance.choice(("faulty", "repaired"))
        s_div = self._chance.choice(self._chance.choice((ROLLING_S_DIV, SWEEPS_S_DIV)))
        self._do(do="power", on=False)
        self._do(do="stage", stage=stage)
        self._knob("s/div", s_div)
        wait_for(lambda: fetch_state(self._door)["context"]["power"] == "off")
        _rest(OFF_S + self._chance.uniform(0, 1))
        before_us = fetch_state(self._door)["now_us"]
        self._do(do="power", on=True)
        shown = wait_for(lambda: self._verdict_after(before_us), 40)
        return Told(self._unit, stage, s_div, shown["verdict"], shown["why"])

    def _verdict_after(self, t_us: int) -> dict[str, Any] | None:
        state = fetch_state(self._door)
        of_point = [shown for shown in state["switch_ons"] if shown["point"] == self._point]
        new = [shown for shown in of_point if shown["t_us"] > t_us - 500_000]
        return new[0] if new and not state["awaiting_verdicts"] else None


def play(unit: str, count: int, seed: int, folder: Path) -> list[Told]:
    """So many switch-ons of one unit."""
    with bench(unit, folder) as ready, daemon(folder, folder / "on.session") as (_, door):
        wait_for(lambda: all_answer(door))
        hands = UnitDoor(ready["unit_door"]["host"], ready["unit_door"]["port"])
        with contextlib.closing(hands):
            stand = Bench(unit, hands, door, seed)
            return [stand.switch_on() for _ in range(count)]


def main(arguments: list[str] | None = None) -> int:
    """Print every verdict as a line of JSON, then how often each was said; 1 where one was wrong."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--full", action="store_true", help="200 switch-ons instead of 10")
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args(arguments)
    each = (200 if options.full else 10) // len(UNITS)
    told: list[Told] = []
    for unit in UNITS:
        with tempfile.TemporaryDirectory() as folder:
            told += play(unit, each, options.seed, Path(folder))
    for one in told:
        sys.stdout.write(json.dumps(one.__dict__) + "\n")
    counted = Counter(f"{one.stage}: {one.verdict}" for one in told)
    sys.stdout.write(json.dumps({"said": counted, "wrong": sum(one.wrong for one in told)}) + "\n")
    return 1 if any(one.wrong for one in told) else 0


if __name__ == "__main__":
    raise SystemExit(main())
