"""One transport and one kind of instrument: the real poller polls it while faults are put on the wire."""

import contextlib
import queue
import random
import sys
import threading
import traceback
from dataclasses import dataclass, field

from daemon.bench_file import Setup
from daemon.poller import Polled, Poller, Status
from drivers.clock import SystemClock
from drivers.protocols import InstrumentSpec
from drivers.registry import open_instrument
from simulated_instruments.faults import faulty
from simulated_instruments.serving import serve_hislip, serve_tcp, serve_tty, serve_vxi11
from tests.drivers.campaign.evidence import wrong_in
from tests.drivers.campaign.instruments import KINDS

TIMEOUT_S = 0.15
POLL_S = 0.005
HANG_S = 75.0
QUIET_POLLS = 3  # so many good polls after a fault without a word about it: it was not noticed
SHORTENED = 0.05  # of the waits between two tries, which are not what is tested here

# Each kind of fault with the span of its seconds; with TIMEOUT_S they are longer than most questions may take.
FAULTS = {
    "silence": (0, 0),
    "late": (0.3, 0.6),
    "half": (0.3, 0.6),
    "garbage": (0, 0),
    "noise": (0, 0),
    "non-ascii": (0, 0),
    "terminator": (0, 0),
    "closed": (0, 0),
    "refused": (0.1, 0.4),
    "duplicate": (0, 0),
    "drip": (0.3, 0.6),
    "outage": (0.3, 1.5),
}
LONG_OUTAGE_S = 30.0
LONG_OUTAGES = 0.05  # of all outages, where there is time for them


@dataclass
class Findings:
    """What came of a station."""

    faults: int = 0
    polls: int = 0
    noticed: dict = field(default_factory=dict)
    wrong: list = field(default_factory=list)
    unseen: list = field(default_factory=list)
    hangs: list = field(default_factory=list)


class Watched:
    """A driver that notes when each of its polls began and ended."""

    def __init__(self, driver, station):
        self._driver, self._station = driver, station

    def __getattr__(self, name):
        return getattr(self._driver, name)

    def poll(self):
        begun_us = self._station.clock.now_us()
        poll = self._driver.poll()
        wrong = wrong_in(poll, self._station.instrument.made, begun_us, self._station.clock.now_us())
        self._station.findings.wrong += [f"{self._station.name}: {sentence}" for sentence in wrong]
        return poll


class Station:
    """``run`` puts ``count`` faults on one wire, one after the other, and says what came of it."""

    def __init__(self, transport, kind, seed, folder, tagged=False, long_outages=False):
        self.name = f"{transport}/{kind}"
        self.transport = transport
        self.clock = SystemClock()
        self.findings = Findings()
        self._random = random.Random(f"{seed} {self.name}")
        self._faults = faulty(seed=seed)
        self.instrument = KINDS[kind](self.clock)
        self._server = self._serve(folder / f"{kind}-line")
        self._kind = kind
        self._tagged = tagged
        self._long_outages = long_outages
        self._messages = queue.SimpleQueue()

    def _serve(self, link):
        if self.transport == "serial":
            return serve_tty(self.instrument, link, wrap=self._faults)
        serve = {"tcp": serve_tcp, "hislip": serve_hislip, "vxi11": serve_vxi11}[self.transport]
        return serve(self.instrument, wrap=self._faults)

    def run(self, count, until_s=float("inf")):
        with self._server:
            poller = self._poller()
            poller.start()
            try:
                self._await_good()
                while self.findings.faults < count and self.clock.monotonic_s() < until_s:
                    self._one_fault()
                    if self.findings.hangs:
                        break
            finally:
                poller.stop()
                poller.join(HANG_S)
                if poller.is_alive():
                    self._hung("the poller does not end")
        return self.findings

    def _poller(self):
        options = {"tagged": True} if self._tagged else {}
        spec = InstrumentSpec(self.name, self._kind, self._server.resource, timeout_s=TIMEOUT_S, options=options)
        poller = Poller(
            Setup(spec, poll_s=POLL_S),
            self.clock,
            self._messages.put,
            lambda spec, clock: Watched(open_instrument(spec, clock), self),
        )
        poller._memory.chance.uniform = lambda low, high: SHORTENED
        return poller

    def _one_fault(self):
        """Put a fault, sometimes two, on the next answer; wait until it was noticed and all is well again."""
        kinds = self._random.choices(list(FAULTS), k=1 + (self._random.random() < 0.1))
        threading.Event().wait(self._random.uniform(0, 0.01))
        before = len(self._faults.injected)
        for kind in kinds:
            self._faults.arm(kind, self._lasts_s(kind))
        noticed = self._await_good(before + len(kinds))
        self.findings.faults += len(kinds)
        if noticed:
            for kind in kinds:
                self.findings.noticed[kind] = self.findings.noticed.get(kind, 0) + 1
        else:
            self.findings.unseen.append(f"{self.name}: {' and '.join(kinds)} left no word")

    def _lasts_s(self, kind):
        lasts_s, share = self._random.uniform(*FAULTS[kind]), self._random.random()
        return LONG_OUTAGE_S if kind == "outage" and self._long_outages and share < LONG_OUTAGES else lasts_s

    def _await_good(self, faults=0):
        """Take messages until good polls have come after so many faults; True where something was said about it."""
        noticed, good = False, 0
        end_s = self.clock.monotonic_s() + HANG_S
        while good < QUIET_POLLS:
            with contextlib.suppress(queue.Empty):
                message = self._messages.get(timeout=0.2)
                said = _says(message)
                noticed |= said
                if isinstance(message, Polled) and (message.poll.readings or message.poll.traces):
                    self.findings.polls += 1
                    good = good + 1 if self._is_after(message.t_us, faults) else 0
                elif said:
                    good = 0
            if self.clock.monotonic_s() > end_s:
                self._hung(f"nothing good for {HANG_S:g} s")
                break
        return noticed

    def _is_after(self, t_us, faults):
        """Whether so many faults had been injected by then: on a busy machine messages of before still wait."""
        injected = self._faults.injected
        return not faults or (len(injected) >= faults and t_us > injected[faults - 1].t_us)

    def _hung(self, what):
        stacks = [
            f"-- {thread.name}\n" + "".join(traceback.format_stack(frame)[-6:])
            for thread in threading.enumerate()
            if self.name in thread.name and (frame := sys._current_frames().get(thread.ident))
        ]
        self.findings.hangs.append(f"{self.name}: {what}\n" + "\n".join(stacks))


def _says(message):
    if isinstance(message, Polled):
        return bool(message.poll.remarks)
    return isinstance(message, Status) and message.status == "lost"
