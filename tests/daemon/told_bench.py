"""Pollers and a keeper around instruments behind real sockets, as in the acquisition process."""

import queue
from concurrent.futures import Future
from dataclasses import dataclass, field

from daemon.bench_file import Bench
from daemon.commands import checked
from daemon.feed import Feed
from daemon.keeper.keeper import Folders, Keeper, Said
from daemon.poller import Poller
from daemon.records import open_session
from drivers.clock import SystemClock

WAIT_S = 10.0

HOUR_S = 3600.0  # between polls: what is heard is what the act asks


@dataclass
class Running:
    """Pollers and a keeper as in the acquisition process; the test's thread is the keeper's."""

    folder: object
    setups: list = field(default_factory=list)
    marks: object = None

    def __post_init__(self):
        self.clock = SystemClock()
        self.queue = queue.SimpleQueue()
        self.pollers = {}

    def start(self):
        folders = Folders(self.folder, self.folder / "references")
        self.pollers = {
            setup.spec.name: Poller(setup, self.clock, self.queue.put, marks=self.marks) for setup in self.setups
        }
        self.keeper = Keeper(
            Bench(tuple(self.setups)), self.clock, Feed(), folders, lambda *_: None, lambda: None, self._order
        )
        self.keeper.open(self.folder / "s.session")
        for poller in self.pollers.values():
            poller._memory.chance.uniform = lambda low, high: 0.0
            poller.start()
        for name in self.pollers:
            self.until(lambda name=name: self.line(name).last_us is not None or self.line(name).values)
        return self

    def _order(self, name, act):
        return self.pollers[name].order_act(act)

    def line(self, name):
        return self.keeper._desk.instruments[name]

    def until(self, done):
        end_s = self.clock.monotonic_s() + WAIT_S
        while not done():
            assert self.clock.monotonic_s() < end_s, "did not come true"
            self.keeper.take(self.queue.get(timeout=WAIT_S))

    def say(self, **body):
        reply = Future()
        self.keeper.take(Said(checked(body), reply))
        self.until(reply.done)
        return reply.result(timeout=0)["done"]

    def told(self, kind):
        self.keeper._commit()
        with open_session(self.keeper.session) as records:
            frame = records.events(kind)
        return frame["text"].tolist()

    def stop(self):
        for poller in self.pollers.values():
            poller.stop()
        for poller in self.pollers.values():
            poller.join(WAIT_S)
            assert not poller.is_alive()
        while not self.queue.empty():
            self.keeper.take(self.queue.get())

    def end(self):
        self.stop()
        self.keeper.close()
