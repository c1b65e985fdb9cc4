"""Plays a whole repair on the simulated bench, as processes, and keeps what each of them said of it."""

import contextlib
import json
import os
import signal
import subprocess
import sys
import threading
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from daemon.commands import Door, fetch_state, say
from drivers.clock import SystemClock
from drivers.errors import DoorError

START_S = 60
PLAY_S = 200
PAUSES_ARE_NOTHING = "1000000"


@dataclass
class Played:
    """A repair that is over."""

    scenario: str
    session: Path
    acts: list[dict[str, Any]]  # what the technician really did, in order
    counts: dict[str, dict[str, int]]  # how many values each instrument sent


def start(*words: str, **more: Any) -> "subprocess.Popen[str]":
    """A module of ours as a process with its output in a pipe."""
    return subprocess.Popen([sys.executable, "-m", *words], stdout=subprocess.PIPE, text=True, **more)


@contextlib.contextmanager
def bench(scenario: str, runtime: Path):
    """The simulated bench; yields what it says of itself when it is ready."""
    process = start("simulated_instruments", "bench", scenario, "--runtime", str(runtime), stdin=subprocess.DEVNULL)
    try:
        yield json.loads(process.stdout.readline())
    finally:
        process.send_signal(signal.SIGTERM)
        process.communicate(timeout=START_S)


@contextlib.contextmanager
def daemon(runtime: Path, session: Path, *words: str):
    """``probetrail run`` on that bench without a dashboard; yields its door and ends it in good order."""
    environment = os.environ | {"PROBETRAIL_HOME": str(runtime / "home")}
    arguments = ("run", str(runtime / "bench.toml"), "--session", str(session), "--no-dashboard", *words)
    process = start("daemon", *arguments, env=environment)
    try:
        assert process.stdout.readline().startswith("Session: ")
        yield process, running_door(runtime / "home")
    finally:
        process.send_signal(signal.SIGTERM)
        process.communicate(timeout=START_S)


def running_door(home: Path) -> Door:
    (file,) = (home / "running").glob("*.json")
    content = json.loads(file.read_text())
    return Door(content["port"], content["token"])


def wait_for(what, seconds: float = START_S):
    """The first true answer of ``what``."""
    clock = SystemClock()
    end_s = clock.monotonic_s() + seconds
    while clock.monotonic_s() < end_s:
        with contextlib.suppress(DoorError):
            if (answer := what()) is not None and answer is not False:
                return answer
        threading.Event().wait(0.1)
    raise AssertionError(f"did not come true within {seconds} s")


def all_answer(door: Door) -> bool:
    return all(line["status"] == "ok" for line in fetch_state(door)["instruments"])


def play(scenario: str, folder: Path, *words: str) -> Played:
    """One repair from the first switch-on to the last, with the pauses between actions left out.

    ``words`` are further ones for the technician.
    """
    session = folder / "repair.session"
    with bench(scenario, folder) as ready, daemon(folder, session) as (process, door):
        wait_for(lambda: all_answer(door))
        unit_door = f"{ready['unit_door']['host']}:{ready['unit_door']['port']}"
        told = subprocess.run(
            [
                *(sys.executable, "-m", "simulated_instruments", "technician", scenario),
                *("--unit-door", unit_door, "--daemon", f"http://127.0.0.1:{door.port}"),
                *("--token", door.token, "--speed", PAUSES_ARE_NOTHING, *words),
            ],
            stdout=subprocess.PIPE,
            text=True,
            check=True,
            timeout=PLAY_S,
        ).stdout
        wait_for(lambda: fetch_state(door)["awaiting_verdicts"] == 0)
        say(door, {"command": "stop"})
        assert process.wait(START_S) == 0
    acts = [json.loads(line) for line in told.splitlines()]
    return Played(scenario, session, acts, json.loads((folder / "counts.json").read_text()))
