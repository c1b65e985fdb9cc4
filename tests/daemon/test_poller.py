"""One thread an instrument: it polls, loses, comes back, and never mixes two instruments up."""

import itertools
import queue
import threading

import pytest

from daemon.bench_file import Setup
from daemon.poll_worker import due_before, phase_of
from daemon.poller import STUCK_AT_MOST, Order, Polled, Poller, Recorded, Status, stuck_after_s
from drivers.clock import SystemClock
from drivers.errors import AnswerError, LinkClosed, LinkRefused
from drivers.protocols import InstrumentSpec
from drivers.readings import Identity, Poll, Quantity, Reading

WAIT_S = 10
BOX = Identity("bench works", "meter", "1", "1.0")
OTHER_BOX = Identity("bench works", "meter", "2", "1.0")


class FakeMeter:
    """Counts; ``script`` maps a poll's number to the error it raises."""

    def __init__(self, identity=BOX, script=None):
        self.identity = identity
        self.script = script or {}
        self.polls = 0
        self.closed = False
        self.local = threading.Event()

    def poll(self):
        self.polls += 1
        error = self.script.get(self.polls)
        if error is not None:
            raise error
        return Poll(readings=(Reading(self.polls, float(self.polls), Quantity.DC_V),))

    def to_local(self):
        self.local.set()

    def close(self):
        self.closed = True


class FakeScope(FakeMeter):
    def record(self):
        return ()


def make(opener, poll_s=0.01):
    messages = queue.SimpleQueue()
    setup = Setup(InstrumentSpec("meter", "meter", "TCPIP::127.0.0.1::1::SOCKET"), poll_s=poll_s)
    poller = Poller(setup, SystemClock(), messages.put, opener)
    poller._memory.chance.uniform = lambda low, high: 0.0  # the waits between tries are not what is tested here
    return poller, messages


@pytest.fixture
def running():
    started = []

    def run(opener, poll_s=0.01):
        poller, messages = make(opener, poll_s)
        started.append(poller)
        poller.start()
        return poller, messages

    yield run
    for poller in started:
        poller.stop()
        poller.join(WAIT_S)
        assert not poller.is_alive()


def until(messages, wanted):
    """Messages up to the first that ``wanted`` is true of."""
    seen = []
    while not seen or not wanted(seen[-1]):
        seen.append(messages.get(timeout=WAIT_S))
    return seen


def is_reading(message):
    return isinstance(message, Polled) and bool(message.poll.readings)


def status_of(message):
    return message.status if isinstance(message, Status) else ""


def test_every_poll_is_reported_once_and_in_order(running):
    _, messages = running(lambda spec, clock: FakeMeter())
    seen = [until(messages, is_reading)[-1].poll.readings[0].value for _ in range(5)]
    assert seen == [1.0, 2.0, 3.0, 4.0, 5.0]


def test_a_lost_link_is_told_and_the_instrument_comes_back(running):
    meters = iter([FakeMeter(script={2: LinkClosed("closed in the middle")}), FakeMeter()])
    _, messages = running(lambda spec, clock: next(meters))
    seen = until(messages, lambda m: status_of(m) == "lost")
    assert seen[-1].why == "closed in the middle"
    until(messages, lambda m: status_of(m) == "ok")
    until(messages, is_reading)


def test_an_instrument_that_is_not_there_yet_is_tried_again(running):
    tries = itertools.count(1)

    def opener(spec, clock):
        if next(tries) < 3:
            raise LinkRefused("nobody answers")
        return FakeMeter()

    _, messages = running(opener)
    seen = until(messages, is_reading)
    assert [status_of(m) for m in seen if status_of(m)] == ["opening", "lost", "opening", "lost", "opening", "ok"]


def test_another_box_at_the_same_address_is_not_the_same_series(running):
    meters = iter([FakeMeter(script={2: LinkClosed("gone")}), FakeMeter(OTHER_BOX), FakeMeter()])
    _, messages = running(lambda spec, clock: next(meters))
    until(messages, lambda m: status_of(m) == "lost")
    seen = until(messages, lambda m: status_of(m) == "lost")
    assert "answers at" in seen[-1].why
    assert not any(is_reading(message) for message in seen)


def test_an_answer_that_cannot_be_read_is_a_remark_and_three_in_a_row_reopen(running):
    bad = AnswerError("'1.2.3' is no number")
    meters = iter([FakeMeter(script={2: bad, 4: bad, 5: bad, 6: bad}), FakeMeter()])
    _, messages = running(lambda spec, clock: next(meters))
    seen = until(messages, lambda m: status_of(m) == "lost")
    remarks = [m.poll.remarks for m in seen if isinstance(m, Polled) and m.poll.remarks]
    assert len(remarks) == 4 and "1.2.3" in remarks[0][0]
    assert sum(map(is_reading, seen)) == 2


def test_a_driver_with_a_mistake_of_its_own_does_not_end_the_thread(running):
    meters = iter([FakeMeter(script={1: ZeroDivisionError()}), FakeMeter()])
    _, messages = running(lambda spec, clock: next(meters))
    until(messages, lambda m: status_of(m) == "lost")
    until(messages, is_reading)


