"""A unit, its instruments and a clock turned by hand, all in one process."""

import json

import pytest

from simulated_instruments.asking import checked
from simulated_instruments.bench.roster import ROSTER
from simulated_instruments.clock import TurnedClock
from simulated_instruments.serving.vxi11_core import CORE_PROGRAM
from simulated_instruments.unit.door import handle_line
from simulated_instruments.unit.scenario import load
from simulated_instruments.unit.unit import Unit
from tests.simulated_instruments.vxi11_caller import Caller


class LocalUnit:
    """The unit's door without a socket: every request still goes through its JSON."""

    def __init__(self, scenario="mixer", seed=1):
        self.clock = TurnedClock()
        self.unit = Unit(load(scenario), self.clock, seed)

    def ask(self, **request):
        return checked(json.loads(handle_line(self.unit, json.dumps(request).encode())))

    def turn(self, seconds):
        self.clock.sleep_s(seconds)

    def instrument(self, name, can_fetch=True, seed=1):
        return Spoken(ROSTER[name].make(self, self.clock, seed, can_fetch))


class Spoken:
    """An instrument spoken to in text."""

    def __init__(self, instrument):
        self.instrument = instrument

    def __call__(self, message):
        answer = self.instrument.answer(message.encode("latin-1"))
        self.instrument.count_sent(answer.sent)
        return answer.data.decode("latin-1").removesuffix("\n")

    def raw(self, message):
        return self.instrument.answer(message.encode()).data

    def number(self, message):
        return float(self(message))


@pytest.fixture
def bench():
    return LocalUnit()


@pytest.fixture
def bench_of():
    return LocalUnit


@pytest.fixture
def meter(bench):
    return bench.instrument("meter")


@pytest.fixture
def called():
    """Opens connections to a VXI-11 server, and closes them afterwards."""
    callers = []

    def call_(port, program=CORE_PROGRAM):
        callers.append(Caller(port, program))
        return callers[-1]

    yield call_
    for caller in callers:
        caller.close()
