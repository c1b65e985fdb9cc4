"""Plays a script through the two doors, and says what really happened, one JSON line an action."""

import json
import random
import sys
from collections.abc import Callable, Mapping
from typing import Any

from simulated_instruments.asking import Asker, UnitDoor
from simulated_instruments.clock import Clock, MachineClock, wall_us
from simulated_instruments.technician.acting import Action, Answer, Hand, Hold, Pause, Say, Strike, Wait
from simulated_instruments.technician.carelessness import CarelessHand, SteadyHand
from simulated_instruments.technician.doors import Daemon, DaemonDoor
from simulated_instruments.technician.script import script
from simulated_instruments.unit.scenario import LogLine, Scenario, load

LOOK_S = 0.1
LEAST_PAUSE_S = 0.6  # a hand needs this long, whatever the speed
LEAST_HOLD_S = 0.8
READY_S = 20.0


class Player:
    """One technician: two doors, a speed, a clock, and where to report each action."""

    def __init__(
        self,
        scenario: Scenario,
        unit: Asker,
        daemon: Daemon,
        clock: Clock,
        report: Callable[[Mapping[str, Any]], None],
        speed: float = 1.0,
        seed: int = 1,
        hand: SteadyHand | None = None,
    ) -> None:
        self._scenario = scenario
        self._hand_of = hand
        self._unit = unit
        self._daemon = daemon
        self._clock = clock
        self._report = report
        self._speed = speed
        self._placements: dict[int, int] = {}
        self._hands = random.Random(f"hands {seed}")

    def play(self) -> None:
        """Everything, from waiting for the instruments to the last switch-on."""
        self._await_instruments()
        for action in script(self._scenario, self._hand_of):
            self._act(action)
        self._report({"action": "done"})

    def _act(self, action: Action) -> None:
        match action:
            case Pause(seconds):
                self._clock.sleep_s(max(seconds / self._speed, LEAST_PAUSE_S) * self._hands.uniform(0.9, 1.1))
            case Wait(seconds):
                self._clock.sleep_s(seconds)
            case Say(command):
                self._say(command)
            case Hand(request):
                self._hand(request)
            case Hold():
                self._hold(action)
            case Strike():
                self._strike(action)
            case Answer():
                self._answer_cautions()

    def _say(self, command: Mapping[str, Any]) -> None:
        answer = self._daemon.say(command)
        self._report({"action": "says", "said": dict(command), "answer": answer})

    def _hand(self, request: Mapping[str, Any]) -> None:
        self._unit.ask(**request)
        self._report({"action": "does", **request})

    # ---- readings

    def _hold(self, hold: Hold) -> None:
        line = self._scenario.log[hold.line]
        self._report({"action": "lands", "line": hold.line, "probe": hold.probe, **_truth(line)})
        began_s = self._clock.now_s()
        seen = self._probe(hold.probe)
        # What was settled at the moment of landing is not this stay.
        stale = seen.get("placement") if seen.get("state") == "settled" else None
        while self._clock.now_s() - began_s < hold.most_s:
            self._clock.sleep_s(LOOK_S)
            seen = self._probe(hold.probe)
            if seen.get("placement") != stale:
                self._remember(hold.line, line, seen)
            if self._clock.now_s() - began_s >= LEAST_HOLD_S and _enough(seen, hold.enough, stale):
                break
        self._report(
            {
                "action": "has read",
                "line": hold.line,
                "probe": hold.probe,
                "placement": self._placements.get(hold.line),
                "settled": seen.get("settled"),
                "overload": "overload" in (seen.get("flags") or ""),
            }
        )

    def _remember(self, index: int, line: LogLine, seen: Mapping[str, Any]) -> None:
        """The daemon's number of this stay, so that it can be taken back however many follow.

        The number of an earlier line may still show for a moment after landing.
        """
        number = seen.get("placement")
        if number is not None and seen.get("point") == line.point and number not in self._others(index):
            self._placements[index] = number

    def _others(self, index: int) -> set[int]:
        return {number for line, number in self._placements.items() if line != index}

    def _strike(self, strike: Strike) -> None:
        placement = self._placements.get(strike.line)
        if placement is None:
            self._report({"action": "has nothing to strike", "line": strike.line, "why": strike.why})
            return
        why = strike.why.lower().replace("_", " ")
        self._say({"command": "strike", "placement": placement, "why": why})

    def _probe(self, name: str) -> dict[str, Any]:
        probes = self._daemon.state().get("probes") or []
        return next((dict(probe) for probe in probes if probe["probe"] == name), {})

    # ---- before the hands are busy

    def _await_instruments(self) -> None:
        """Until each instrument answers the daemon. Raises ``RuntimeError`` naming those that do not."""
        began_s = self._clock.now_s()
        missing = ["all of them"]
        while self._clock.now_s() - began_s < READY_S:
            instruments = self._daemon.state().get("instruments") or []
            missing = [i["name"] for i in instruments if i["status"] != "ok"] if instruments else missing
            if not missing:
                return
            self._clock.sleep_s(LOOK_S)
        raise RuntimeError(f"the daemon does not get an answer from: {', '.join(missing)}")

    def _answer_cautions(self) -> None:
        for caution in self._daemon.state().get("cautions") or []:
            if caution["confirmed"] or not caution["due"] or caution["kind"] not in ("confirm", "answer"):
                continue
            if caution["id"] == "closing":
                reason = "it is looked at before the cover goes on"
                self._say({"command": "confirm", "caution": "closing", "answer": reason})
                continue
            if caution["kind"] == "answer":
                self._say({"command": "unit", "protection": self._scenario.protection})
            self._say({"command": "confirm", "caution": caution["id"]})


def _enough(seen: Mapping[str, Any], enough: int, stale: int | None) -> bool:
    settled = seen.get("settled") or {}
    fresh = stale is None or seen.get("placement") != stale
    return fresh and seen.get("state") == "settled" and settled.get("count", 0) >= enough


def _truth(line: LogLine) -> dict[str, Any]:
    return {
        "point": line.point,
        "touches": line.touches,
        "mode": line.mode,
        "really": line.really,
        "condition": line.condition,
        "function": line.function,
        "expected": line.value,
        "at_most": line.at_most,
        "unit": line.unit,
        "trap": line.trap,
    }


def run_technician(
    name: str, door: tuple[str, int], url: str, token: str, speed: float, seed: int, careless: int | None = None
) -> None:
    """The technician's process; ``careless`` is the seed of a careless hand. Raises ``ValueError`` for a bad speed."""
    if speed <= 0:
        raise ValueError(f"--speed {speed} must be above 0")
    unit, hand = UnitDoor(*door), None if careless is None else CarelessHand(seed=careless)
    Player(load(name), unit, DaemonDoor(url, token), MachineClock(), _print, speed, seed, hand).play()
    unit.close()


def _print(facts: Mapping[str, Any]) -> None:
    sys.stdout.write(json.dumps({"t_us": wall_us(), **facts}) + "\n")
    sys.stdout.flush()