def test_the_panel_is_given_back_between_polls_and_the_driver_closed_at_the_end(running):
    meter = FakeMeter()
    poller, messages = running(lambda spec, clock: meter, poll_s=0.2)
    until(messages, is_reading)
    assert meter.local.wait(WAIT_S)
    poller.stop()
    poller.join(WAIT_S)
    assert meter.closed


def test_a_record_is_taken_between_two_polls_without_waiting_for_the_next(running):
    poller, messages = running(lambda spec, clock: FakeScope(), poll_s=3600)
    until(messages, is_reading)
    poller.order(Order("record", 7))
    (recorded,) = [m for m in until(messages, lambda m: isinstance(m, Recorded)) if isinstance(m, Recorded)]
    assert recorded.order == 7


def test_a_record_asked_of_a_meter_is_answered_with_the_reason(running):
    poller, messages = running(lambda spec, clock: FakeMeter(), poll_s=3600)
    until(messages, is_reading)
    poller.order(Order("record", 1))
    assert until(messages, lambda m: isinstance(m, Recorded))[-1].why == "it is not a scope"


class HangingMeter(FakeMeter):
    """Hangs in its third poll until it is let go, whatever the time, and then still brings a value."""

    def __init__(self):
        super().__init__()
        self.let_go = threading.Event()

    def poll(self):
        if self.polls == 2:
            self.let_go.wait(WAIT_S)
        return super().poll()


def test_a_worker_that_hangs_is_abandoned_and_said_so_and_another_goes_on(running):
    hanging, fresh = HangingMeter(), FakeMeter()
    meters = iter([hanging, fresh])
    poller, messages = running(lambda spec, clock: next(meters))
    poller.stuck_after_s = 0.1
    seen = until(messages, lambda m: status_of(m) == "lost")
    assert "hung" in seen[-1].why and "abandoned" in seen[-1].why
    until(messages, lambda m: status_of(m) == "ok")
    until(messages, is_reading)
    hanging.let_go.set()
    (worker,) = poller._stuck
    worker.join(WAIT_S)
    assert not worker.is_alive() and hanging.closed
    poller.stop()
    poller.join(WAIT_S)
    values = [m.poll.readings[0].value for m in drain(messages) if is_reading(m)]
    assert 3.0 not in values[:1] and values == sorted(values), "what the abandoned worker brought late was reported"


def drain(messages):
    while not messages.empty():
        yield messages.get()


def test_a_worker_that_hangs_for_ever_does_not_keep_the_poller_from_ending(running):
    hanging = HangingMeter()
    poller, messages = running(lambda spec, clock: hanging)
    poller.stuck_after_s = 0.1
    until(messages, is_reading)
    until(messages, is_reading)
    poller.stop()
    poller.join(WAIT_S)
    assert not poller.is_alive()
    hanging.let_go.set()


def test_no_more_than_a_few_hanging_workers_are_ever_left_behind(running):
    hanging = [HangingMeter() for _ in range(9)]
    for meter in hanging:
        meter.polls = 2
    opened = iter(hanging)
    poller, messages = running(lambda spec, clock: next(opened))
    poller.stuck_after_s = 0.05
    poller._memory.wait_s = 0.0
    for _ in range(STUCK_AT_MOST):
        until(messages, lambda m: status_of(m) == "lost")
    poller._memory.ending.wait(0.3)
    assert sum(meter.polls == 2 for meter in hanging) == 9 and len(list(opened)) == 9 - STUCK_AT_MOST
    for meter in hanging:
        meter.let_go.set()


@pytest.mark.parametrize(
    ("spec", "seconds"),
    [
        (InstrumentSpec("m", "meter", "TCPIP::h::1::SOCKET", timeout_s=0.5), 2.0),
        (InstrumentSpec("m", "meter", "TCPIP::h::1::SOCKET", timeout_s=3.0), 6.0),
        (InstrumentSpec("m", "meter", "TCPIP::h::1::SOCKET", timeout_s=0.5, options={"integration_s": 2.0}), 12.0),
        (InstrumentSpec("s", "scope", "TCPIP::h::1::SOCKET"), 10.0),
        (InstrumentSpec("m", "meter", "USB::1::2::3::INSTR"), 10.0),
    ],
)
def test_stuck_is_twice_the_longest_wait_that_is_allowed(spec, seconds):
    assert stuck_after_s(spec) == seconds


def test_instruments_of_one_period_are_due_apart_and_each_at_its_own_moment_whenever_it_comes_back():
    """Sixteen at 20 Hz: the golden section's multiples leave no gap below 0.38 of the even one (three-gap theorem)."""
    grids = [due_before(1000.0, 0.05, phase_of(number)) for number in range(16)]
    assert all(999.95 - 1e-9 < due_s <= 1000.0 for due_s in grids)
    ordered = sorted(grids)
    gaps = [after - before for before, after in zip(ordered, [*ordered[1:], ordered[0] + 0.05], strict=True)]
    assert min(gaps) > 0.38 * 0.05 / 16
    again = [due_before(1000.0 + 7 * 0.05 + 0.012, 0.05, phase_of(number)) for number in range(16)]
    periods = [(late - early) / 0.05 for early, late in zip(grids, again, strict=True)]
    assert all(abs(count - round(count)) < 1e-6 for count in periods)
    assert 1000.0 - due_before(1000.0, 3600.0, 0.9) < 0.1  # a slow one need not wait for its first
