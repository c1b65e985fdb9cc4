"""The work of a poller's thread: it alone owns the driver, polls it at its own period and reports.

======================  ====================================================================
state                   leaves it
======================  ====================================================================
opening                 opened: ok.  DriverError: lost
ok                      LinkError or WrongInstrument: lost.  three unreadable answers in a row: lost
lost                    after 0.5, 1, 2 ... 30 s (+-20 %): opening
======================  ====================================================================
"""

import itertools
import logging
import random
import threading
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field, replace

from daemon.acts import Act, Acted, Hand, not_done
from daemon.bench_file import Setup
from daemon.output_mark import OutputMark
from daemon.pace import Pace
from drivers.clock import Clock
from drivers.errors import DriverError, LinkError, WrongInstrument
from drivers.instrument import check_known
from drivers.protocols import Instrument, InstrumentSpec
from drivers.readings import Identity, Poll, Trace

log = logging.getLogger("probetrail.poller")

FIRST_WAIT_S = 0.5
LONGEST_WAIT_S = 30.0
GOOD_POLLS_TO_TRUST = 3
BAD_ANSWERS_TO_REOPEN = 3
LONGEST_SHIFT_S = 0.1
GOLDEN = 0.6180339887498949  # its multiples, without their whole part, keep apart however many there are
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


@dataclass(frozen=True, slots=True)
class Readied:
    """A scope was made ready for a switch-on, or put back: ``words`` say how it stands, or ``why`` it was not done."""

    instrument: str
    what: str
    words: str = ""
    why: str = ""


@dataclass(frozen=True, slots=True)
class Order:
    """What a scope is to do around a switch-on: ``record``, ``roll``, ``arm`` or ``as before``."""

    what: str
    number: int = 0


Message = Status | Polled | Recorded | Readied | Acted
Report = Callable[[Message], None]
Opener = Callable[[InstrumentSpec, Clock], Instrument]


_NUMBERS = itertools.count()


def phase_of(number: int) -> float:
    """Where between two due moments, 0 to 1, instrument ``number`` of a process is polled: apart from all others."""
    return number * GOLDEN % 1.0


def due_before(now_s: float, poll_s: float, phase: float) -> float:
    """The last due moment up to ``now_s``, seconds, on a grid that stays the same whenever the instrument comes back.

    Instruments of one period would wait for each other for ever if they were due at one moment.
    """
    step_s = min(poll_s, LONGEST_SHIFT_S)
    return now_s - (now_s - phase * step_s) % step_s


@dataclass
class Memory:
    """What outlives a worker: orders, who was there, and how long to wait before the next try."""

    orders: deque[Order] = field(default_factory=lambda: deque(maxlen=8))
    acts: deque[Act] = field(default_factory=deque)  # the poller takes no more than it may hold
    mark: OutputMark = field(default_factory=lambda: OutputMark(None, ""))
    wake: threading.Event = field(default_factory=threading.Event)
    ending: threading.Event = field(default_factory=threading.Event)
    identity: Identity | None = None
    wait_s: float = FIRST_WAIT_S
    chance: random.Random = field(default_factory=random.Random)
    phase: float = field(default_factory=lambda: phase_of(next(_NUMBERS)))


