"""A bench on which broken units are probed where the program proposes: ``python -m ...probed_bench``.

The meters answer at once; the first one's probe is lifted and put down by a hand that waits for nothing but the
settled value. Daemon, judging process and dashboard are the real ones. It prints the page's address as a line of JSON.
A line of standard input ``probe UNITS READINGS`` is answered with ``[settled at us, told at us]`` of each reading
(told: when the daemon's feed brought it); ``new SECONDS`` opens a drawing that was never solved and is answered with
the lateness of each poll in seconds, while a session with it was begun and in the time after; ``known SECONDS`` opens
one that was. It ends when its standard input does.
"""

import asyncio
import contextlib
import functools
import json
import os
import sys
import threading
import time

import numpy as np

from daemon import acquisition
from daemon.bench_file import Bench, Setup
from daemon.command_line.children import child
from daemon.commands import feed, say
from daemon.poller import Poller
from daemon.running import solved_folder
from daemon.solved_drawings import SolvedDrawings
from daemon.suspects.diagnosis import Diagnosis
from drivers.errors import DoorError
from drivers.protocols import InstrumentSpec
from drivers.readings import Poll, Quantity, Reading
from tests.benchmarks.quick_instrument import announce
from tests.benchmarks.screen.busy_bench import METER_S, Late, Quick
from tests.benchmarks.screen.served import dashboard, lasting, own_folder
from tests.suspects.networks import TEXTS, drawing_of, drawing_text

METERS = 4
OPEN_LEAD_V, NOISE_V = (0.35, 0.05), 5e-5
LIFTED_S, STILL_S, PATIENCE_S = 0.7, 6.0, 60.0
TRIES = 4  # a hand that sees nothing settle lifts and lands again
SEED = 11


class Hand:
    """Where the probe is: on nothing, or on something with this many volts."""

    def __init__(self):
        self.volts = None
        self._chance = np.random.default_rng(SEED)

    def reads(self):
        """What the meter shows now."""
        if self.volts is None:
            return float(self._chance.normal(*OPEN_LEAD_V))
        return self.volts + float(self._chance.normal(0, NOISE_V))


class Meter(Quick):
    """Reads what the hand is on."""

    def __init__(self, spec, clock, started, hand):
        super().__init__(spec, clock, started)
        self._hand = hand

    def poll(self):
        self._started()
        return Poll((Reading(self._clock.now_us(), self._hand.reads(), Quantity.DC_V, resolution=1e-4),))


class Listener(threading.Thread):
    """Hears the feed like any other program, and remembers when it was told of each settled value."""

    def __init__(self, door):
        super().__init__(daemon=True)
        self.state, self.told_us = {}, {}
        self._door, self._new = door, threading.Condition()

    def run(self):
        with contextlib.suppress(DoorError):  # the daemon is asked to end before this
            asyncio.run(self._hear())

    async def _hear(self):
        async for frame in feed(self._door):
            now_us = time.time_ns() // 1000
            if isinstance(frame, str) and frame.startswith('{"kind":"state"'):
                with self._new:
                    self.state = json.loads(frame)["state"]
                    self._note(now_us)
                    self._new.notify_all()

    def _note(self, now_us):
        probe = next(iter(self.state["probes"]), None)
        if probe and probe["settled"] and probe["placement"] is not None and probe["point"]:
            key = self.state["session"]["path"], probe["placement"]
            self.told_us.setdefault(key, (probe["settled"]["t_us"], now_us, probe["point"]))

    def soon(self, true, seconds=STILL_S):
        """Whether this becomes true of the state in so many seconds."""
        with self._new:
            return bool(self._new.wait_for(lambda: bool(self.state) and true(self.state), seconds))

    def wait(self, true):
        """The state in which this is true; ends the benchmark where it never is."""
        if not self.soon(true, PATIENCE_S):
            raise SystemExit("The bench did not get on with it.")
        return self.state


