"""Many instruments polled at 20 Hz by a whole daemon (pollers, keeper, session file, doors), in a process of its own.

Start lateness is how long after its due moment a poll begins. The control has as many threads, which only
sleep to their due moments, spread as the daemon's are, in a process of its own at the same time: whatever
else the machine does is met by both. They are compared window by window, and the median counts.
"""

import contextlib
import functools
import json
import os
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

import numpy as np
import psutil

from daemon import acquisition
from daemon.bench_file import Bench, Setup
from daemon.poll_worker import due_before, phase_of
from daemon.poller import Poller
from drivers.protocols import InstrumentSpec
from drivers.registry import open_instrument
from tests.benchmarks.asking import quick_instrument

POLL_S = 0.05
WARM_S = 6.0  # the driver asks at the beginning for what this instrument does not answer
SAMPLE_S = 0.5
# A series is sealed each 8192 readings and kept in memory until then: memory is looked at over whole such
# periods, with fewer instruments and faster polls, so that three of them fit into minutes.
MEMORY_INSTRUMENTS, MEMORY_POLL_S, SEALED_READINGS = 4, 0.005, 8192
PERIOD_S = SEALED_READINGS * MEMORY_POLL_S


def run_apart(instruments, rounds, seconds, memory_s):
    """Measured in a process of its own; see ``measured`` for what is said."""
    with quick_instrument("tcp", "0", apart=False) as (port,), tempfile.TemporaryDirectory() as folder:
        words = [sys.executable, "-m", "tests.benchmarks.sixteen", port, instruments, rounds, seconds, memory_s]
        said = subprocess.run(
            [str(word) for word in words],
            env={**os.environ, "PROBETRAIL_HOME": folder},
            stdout=subprocess.PIPE,
            check=True,
            timeout=memory_s + rounds * seconds * 2 + 120,
        )
    return json.loads(said.stdout)


class Starts:
    """When each poll began (monotonic seconds) and how late that was, over all threads."""

    def __init__(self):
        self.late_s = []  # (begun, late)
        self.made = self.due = self.times_begun = 0

    def keeper(self):
        """For one thread: called at each start."""
        due_s, begun = None, 0

        def started():
            nonlocal due_s, begun
            now_s = time.monotonic()
            if begun != self.times_begun:  # polls that were skipped at the opening have moved the grid
                due_s, begun = None, self.times_begun
            due_s = now_s if due_s is None else due_s + POLL_S
            due_s = min(due_s, now_s)  # the earliest start there ever was tells the grid
            if now_s - due_s > POLL_S:  # skipped, as the poller does
                skipped = int((now_s - due_s) / POLL_S)
                self.due += skipped
                due_s += skipped * POLL_S
            self.late_s.append((now_s, now_s - due_s))
            self.made += 1
            self.due += 1

        return started

    def begin(self):
        """Forget what was before."""
        self.late_s.clear()
        self.made = self.due = 0
        self.times_begun += 1


class Timed:
    """A driver whose polls say when they begin."""

    def __init__(self, driver, starts):
        self._driver, self._started = driver, starts.keeper()

    def __getattr__(self, name):
        return getattr(self._driver, name)

    def poll(self):
        self._started()
        return self._driver.poll()


def p99_ratio(late_s, beside_s, window_s):
    """Median over windows of how much later, at the 99th percentile, the first began than what ran beside it."""
    late, beside = np.array(late_s), np.array(beside_s)
    ratios = []
    for begin_s in np.arange(late[:, 0].min(), late[:, 0].max() - window_s / 2, window_s):
        ours, theirs = (
            part[(part[:, 0] >= begin_s) & (part[:, 0] < begin_s + window_s), 1] for part in (late, beside)
        )
        ratios.append(float(np.percentile(ours, 99) / np.percentile(theirs, 99)))
    return statistics.median(ratios)


