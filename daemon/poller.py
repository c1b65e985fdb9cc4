"""One poller an instrument: it watches over the thread that does the work, and replaces it when it is stuck.

What is found goes to ``report`` as one of the messages of ``daemon.poll_worker``, in order. Nothing an
instrument does ends the polling: every error becomes a ``Status`` or a ``Polled`` remark, and a reconnect.

A worker is stuck when it has not looked at its clock for twice the longest wait that its instrument is
allowed: every link keeps absolute deadlines, so one that works looks at the clock before each wait. A
stuck worker is abandoned: what it still brings is not believed, and a new one opens the instrument again.
"""

import threading
from pathlib import Path

from daemon.acts import MOST_WAITING, Act, Acted, not_done
from daemon.bench_file import Setup
from daemon.output_mark import OutputMark
from daemon.poll_worker import (
    Memory,
    Message,
    Opener,
    Order,
    Polled,
    Readied,
    Recorded,
    Report,
    Status,
    Worker,
    not_served,
)
from drivers.clock import Clock
from drivers.protocols import InstrumentSpec
from drivers.registry import open_instrument

__all__ = [
    "Acted",
    "Message",
    "Opener",
    "Order",
    "Polled",
    "Poller",
    "Readied",
    "Recorded",
    "Report",
    "Status",
    "stuck_after_s",
]

LONG_ANSWER_S = 5.0  # a scope may draw as long before it answers; pyvisa waits as long to open
LEAST_S = 2.0  # a busy machine may hold a healthy thread up for longer than a short timeout
SHORTEST_LOOK_S = 0.02
STUCK_AT_MOST = 3  # so many stuck workers an instrument; no more are started while they hang


def stuck_after_s(spec: InstrumentSpec) -> float:
    """Seconds without a sign of life after which a worker counts as stuck: twice its longest wait."""
    longest_s = max(spec.timeout_s, 3 * float(spec.options.get("integration_s", 0.0)))
    through_others = spec.link == "visa" or spec.resource.upper().startswith(("USB", "GPIB"))
    if spec.kind == "scope" or through_others:
        longest_s = max(longest_s, LONG_ANSWER_S)
    return max(LEAST_S, 2 * longest_s)


class Poller(threading.Thread):
    """Polls one instrument until ``stop``; ``order_record`` may be called from another thread."""

    def __init__(
        self,
        setup: Setup,
        clock: Clock,
        report: Report,
        opener: Opener = open_instrument,
        marks: Path | None = None,
    ) -> None:
        """``marks`` is the folder where it is noted that an output was switched on from here."""
        super().__init__(name=f"watch {setup.spec.name}", daemon=True)
        self.setup = setup
        self._clock = clock
        self._report = report
        self._opener = opener
        self._memory = Memory(mark=OutputMark(marks, setup.spec.resource))
        self._memory.chance.seed(setup.spec.name)
        self._stuck: list[Worker] = []
        self.stuck_after_s = stuck_after_s(setup.spec)

    @property
    def name_of_instrument(self) -> str:
        """As in the bench file."""
        return self.setup.spec.name

    def stop(self) -> None:
        """End after the poll that is under way, whose values are still reported; a stuck one is left behind."""
        self._memory.ending.set()
        self._memory.wake.set()

    def order(self, order: Order) -> None:
        """Have a scope do something around a switch-on, as soon as the poll under way is done."""
        self._memory.orders.append(order)
        self._memory.wake.set()

    def order_act(self, act: Act) -> bool:
        """Have it carried out between two polls; False, and not taken, where too many wait already."""
        if len(self._memory.acts) >= MOST_WAITING:
            return False
        self._memory.acts.append(act)
        self._memory.wake.set()
        return True

    def run(self) -> None:
        """Have a worker poll, and another one whenever it is stuck, until told to stop."""
        while not self._memory.ending.is_set():
            worker = Worker(self.setup, self._clock, self._report, self._opener, self._memory)
            worker.start()
            if not self._ended_by_itself(worker):
                self._abandon(worker)
                self._wait_for_room()
        self._refuse_acts("The daemon is ending.")

    def _ended_by_itself(self, worker: Worker) -> bool:
        """Watch until the worker ends (True) or is stuck (False)."""
        look_s = max(SHORTEST_LOOK_S, self.stuck_after_s / 4)
        while worker.is_alive():
            worker.join(look_s)
            if worker.is_alive() and worker.silent_s() > self.stuck_after_s:
                return False
        return True

    def _abandon(self, worker: Worker) -> None:
        worker.abandon()
        self._stuck.append(worker)
        why = f"its driver hung for {worker.silent_s():.1f} s, twice what it may take, and was abandoned"
        self._report(Status(self.name_of_instrument, "lost", self._clock.now_us(), why))
        while self._memory.orders:
            self._report(not_served(self.name_of_instrument, self._memory.orders.popleft(), why))
        self._refuse_acts(why)

    def _refuse_acts(self, why: str) -> None:
        while self._memory.acts:
            self._report(not_done(self.name_of_instrument, self._memory.acts.popleft(), self._clock.now_us(), why))

    def _wait_for_room(self) -> None:
        """A way that hangs again and again must not fill the process with threads."""
        self._memory.ending.wait(self._memory.wait_s)
        while not self._memory.ending.is_set():
            self._stuck = [worker for worker in self._stuck if worker.is_alive()]
            if len(self._stuck) < STUCK_AT_MOST:
                return
            self._memory.ending.wait(self.stuck_after_s)
