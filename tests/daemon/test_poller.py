"""One thread an instrument: it polls, loses, comes back, and never mixes two instruments up."""

import itertools
import queue
import threading

import pytest

from daemon.bench_file import Setup
from daemon.poller import Polled, Poller, Recorded, Status
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
    poller._random.uniform = lambda low, high: 0.0  # the waits between tries are not what is tested here
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
    poller.order_record(7)
    (recorded,) = [m for m in until(messages, lambda m: isinstance(m, Recorded)) if isinstance(m, Recorded)]
    assert recorded.order == 7


def test_a_record_asked_of_a_meter_is_answered_with_the_reason(running):
    poller, messages = running(lambda spec, clock: FakeMeter(), poll_s=3600)
    until(messages, is_reading)
    poller.order_record(1)
    assert until(messages, lambda m: isinstance(m, Recorded))[-1].why == "it is not a scope"