@contextlib.contextmanager
def control(count):
    """A process in which as many threads only sleep, until the end of the block; a list that then has their starts."""
    starts = []
    command = [sys.executable, "-m", "tests.benchmarks.sixteen", "control", str(count)]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as process:
        try:
            yield starts
        finally:
            said, _ = process.communicate()  # the end of its input ends it
    starts += json.loads(said)


def only_sleeping(count):
    """The control: threads that sleep to their due moments until standard input ends; between the daemon's."""
    starts, ending = Starts(), threading.Event()

    def sleep(phase):
        started, due_s = starts.keeper(), due_before(time.monotonic(), POLL_S, phase)
        while not ending.is_set():
            due_s += POLL_S
            time.sleep(max(0.0, due_s - time.monotonic()))
            started()

    threads = [threading.Thread(target=sleep, args=(phase_of(count + number),)) for number in range(count)]
    for thread in threads:
        thread.start()
    sys.stdin.read()
    ending.set()
    for thread in threads:
        thread.join()
    return starts.late_s


def make_daemon(port, count, file, starts, poll_s=POLL_S):
    """A whole daemon whose pollers say when they begin."""
    setups = tuple(
        Setup(
            InstrumentSpec(f"meter {number}", "meter", f"TCPIP::127.0.0.1::{port}::SOCKET"),
            poll_s,
            (f"probe {number}",),
        )
        for number in range(count)
    )

    def opener(spec, clock):
        return Timed(open_instrument(spec, clock), starts[0])

    acquisition.Poller = functools.partial(Poller, opener=opener)
    return acquisition.Acquisition(Bench(setups), file)


def polled(port, count, seconds, file, poll_s=POLL_S):
    """A daemon for ``seconds``: its starts, its share of a core, and its memory as (seconds, bytes)."""
    starts = [Starts()]
    daemon = make_daemon(port, count, file, starts, poll_s)
    daemon.start()
    try:
        time.sleep(WARM_S)
        process = psutil.Process()
        starts[0].begin()
        before, begun_s = process.cpu_times(), time.monotonic()
        memory = []
        while (age_s := time.monotonic() - begun_s) < seconds:
            memory.append((age_s, process.memory_info().rss))
            time.sleep(SAMPLE_S)
            if poll_s != POLL_S:
                starts[0].begin()  # its own lists must not be what grows
        after, whole_s = process.cpu_times(), time.monotonic() - begun_s
    finally:
        daemon.stop()
    used_s = after.user + after.system - before.user - before.system
    return starts[0], used_s / whole_s, memory


def growth_in_ten_minutes(memory, period_s):
    """Mean of the last period beyond that of the one before, for ten minutes, as a share of the memory."""
    at_s, rss = np.array(memory).T
    last = at_s > at_s[-1] - period_s
    before = ~last & (at_s > at_s[-1] - 2 * period_s)
    growth = rss[last].mean() - (rss[before].mean() if before.any() else rss[0])
    return float(growth / period_s * 600 / rss.mean())


def measured(port, count, rounds, seconds, memory_s):
    """Lateness ratio (median over rounds), share of a core, polls made of those due, memory growth."""
    with tempfile.TemporaryDirectory() as folder:
        with control(count) as sleepers:
            starts, share, _ = polled(port, count, rounds * seconds, Path(folder) / "late.session")
        memory = polled(port, MEMORY_INSTRUMENTS, memory_s, Path(folder) / "memory.session", MEMORY_POLL_S)[2]
    return {
        "lateness_ratio": p99_ratio(starts.late_s, sleepers, seconds),
        "cpu": share,
        "made": starts.made / starts.due,
        "growth": growth_in_ten_minutes(memory, PERIOD_S),
    }


if __name__ == "__main__":
    if sys.argv[1] == "control":
        sys.stdout.write(json.dumps(only_sleeping(int(sys.argv[2]))))
    else:
        port, count, rounds = map(int, sys.argv[1:4])
        sys.stdout.write(json.dumps(measured(port, count, rounds, *map(float, sys.argv[4:6]))))
