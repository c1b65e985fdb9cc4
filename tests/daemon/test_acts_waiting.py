"""Acts that wait, come too late, or hang: each is answered, and nothing is left on."""

import queue
import threading

import pytest

from daemon.acts import HELD_S, MOST_WAITING, Act, Acted
from daemon.bench_file import Setup
from daemon.poller import Poller
from drivers.clock import SystemClock
from drivers.errors import CommandError
from drivers.protocols import InstrumentSpec
from drivers.readings import Identity, Poll, Quantity, Reading
from tests.daemon.told_bench import HOUR_S, WAIT_S
from tests.drivers.instruments import generator


def poller_of(messages):
    setup = Setup(InstrumentSpec("g", "generator", "TCPIP::127.0.0.1::1::SOCKET"), 1.0)
    return Poller(setup, SystemClock(), messages.put, opener=None)


def test_the_queue_is_bounded_and_what_waits_at_the_end_is_answered():
    messages = queue.SimpleQueue()
    poller = poller_of(messages)
    acts = [Act(number, {"command": "generator", "output": "on"}, 0.0) for number in range(MOST_WAITING + 1)]
    assert [poller.order_act(act) for act in acts] == [True] * MOST_WAITING + [False]
    poller.stop()
    poller.run()
    answers = [messages.get(timeout=WAIT_S) for _ in range(MOST_WAITING)]
    assert [(each.number, each.why) for each in answers] == [(n, "The daemon is ending.") for n in range(MOST_WAITING)]


def test_what_comes_too_late_is_not_begun_unless_it_only_switches_off(bench):
    """A generator must not go on when its caller has been told that nobody answered."""
    instrument = generator()
    running = bench(generator=(instrument, {}))
    answered = []
    late_s = running.clock.monotonic_s() - HELD_S
    for number, output in ((101, "on"), (102, "off")):
        running.pollers["generator"].order_act(Act(number, {"command": "generator", "output": output}, late_s))
    while len(answered) < 2:
        message = running.queue.get(timeout=WAIT_S)
        if isinstance(message, Acted):
            answered.append(message)
    assert "busy for too long" in answered[0].why and "OUTP ON" not in instrument.heard
    assert not answered[1].why and "OUTP OFF" in instrument.heard


def test_acts_that_wait_for_an_instrument_that_is_lost_are_answered_with_the_reason(bench):
    instrument = generator()
    running = bench(generator=(instrument, {}))
    instrument.silent = True
    with pytest.raises(CommandError, match="silent"):
        running.say(command="generator", frequency_hz=1e6)


class HangingGenerator:
    """A generator whose driver hangs while it is set, until it is let go."""

    identity = Identity("BENCH", "HANGS", "1", "1")

    def __init__(self):
        self.go_on = threading.Event()
        self.off = threading.Event()

    def poll(self):
        return Poll((Reading(1, 0.0, Quantity.OUTPUT), Reading(1, -60.0, Quantity.LEVEL)))

    def set_output(self, on, frequency_hz=None, level_dbm=None):
        self.go_on.wait(WAIT_S)
        return self.poll()

    def switch_off(self):
        self.off.set()
        return Poll((Reading(2, 0.0, Quantity.OUTPUT),))

    def to_local(self):
        pass

    def close(self):
        pass

    let_go = close


def test_an_act_during_which_the_driver_hangs_is_answered_and_the_output_made_off_afterwards():
    """Its caller, and a session that waits for the outputs to be off, must not wait for ever."""
    messages, hanging, fresh = queue.SimpleQueue(), HangingGenerator(), HangingGenerator()
    boxes = iter([hanging, fresh])
    setup = Setup(InstrumentSpec("g", "generator", "TCPIP::127.0.0.1::1::SOCKET"), HOUR_S)
    poller = Poller(setup, SystemClock(), messages.put, lambda spec, clock: next(boxes))
    poller.stuck_after_s = 0.1
    poller._memory.wait_s = 0.0
    poller.order_act(Act(1, {"command": "generator", "output": "on"}, SystemClock().monotonic_s() + WAIT_S))
    poller.start()
    while not isinstance(message := messages.get(timeout=WAIT_S), Acted):
        pass
    assert "hung for" in message.why and not poller._memory.acts
    assert fresh.off.wait(WAIT_S), "what the hanging driver may still do is taken back by the next"
    hanging.go_on.set()
    assert hanging.off.wait(WAIT_S)
    poller.stop()
    poller.join(WAIT_S)
    assert not poller.is_alive()


class OtherBox(HangingGenerator):
    identity = Identity("BENCH", "ANOTHER", "2", "1")

    def switch_off(self):
        raise AssertionError("another instrument at the same address was switched off")


def test_another_generator_that_answers_at_the_address_is_not_switched():
    messages, mine = queue.SimpleQueue(), HangingGenerator()
    setup = Setup(InstrumentSpec("g", "generator", "TCPIP::127.0.0.1::1::SOCKET"), HOUR_S)
    poller = Poller(setup, SystemClock(), messages.put, lambda spec, clock: OtherBox())
    poller._memory.identity = mine.identity
    poller.start()
    while getattr(message := messages.get(timeout=WAIT_S), "status", "") != "lost":
        pass
    assert "answers at" in message.why
    poller.stop()
    poller.join(WAIT_S)