class Technician:
    """Probes one broken unit after the other."""

    def __init__(self, door, hand, folder):
        self._door, self._hand, self._folder = door, hand, folder
        self._listener = Listener(door)
        self._listener.start()
        self._opened = 0
        self._diagnosis = Diagnosis(drawing_of("console"), SolvedDrawings(solved_folder()))

    def probe(self, units, readings):
        """Settled and told, in microseconds, of so many readings on each of so many units."""
        table = self._diagnosis.table
        chance = np.random.default_rng(SEED)
        for _ in range(units):
            world = int(chance.choice(np.flatnonzero(table.prior > 0)))
            self.open_unit("invented")
            self._search(table.volts[:, :, world], readings)
        told, self._listener.told_us = list(self._listener.told_us.values()), {}
        return [[t_us, told_us] for t_us, told_us, _ in told]

    def open_unit(self, name):
        """A new session with the drawing, called by this name."""
        self._hand.volts = None
        text = drawing_text(TEXTS["console"]).replace('unit = "invented"', f'unit = "{name}"')
        path = self._folder / "drawing.toml"
        path.write_text(text)
        self._opened += 1
        session = str(self._folder / f"unit {self._opened}.session")
        card = {"unit": name, "drawing": str(path), "protection": "earthed", "rated_mains_v": 230}
        say(self._door, {"command": "session", "do": "start", "file": session, **card})
        say(self._door, {"command": "condition", "condition": "isolation"})
        say(self._door, {"command": "mode", "mode": self._diagnosis.drawing.modes[0]})
        return session

    def _search(self, volts, readings):
        for _ in range(readings):
            ranked = self._listener.wait(lambda state: (state["suspects"] or {}).get("steps_ahead") == 2)["suspects"]
            if not ranked["next"]:
                return
            self._read(ranked["next"][0], volts, ranked["readings"] + 1)

    def _read(self, wanted, volts, count):
        nodes, modes = self._diagnosis.table.nodes, self._diagnosis.table.modes
        halves = [nodes[half.lower()] for half in wanted["point"].split(" - ")]
        if self._listener.state["context"]["mode"] != wanted["mode"]:
            say(self._door, {"command": "mode", "mode": wanted["mode"]})
        say(self._door, {"command": "point", "point": wanted["point"]})
        level = volts[modes.index(wanted["mode"])][halves]
        volts = float(level[0] - (level[1] if len(halves) > 1 else 0.0))
        for _ in range(TRIES):
            self._hand.volts = volts
            kept = self._listener.soon(lambda state: state["suspects"] and state["suspects"]["readings"] >= count)
            self._hand.volts = None
            time.sleep(LIFTED_S)
            if kept:
                return
        raise SystemExit(f"{wanted['point']} at {volts} V never settled.")


def make_bench():
    """Meters with a probe each, of which the first is in the hand."""
    specs = [InstrumentSpec(f"meter {n}", "meter", f"TCPIP::127.0.0.1::{n + 1}::SOCKET") for n in range(METERS)]
    return Bench(tuple(Setup(spec, METER_S, (f"{n + 1}",)) for n, spec in enumerate(specs)))


def opener(late, hand):
    """Opens the quick meters in place of real ones; all but the first are held in the air."""
    return lambda spec, clock: Meter(spec, clock, late.keeper(METER_S), hand if spec.name == "meter 0" else Hand())


def obey(words, technician, late):
    """The answer to one line of standard input."""
    if words[0] == "probe":
        return technician.probe(int(words[1]), int(words[2]))
    late.take()
    technician.open_unit(f"invented {time.monotonic()}" if words[0] == "new" else "invented")
    opening = late.take()
    time.sleep(float(words[1]))
    return [opening, late.take()]


def main():
    late, hand = Late(), Hand()
    with own_folder() as folder:
        acquisition.Poller = functools.partial(Poller, opener=opener(late, hand))
        daemon = acquisition.Acquisition(make_bench(), folder / "probed.session")
        with lasting(daemon), dashboard(daemon.door) as tell_address:
            words = ["--port", str(daemon.door.port), "--token", daemon.door.token, "--parent", str(os.getpid())]
            with child("Judging", "daemon.judging", words):
                technician = Technician(daemon.door, hand, folder)
                tell_address()
                for line in sys.stdin:
                    announce(json.dumps(obey(line.split(), technician, late)))


if __name__ == "__main__":
    main()
