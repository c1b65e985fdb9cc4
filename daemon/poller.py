"""One thread an instrument: it alone owns the driver, polls it at its own period and reports.

What it finds goes to ``report`` as one of the messages below, in order. Nothing an instrument does
ends the thread: every error becomes a ``Status`` or a ``Polled`` remark, and a reconnect.

======================  ====================================================================
state                   leaves it
======================  ====================================================================
opening                 opened: ok.  DriverError: lost
ok                      LinkError or WrongInstrument: lost.  three unreadable answers in a row: lost
lost                    after 0.5, 1, 2 ... 30 s (+-20 %): opening
======================  ====================================================================
"""

import logging
import random
import threading
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass

from daemon.bench_file import Setup
from drivers.clock import Clock
from drivers.errors import DriverError, LinkError, WrongInstrument
from drivers.protocols import Instrument, InstrumentSpec
from drivers.readings import Identity, Poll, Trace
from drivers.registry import open_instrument

log = logging.getLogger("probetrail.poller")

FIRST_WAIT_S = 0.5
LONGEST_WAIT_S = 30.0
GOOD_POLLS_TO_TRUST = 3
BAD_ANSWERS_TO_REOPEN = 3
LOCAL_AFTER_S = 0.05  # a shorter rest is not worth giving the panel back


@dataclass(frozen=True, slots=True)
class Status:
    """The instrument is now ``opening``, ``ok`` or ``lost``; ``why`` is fit to be shown."""

    instrument: str
    status: str
    t_us: int
    why: str = ""
    identity: Identity | None = None


@dataclass(frozen=True, slots=True)
class Polled:
    """What one poll brought."""

    instrument: str
    poll: Poll
    t_us: int


@dataclass(frozen=True, slots=True)
class Recorded:
    """The traces of one record that was asked for after a switch-on; ``order`` names the asking."""

    instrument: str
    order: int
    traces: tuple[Trace, ...]
    why: str = ""


Report = Callable[[Status | Polled | Recorded], None]
Opener = Callable[[InstrumentSpec, Clock], Instrument]


class Poller(threading.Thread):
    """Polls one instrument until ``stop``; ``order_record`` may be called from another thread."""

    def __init__(self, setup: Setup, clock: Clock, report: Report, opener: Opener = open_instrument) -> None:
        super().__init__(name=f"poll {setup.spec.name}", daemon=True)
        self.setup = setup
        self._clock = clock
        self._report = report
        self._opener = opener
        self._orders: deque[int] = deque(maxlen=4)
        self._wake = threading.Event()
        self._ending = threading.Event()
        self._identity: Identity | None = None
        self._wait_s = FIRST_WAIT_S
        self._random = random.Random(setup.spec.name)

    @property
    def name_of_instrument(self) -> str:
        """As in the bench file."""
        return self.setup.spec.name

    def stop(self) -> None:
        """End after the poll that is under way, whose values are still reported."""
        self._ending.set()
        self._wake.set()

    def order_record(self, order: int) -> None:
        """Have a scope stopped, read and run again as soon as the poll under way is done."""
        self._orders.append(order)
        self._wake.set()

    def run(self) -> None:
        """Poll, and come back after every loss, until told to stop."""
        while not self._ending.is_set():
            try:
                self._serve_once()
            except DriverError as error:
                self._lose(str(error))
            except Exception as error:  # a driver's own mistake must not silence the instrument for good
                log.exception("driver of %s failed", self.name_of_instrument)
                self._lose(f"its driver failed: {error!r}")
            if not self._ending.is_set():
                self._rest(self._wait_s * self._random.uniform(0.8, 1.2))
                self._wait_s = min(self._wait_s * 2, LONGEST_WAIT_S)

    def _lose(self, why: str) -> None:
        self._say("lost", why)
        while self._orders:
            self._report(Recorded(self.name_of_instrument, self._orders.popleft(), (), why))

    def _say(self, status: str, why: str = "", identity: Identity | None = None) -> None:
        self._report(Status(self.name_of_instrument, status, self._clock.now_us(), why, identity))

    def _rest(self, seconds: float) -> None:
        self._wake.wait(max(0.0, seconds))
        self._wake.clear()

    def _serve_once(self) -> None:
        self._say("opening")
        instrument = self._opener(self.setup.spec, self._clock)
        try:
            self._check_identity(instrument.identity)
            self._say("ok", identity=instrument.identity)
            self._poll_until_stopped(instrument)
        finally:
            self._leave(instrument)

    def _leave(self, instrument: Instrument) -> None:
        """Let go of the instrument; a source is switched off first, and what it answers is kept."""
        switch_off = getattr(instrument, "switch_off", None)
        if switch_off is not None:
            self._report(Polled(self.name_of_instrument, switch_off(), self._clock.now_us()))
        instrument.close()

    def _check_identity(self, identity: Identity) -> None:
        if self._identity is not None and not self._identity.same_instrument(identity):
            raise WrongInstrument(
                f"{identity} answers at {self.setup.spec.resource} where {self._identity} did before: "
                "its readings are not kept under the same name. Restart the daemon if it was exchanged on purpose."
            )
        self._identity = identity

    def _poll_until_stopped(self, instrument: Instrument) -> None:
        good = bad = 0
        due_s = self._clock.monotonic_s()
        while not self._ending.is_set():
            try:
                self._report(Polled(self.name_of_instrument, instrument.poll(), self._clock.now_us()))
                good, bad = good + 1, 0
            except (LinkError, WrongInstrument):
                raise
            except DriverError as error:
                bad += 1
                self._report(Polled(self.name_of_instrument, Poll(remarks=(str(error),)), self._clock.now_us()))
                if bad >= BAD_ANSWERS_TO_REOPEN:
                    raise
            if good >= GOOD_POLLS_TO_TRUST:
                self._wait_s = FIRST_WAIT_S
            due_s = self._rest_until_due(instrument, due_s + self.setup.poll_s)

    def _rest_until_due(self, instrument: Instrument, due_s: float) -> float:
        """Serve orders and give the panel back while there is time; returns the next due moment."""
        self._serve_orders(instrument)
        late_s = self._clock.monotonic_s() - due_s
        if late_s > self.setup.poll_s:
            # Catch-up polls would queue on a slow instrument: skip, the times show the gap.
            due_s += late_s
        if due_s - self._clock.monotonic_s() >= LOCAL_AFTER_S:
            instrument.to_local()
        while not self._ending.is_set() and (rest_s := due_s - self._clock.monotonic_s()) > 0:
            self._rest(rest_s)
            self._serve_orders(instrument)
        return due_s

    def _serve_orders(self, instrument: Instrument) -> None:
        while self._orders:
            record = getattr(instrument, "record", None)
            order = self._orders.popleft()
            if record is None:
                self._report(Recorded(self.name_of_instrument, order, (), "it is not a scope"))
                continue
            try:
                self._report(Recorded(self.name_of_instrument, order, tuple(record())))
            except DriverError as error:
                self._report(Recorded(self.name_of_instrument, order, (), str(error)))
                raise
