"""What runs inside the unit's process and inside each instrument's."""

import json
import os
import signal
import sys
import tempfile
import threading
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from simulated_instruments.asking import UnitDoor, UnitGone
from simulated_instruments.bench.roster import OFF_BENCH, ROSTER, with_transfer
from simulated_instruments.clock import MachineClock
from simulated_instruments.fault_schedule import Scripted, Seeded, parse_fault
from simulated_instruments.faults import Faults, Injected
from simulated_instruments.language.speaker import Answer
from simulated_instruments.serving import Server
from simulated_instruments.serving.choice import make_server
from simulated_instruments.wire import Answering, WireWrapper, plain

LOOK_S = 0.1


def say(**facts: object) -> None:
    """One JSON line on standard output, at once."""
    sys.stdout.write(json.dumps(facts) + "\n")
    sys.stdout.flush()


def ended_by_signal() -> threading.Event:
    """An event that SIGTERM and SIGINT set."""
    ended = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: ended.set())
    return ended


def end_with_parent(ended: threading.Event) -> None:
    """Also set ``ended`` when standard input closes, as it does when the parent dies."""

    def watch() -> None:
        # Unbuffered: a thread inside a buffered read would hold up the interpreter's end.
        while os.read(0, 4096):
            pass
        ended.set()

    threading.Thread(target=watch, daemon=True).start()


def run_unit(scenario: str, port: int, seed: int) -> None:
    """The unit's process: says ``{"host", "port"}``, serves until told to end or its parent is gone."""
    from simulated_instruments.unit.door import serve_unit  # noqa: PLC0415 because instruments do without numpy
    from simulated_instruments.unit.scenario import load  # noqa: PLC0415 because of the same
    from simulated_instruments.unit.unit import Unit  # noqa: PLC0415 because of the same

    ended = ended_by_signal()
    end_with_parent(ended)
    with serve_unit(Unit(load(scenario), MachineClock(), seed), port) as (host, bound):
        say(host=host, port=bound)
        ended.wait()


class _Tallied:
    """An instrument whose sent values are counted at the unit too, so that a killed one's are not lost."""

    def __init__(self, instrument: Answering, name: str, unit: UnitDoor) -> None:
        self._instrument = instrument
        self._name = name
        self._unit = unit

    def answer(self, message: bytes | None) -> Answer:
        return self._instrument.answer(message)

    def count_sent(self, series: dict[str, int]) -> None:
        if series:
            self._instrument.count_sent(series)
            self._unit.ask(do="sent", instrument=self._name, series=series)

    def __getattr__(self, name: str) -> Any:
        """Status, clear and panel are the instrument's own."""
        return getattr(self._instrument, name)


@dataclass(frozen=True, slots=True)
class Way:
    """How an instrument is reached: over what, at which port or link, with which faults."""

    over: str = ""  # empty: as the roster has it
    port: int = 0
    link: Path | None = None
    faults: Sequence[str] = ()
    fault_rate: float = 0.0
    portmapper: int | None = None
    form: str = ""  # a scope's form of waveform transfer; empty: as the roster has it
    window: int = 0  # points that it sends at a time; 0: all

    def wrap(self, seed: int) -> WireWrapper:
        """The faults; each is said on standard output when it is put in."""
        if self.faults and self.fault_rate:
            raise ValueError("faults are either written down or drawn, not both")
        if not self.faults and not self.fault_rate:
            return plain
        drawn = Seeded(seed, self.fault_rate)
        faults = Faults(Scripted([parse_fault(text) for text in self.faults]) if self.faults else drawn, seed)
        faults.told = _say_fault
        return faults


def _say_fault(injected: Injected) -> None:
    say(fault=injected.kind, answer=injected.answer, t_us=injected.t_us)


def run_instrument(
    name: str,
    door: tuple[str, int],
    runtime: Path | None,
    way: Way | None = None,
    seed: int = 1,
    can_fetch: bool = True,
) -> None:
    """An instrument's process: says ``{"name", "resource"}``, serves until told to end or the unit is gone."""
    kinds = {**ROSTER, **OFF_BENCH}
    if name not in kinds:
        raise ValueError(f"there is no instrument {name!r}; there are: {', '.join(kinds)}")
    entry, panel = kinds[name], kinds[name].panel or name
    way = way or Way()
    if way.form or way.window:
        entry = with_transfer(entry, way.form or "a", way.window)
    ended = ended_by_signal()
    unit = UnitDoor(*door)
    with tempfile.TemporaryDirectory() as own:
        tallied = _Tallied(entry.make(unit, MachineClock(), seed, can_fetch), panel, unit)
        over = way.over or ("tty" if entry.serial and hasattr(os, "openpty") else "tcp")
        link = way.link or tty_link(runtime or Path(own), name)
        server = make_server(over, tallied, way.port, link, way.wrap(seed), way.portmapper)
        server.come_back()
        say(name=name, resource=server.resource)
        _stay(panel, server, UnitDoor(*door), ended)
        server.vanish()


def run_alone(kind: str, scenario: str, way: Way, seed: int, can_fetch: bool) -> None:
    """One instrument with a unit of its own in the same process, until told to end."""
    from simulated_instruments.unit.door import serve_unit  # noqa: PLC0415 because a bench's instruments have none
    from simulated_instruments.unit.scenario import load  # noqa: PLC0415 because of the same
    from simulated_instruments.unit.unit import Unit  # noqa: PLC0415 because of the same

    with serve_unit(Unit(load(scenario), MachineClock(), seed), 0) as door:
        run_instrument(kind, door, None, way, seed, can_fetch)


def tty_link(runtime: Path, name: str) -> Path:
    """Where a serial instrument's tty is found."""
    return runtime / f"{name.replace(' ', '-')}.tty"


def _stay(name: str, server: Server, unit: UnitDoor, ended: threading.Event) -> None:
    """Vanish and come back when the unit's door says so, until the end; a scripted absence is not cut short."""
    was_present = True
    while not ended.wait(LOOK_S):
        try:
            present = unit.ask(ask="panel", instrument=name)["present"]
        except UnitGone:
            return
        if present != was_present:
            (server.come_back if present else server.vanish)()
        was_present = present
