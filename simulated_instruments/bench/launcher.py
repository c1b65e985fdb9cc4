"""Starts one process for the unit and one for each instrument, and ends them all."""

import json
import subprocess
import sys
import threading
from collections.abc import Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any

from simulated_instruments.asking import UnitDoor, UnitGone
from simulated_instruments.bench.bench_file import bench_toml
from simulated_instruments.bench.processes import end_with_parent, ended_by_signal, say, tty_link
from simulated_instruments.bench.roster import ROSTER
from simulated_instruments.serving.choice import TRANSPORTS
from simulated_instruments.unit.scenario import load

_GRACE_S = 3.0


class Bench:
    """A running bench in a folder: ``bench.json`` says where everything is, ``bench.toml`` is its bench file."""

    def __init__(
        self,
        scenario: str,
        runtime: Path,
        seed: int = 1,
        no_fetch: Sequence[str] = (),
        over: Mapping[str, str] | None = None,
    ) -> None:
        self.scenario = load(scenario)
        self.runtime = runtime.resolve()
        self.runtime.mkdir(parents=True, exist_ok=True)
        self._children: dict[str, subprocess.Popen[bytes]] = {}
        self._seed = seed
        self._no_fetch = no_fetch
        self._over = dict(over or {})
        for name, transport in self._over.items():
            if name not in ROSTER or transport not in TRANSPORTS:
                known = f"{', '.join(ROSTER)}; {', '.join(TRANSPORTS)}"
                raise ValueError(f"{name}={transport}: instruments and transports are {known}")

    def start(self) -> None:
        """Start all; returns when each has said where it is. Raises ``RuntimeError`` if one does not."""
        unit = self._spawn("unit", "unit", self.scenario.name)
        self.door = {"host": unit["host"], "port": unit["port"]}
        door = f"{self.door['host']}:{self.door['port']}"
        for name in ROSTER:
            extra = ["--no-fetch"] if name in self._no_fetch else []
            extra += ["--over", self._over[name]] if name in self._over else []
            self._popen(name, "instrument", name, "--unit-door", door, "--runtime", str(self.runtime), *extra)
        self.resources = {name: str(self._first_line(name)["resource"]) for name in ROSTER}
        self._write()

    def _spawn(self, name: str, *words: str) -> dict[str, Any]:
        self._popen(name, *words)
        return self._first_line(name)

    def _popen(self, name: str, *words: str) -> None:
        line = [sys.executable, "-m", "simulated_instruments", *words, "--seed", str(self._seed)]
        # A session of their own: Ctrl-C must reach them only through the launcher, after the counts.
        self._children[name] = subprocess.Popen(
            line, stdin=subprocess.PIPE, stdout=subprocess.PIPE, start_new_session=True
        )

    def _first_line(self, name: str) -> dict[str, Any]:
        out = self._children[name].stdout
        line = out.readline() if out else b""
        if not line:
            raise RuntimeError(f"the process of {name} ended before it was ready; what it said is above")
        facts: dict[str, Any] = json.loads(line)
        return facts

    def _write(self) -> None:
        pids = {name: child.pid for name, child in self._children.items()}
        facts = {
            "scenario": self.scenario.id,
            "seed": self._seed,
            "resources": self.resources,
            "unit_door": self.door,
            "pids": pids,
        }
        (self.runtime / "bench.json").write_text(json.dumps(facts, indent=1) + "\n", encoding="utf-8")
        text = bench_toml(self.scenario, self.resources)
        (self.runtime / "bench.toml").write_text(text, encoding="utf-8")

    def stop(self) -> None:
        """Write ``counts.json`` and end every child; safe to call whatever has been started."""
        self._write_counts()
        for child in self._children.values():
            child.terminate()
        for child in self._children.values():
            _bury(child)
        for name in ROSTER:
            tty_link(self.runtime, name).unlink(missing_ok=True)
        self._children.clear()

    def _write_counts(self) -> None:
        with suppress(UnitGone, AttributeError):
            door = UnitDoor(self.door["host"], self.door["port"])
            counts = door.ask(ask="counts")["counts"]
            door.close()
            (self.runtime / "counts.json").write_text(json.dumps(counts, indent=1) + "\n", encoding="utf-8")


def _bury(child: subprocess.Popen[bytes]) -> None:
    try:
        child.wait(_GRACE_S)
    except subprocess.TimeoutExpired:
        child.kill()
        child.wait()
    for pipe in (child.stdin, child.stdout):
        if pipe:
            pipe.close()


def run_bench(
    scenario: str, runtime: Path, seed: int, with_parent: bool, no_fetch: Sequence[str], over: Mapping[str, str]
) -> None:
    """The launcher's process: says ``{"ready": true, ...}``, runs until told to end."""
    ended: threading.Event = ended_by_signal()
    if with_parent:
        end_with_parent(ended)
    bench = Bench(scenario, runtime, seed, no_fetch, over)
    try:
        bench.start()
        say(ready=True, runtime=str(bench.runtime), unit_door=bench.door, resources=bench.resources)
        ended.wait()
    finally:
        bench.stop()
