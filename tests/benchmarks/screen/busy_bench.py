"""A whole daemon with busy instruments and its dashboard, for a browser to look at: ``python -m ...busy_bench SERIES``.

The meters and the scope are in this process and answer at once, so that a reading's time is the moment when the
answer is at the daemon. The first poll of a meter brings what was read in the 200 s before. It prints the page's
address as a line of JSON; each line of standard input is answered with the lateness in seconds of each poll since
the last: a list. It ends when its standard input does.
"""

import functools
import json
import sys
import time

import numpy as np

from daemon import acquisition
from daemon.bench_file import Bench, Setup
from daemon.poller import Poller
from drivers.protocols import InstrumentSpec
from drivers.readings import Identity, Poll, Quantity, Reading, Trace
from tests.benchmarks.quick_instrument import announce
from tests.benchmarks.screen.served import dashboard, lasting, own_folder

METER_S, SCOPE_S = 0.02, 0.2
BEFORE = 10_000  # readings of each of four series that were there before the page was opened; of more series fewer
ALL_BEFORE = 4 * BEFORE
TRACE_POINTS = 10_000
TRACE_DT_S = 1e-5


class Late:
    """How long after its due moment each poll began, over all threads."""

    def __init__(self):
        self.late_s = []

    def keeper(self, poll_s):
        """For one thread: called at each start. Due is one period after the last due moment that was kept."""
        due_s = None

        def started():
            nonlocal due_s
            now_s = time.monotonic()
            due_s = now_s if due_s is None else due_s + poll_s
            due_s = min(due_s, now_s)  # the earliest start there ever was tells the grid
            self.late_s.append(now_s - due_s)
            due_s += (now_s - due_s) // poll_s * poll_s  # skipped, as the poller does

        return started

    def take(self):
        """All since the last taking."""
        late_s, self.late_s = self.late_s, []
        return late_s


class Quick:
    """What both instruments have in common."""

    def __init__(self, spec, clock, started):
        self.identity = Identity("BENCH", spec.name, "1", "1.0")
        self._clock, self._started = clock, started

    def to_local(self):
        pass

    def close(self):
        pass


class Meter(Quick):
    """A slow swing with noise, and now and then another level."""

    def __init__(self, spec, clock, started, before):
        super().__init__(spec, clock, started)
        chance = np.random.default_rng(sum(spec.name.encode()))
        n = np.arange(before)
        self._values = (5 + np.sin(n / 300) + (n // 900 % 3) + chance.normal(0, 0.01, before)).tolist()
        self._polls = 0

    def poll(self):
        self._started()
        now_us = self._clock.now_us()
        self._polls += 1
        if self._polls == 1:
            times = range(now_us - round(len(self._values) * METER_S * 1e6), now_us, round(METER_S * 1e6))
            return Poll(tuple(map(self._reading, times, self._values)))
        return Poll((self._reading(now_us, self._values[self._polls % len(self._values)]),))

    def _reading(self, t_us, value):
        return Reading(t_us, value, Quantity.DC_V, resolution=1e-4)


class Scope(Quick):
    """Noise on a sine whose phase moves; the last sample is the newest thing that there is."""

    def poll(self):
        self._started()
        now_us = self._clock.now_us()
        phase = now_us % 1_000_000 / 1e6
        n = np.arange(TRACE_POINTS)
        codes = 9000 * np.sin(2 * np.pi * (n / 2500 + phase)) + np.random.default_rng(now_us).normal(0, 300, n.size)
        t0_us = now_us - round(TRACE_POINTS * TRACE_DT_S * 1e6)
        return Poll(traces=(Trace(t0_us, TRACE_DT_S, codes.astype(np.int16), 1e-4, 0.0, "1"),))


def make_bench(series):
    """As many meters, each with a probe, and one scope."""
    meters = [
        Setup(InstrumentSpec(f"meter {n}", "meter", f"TCPIP::127.0.0.1::{n + 1}::SOCKET"), METER_S, (f"{n + 1}",))
        for n in range(series)
    ]
    return Bench((*meters, Setup(InstrumentSpec("scope", "scope", "TCPIP::127.0.0.1::99::SOCKET"), SCOPE_S)))


def opener(late, before):
    """Opens the quick ones in place of real ones; ``before`` readings of each meter were there already."""

    def open_quick(spec, clock):
        if spec.kind == "meter":
            return Meter(spec, clock, late.keeper(METER_S), before)
        return Scope(spec, clock, late.keeper(SCOPE_S))

    return open_quick


def main():
    late, series = Late(), int(sys.argv[1])
    with own_folder() as folder:
        acquisition.Poller = functools.partial(Poller, opener=opener(late, ALL_BEFORE // series))
        daemon = acquisition.Acquisition(make_bench(series), folder / "busy.session")
        with lasting(daemon), dashboard(daemon.door) as tell_address:
            tell_address()
            for _ in sys.stdin:
                announce(json.dumps(late.take()))


if __name__ == "__main__":
    main()