class WatchedClock:
    """The clock as handed to a driver; remembers when it was looked at last, which is a sign of life."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self.looked_s = clock.monotonic_s()

    def now_us(self) -> int:
        """See ``Clock``."""
        return self._clock.now_us()

    def monotonic_s(self) -> float:
        """See ``Clock``."""
        self.looked_s = now_s = self._clock.monotonic_s()
        return now_s

    def drift_us(self) -> int:
        """See ``Clock``."""
        return self._clock.drift_us()


class Worker(threading.Thread):
    """Polls until ``memory.ending``; once ``abandon`` was called it reports nothing more and ends when it can."""

    def __init__(self, setup: Setup, clock: Clock, report: Report, opener: Opener, memory: Memory) -> None:
        super().__init__(name=f"poll {setup.spec.name}", daemon=True)
        self._setup = setup
        self._name = setup.spec.name
        self._own_clock = clock
        self._clock = WatchedClock(clock)
        self._report_it = report
        self._opener = opener
        self._memory = memory
        self._lock = threading.Lock()
        self._abandoned = False
        self.resting = False

    def silent_s(self) -> float:
        """Seconds since the last sign of life; 0 while it rests between polls."""
        looked_s = self._clock.looked_s
        return 0.0 if self.resting else self._own_clock.monotonic_s() - looked_s

    def abandon(self) -> None:
        """From now on nothing that this worker still brings is believed."""
        with self._lock:
            self._abandoned = True

    def run(self) -> None:
        """Poll, and come back after every loss, until told to stop."""
        while self._goes_on():
            try:
                self._serve_once()
            except DriverError as error:
                self._lose(str(error))
            except Exception as error:  # a driver's own mistake must not silence the instrument for good
                log.exception("driver of %s failed", self._name)
                self._lose(f"its driver failed: {error!r}")
            if self._goes_on():
                self._rest(self._memory.wait_s * self._memory.chance.uniform(0.8, 1.2))
                self._memory.wait_s = min(self._memory.wait_s * 2, LONGEST_WAIT_S)

    def _goes_on(self) -> bool:
        return not (self._abandoned or self._memory.ending.is_set())

    def _report(self, message: Message) -> None:
        with self._lock:
            if not self._abandoned:
                self._report_it(message)

    def _lose(self, why: str) -> None:
        self._say("lost", why)
        while self._memory.orders and not self._abandoned:
            self._report(not_served(self._name, self._memory.orders.popleft(), why))
        while self._memory.acts and not self._abandoned:
            self._report(not_done(self._name, self._memory.acts.popleft(), self._clock.now_us(), why))

    def _say(self, status: str, why: str = "", identity: Identity | None = None) -> None:
        self._report(Status(self._name, status, self._clock.now_us(), why, identity))

    def _rest(self, seconds: float) -> None:
        self.resting = True
        self._memory.wake.wait(max(0.0, seconds))
        self._memory.wake.clear()
        self._clock.monotonic_s()
        self.resting = False

    def _serve_once(self) -> None:
        self._say("opening")
        spec = replace(self._setup.spec, known=self._memory.identity)
        instrument = self._opener(spec, self._clock)
        try:
            self._check_identity(spec, instrument.identity)
            self._make_off(instrument)
            self._say("ok", identity=instrument.identity)
            self._poll_until_stopped(instrument)
        finally:
            self._leave(instrument)

    def _leave(self, instrument: Instrument) -> None:
        """Let go of the instrument; a source is switched off first, and what it answers is kept."""
        switch_off = getattr(instrument, "switch_off", None)
        known = self._memory.identity
        if switch_off is not None and known is not None and not known.same_instrument(instrument.identity):
            instrument.let_go()  # another box answers at the address: what that one feeds is not ours to switch
            return
        if switch_off is not None:
            poll = switch_off()
            self._memory.mark.follow(poll)
            self._report(Polled(self._name, poll, self._clock.now_us()))
        instrument.close()

    def _make_off(self, instrument: Instrument) -> None:
        poll = self._memory.mark.make_off(instrument)
        if poll is not None:
            self._report(Polled(self._name, poll, self._clock.now_us()))

    def _check_identity(self, spec: InstrumentSpec, identity: Identity) -> None:
        check_known(spec, identity)
        with self._lock:
            if not self._abandoned:
                self._memory.identity = identity

    def _poll_until_stopped(self, instrument: Instrument) -> None:
        good = bad = 0
        pace = Pace(self._setup.spec.timeout_s)
        due_s = due_before(self._clock.monotonic_s(), self._setup.poll_s, self._memory.phase)
        while self._goes_on():
            try:
                self._report(Polled(self._name, self._poll_once(instrument, pace), self._clock.now_us()))
                good, bad = good + 1, 0
            except (LinkError, WrongInstrument):
                raise
            except DriverError as error:
                bad += 1
                self._report(Polled(self._name, Poll(remarks=(str(error),)), self._clock.now_us()))
                if bad >= BAD_ANSWERS_TO_REOPEN:
                    raise
            if good >= GOOD_POLLS_TO_TRUST:
                self._memory.wait_s = FIRST_WAIT_S
            due_s = self._rest_until_due(instrument, due_s + self._setup.poll_s)

    def _poll_once(self, instrument: Instrument, pace: Pace) -> Poll:
        begun_s = self._clock.monotonic_s()
        poll = instrument.poll()
        self._memory.mark.follow(poll)
        held_up = pace.remark(self._clock.monotonic_s() - begun_s)
        return poll if held_up is None else poll._replace(remarks=(*poll.remarks, held_up))

    def _rest_until_due(self, instrument: Instrument, due_s: float) -> float:
        """Serve orders and give the panel back while there is time; returns the next due moment."""
        self._serve_orders(instrument)
        late_s = self._clock.monotonic_s() - due_s
        if late_s > self._setup.poll_s:
            # Catch-up polls would queue on a slow instrument: skip, the times show the gap.
            due_s += late_s // self._setup.poll_s * self._setup.poll_s
        if due_s - self._clock.monotonic_s() >= LOCAL_AFTER_S:
            instrument.to_local()
        while self._goes_on() and (rest_s := due_s - self._clock.monotonic_s()) > 0:
            self._rest(rest_s)
            self._serve_orders(instrument)
        return due_s

    def _serve_acts(self, instrument: Instrument) -> None:
        while self._memory.acts and self._goes_on():
            hand = Hand(instrument, self._setup.spec, self._clock, self._memory.mark)
            act = self._memory.acts[0]  # stays there: should this thread hang, its watcher answers
            self._report(hand.carry_out(act))
            if self._memory.acts and self._memory.acts[0] is act:
                self._memory.acts.popleft()
            if isinstance(hand.error, LinkError):
                raise hand.error

    def _serve_orders(self, instrument: Instrument) -> None:
        self._serve_acts(instrument)
        while self._memory.orders and self._goes_on():
            order = self._memory.orders.popleft()
            try:
                self._report(served(self._name, instrument, order))
            except DriverError as error:
                self._report(not_served(self._name, order, str(error)))
                if isinstance(error, LinkError) or order.what == "record":
                    raise


def not_served(name: str, order: Order, why: str) -> Recorded | Readied:
    """The answer to an order that was not carried out."""
    return Recorded(name, order.number, (), why) if order.what == "record" else Readied(name, order.what, why=why)


def served(name: str, instrument: Instrument, order: Order) -> Recorded | Readied:
    """Carry an order out. Raises ``DriverError``."""
    if order.what == "record":
        return _recorded(name, instrument, order)
    steps: dict[str, tuple[str, ...]] = {"roll": ("get_ready",), "arm": ("arm",), "as before": ("disarm", "as_before")}
    words = []
    for step in steps[order.what]:
        if not hasattr(instrument, step):
            return not_served(name, order, "its driver has no words for that: set it by hand.")
        words.append(getattr(instrument, step)() or "")
    return Readied(name, order.what, " ".join(filter(None, words)))


def _recorded(name: str, instrument: Instrument, order: Order) -> Recorded | Readied:
    record = getattr(instrument, "record", None)
    if record is None:
        return not_served(name, order, "it is not a scope")
    return Recorded(name, order.number, tuple(record()))
