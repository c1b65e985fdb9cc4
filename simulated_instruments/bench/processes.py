"""What runs inside the unit's process and inside each instrument's."""

import json
import os
import signal
import sys
import threading
from pathlib import Path

from simulated_instruments.asking import UnitDoor, UnitGone
from simulated_instruments.bench.roster import ROSTER
from simulated_instruments.clock import MachineClock
from simulated_instruments.instruments.panelled import Panelled
from simulated_instruments.language.speaker import Answer
from simulated_instruments.serving import Server, TcpServer, TtyServer

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

    def __init__(self, instrument: Panelled) -> None:
        self._instrument = instrument

    def answer(self, message: bytes | None) -> Answer:
        return self._instrument.answer(message)

    def count_sent(self, series: dict[str, int]) -> None:
        if series:
            self._instrument.count_sent(series)
            self._instrument.unit.ask(do="sent", instrument=self._instrument.name, series=series)


def run_instrument(
    name: str, door: tuple[str, int], runtime: Path, port: int = 0, seed: int = 1, can_fetch: bool = True
) -> None:
    """An instrument's process: says ``{"name", "resource"}``, serves until told to end or the unit is gone."""
    entry = ROSTER[name]
    ended = ended_by_signal()
    unit = UnitDoor(*door)
    tallied = _Tallied(entry.make(unit, MachineClock(), seed, can_fetch))
    server: Server
    if entry.serial and hasattr(os, "openpty"):
        server = TtyServer(tallied, tty_link(runtime, name))
    else:
        server = TcpServer(tallied, port)
    server.come_back()
    say(name=name, resource=server.resource)
    _stay(name, server, UnitDoor(*door), ended)
    server.vanish()


def tty_link(runtime: Path, name: str) -> Path:
    """Where a serial instrument's tty is found."""
    return runtime / f"{name.replace(' ', '-')}.tty"


def _stay(name: str, server: Server, unit: UnitDoor, ended: threading.Event) -> None:
    """Vanish and come back as the unit's door says, until the end."""
    while not ended.wait(LOOK_S):
        try:
            present = unit.ask(ask="panel", instrument=name)["present"]
        except UnitGone:
            return
        if present:
            server.come_back()
        else:
            server.vanish()
