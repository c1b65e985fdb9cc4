"""All stations at once, and what came of it."""

import gc
import tempfile
import threading
from collections import Counter
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path

from drivers.clock import SystemClock
from tests.drivers.campaign.instruments import KINDS
from tests.drivers.campaign.station import HANG_S, Station

TRANSPORTS = ("tcp", "serial", "hislip", "vxi11")
STREAMS = ("tcp", "serial")  # these have no number in each answer: numbered questions are a station of their own
SETTLED_S = 10.0  # for threads that end by themselves after their server has gone
AGAIN = "python -m tests.drivers.campaign --seed {seed} --only {name} --faults {count}{full}"


@dataclass
class Report:
    """The campaign's outcome; ``ok`` where nothing was wrong."""

    seed: int
    faults: int = 0
    polls: int = 0
    noticed: Counter = field(default_factory=Counter)
    wrong: list = field(default_factory=list)
    unseen: list = field(default_factory=list)
    hangs: list = field(default_factory=list)
    leaks: list = field(default_factory=list)

    @property
    def ok(self):
        return not (self.wrong or self.unseen or self.hangs or self.leaks)

    def lines(self):
        yield f"seed {self.seed}: {self.faults} faults among {self.polls} good polls"
        yield f"noticed in the time line: {_table(self.noticed)}"
        for what in ("wrong", "unseen", "hangs", "leaks"):
            found = getattr(self, what)
            yield f"{what}: {len(found)}"
            yield from (f"  {sentence}" for sentence in found[:20])


def _table(counts):
    return ", ".join(f"{kind} {count}" for kind, count in sorted(counts.items())) or "none"


def station_names():
    """Every station: transport/kind, and for streams transport/kind/tagged for the meter."""
    names = [f"{transport}/{kind}" for transport in TRANSPORTS for kind in KINDS]
    return names + [f"{transport}/meter/tagged" for transport in STREAMS]


def campaign(seed, faults, only=None, within_s=float("inf"), long_outages=False):
    """``faults`` spread over all stations (or ``only`` one), all at once; ends early after ``within_s``.

    With ``long_outages`` some of the outages last 30 s.
    """
    names = [name for name in station_names() if only in (None, name)]
    threads, files = _threads(), _files()
    clock = SystemClock()
    until_s = clock.monotonic_s() + within_s
    report = Report(seed)
    with tempfile.TemporaryDirectory() as folder, ThreadPoolExecutor(len(names)) as pool:
        share = -(-faults // len(names))
        runs = {name: pool.submit(_run_one, name, seed, Path(folder), share, until_s, long_outages) for name in names}
        for name, run in runs.items():
            _add(report, run.result(), AGAIN.format(seed=seed, name=name, count=share, full=" --full" * long_outages))
    report.leaks += _left(threads, files, clock)
    return report


def _run_one(name, seed, folder, count, until_s, long_outages):
    transport, kind, *tagged = name.split("/")
    inner = folder / name.replace("/", "-")
    inner.mkdir()
    return Station(transport, kind, seed, inner, bool(tagged), long_outages).run(count, until_s)


def _add(report, findings, again):
    report.faults += findings.faults
    report.polls += findings.polls
    report.noticed.update(findings.noticed)
    for what in ("wrong", "unseen", "hangs"):
        getattr(report, what).extend(f"{sentence} (again: {again})" for sentence in getattr(findings, what))


def _threads():
    return {thread for thread in threading.enumerate() if not thread.name.startswith("ThreadPool")}


def _files():
    gc.collect()
    open_now = Path("/proc/self/fd")
    return sum(1 for _ in open_now.iterdir()) if open_now.exists() else 0


def _left(threads, files, clock):
    """Threads and descriptors that are there now and were not before."""
    end_s = clock.monotonic_s() + min(SETTLED_S, HANG_S)
    while (more := _threads() - threads) and clock.monotonic_s() < end_s:
        next(iter(more)).join(0.1)
    if more:
        yield f"threads: {', '.join(sorted(thread.name for thread in more))}"
    if (now := _files()) > files:
        yield f"descriptors: {now - files} more than before"
