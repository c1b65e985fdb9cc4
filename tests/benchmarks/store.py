"""The session file beside CSV + pandas, plain rows in SQLite and DuckDB: same readings, same questions, one run.

Four series at 50, 30, 15 and 5 a second, 16 hours or 5.76 million readings: enough to decide every goal, in two to
three minutes; with --full 24 hours and 8.64 million. Before anything is timed the answers are proved equal: every
reading, and lowest and highest of every bucket. (A bucket of the session file begins with a block of its envelopes,
those of the others on a grid: each is proved over the readings that it stands for.) Then each is asked in turns, each
going first every so often; a figure is the median of the ratios of the rounds. Times are those on the wall; only the
cost of small commits is processor time, because on the wall both mostly wait for the same disk, which is told too.
All stay open and may keep in memory what they like; pandas reads its file anew for each question, since it grows.
While the session file takes its small commits a second process reads it again and again, which a DuckDB file does not
allow.
"""

import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from contextlib import contextmanager, nullcontext
from pathlib import Path

import numpy as np

from tests.benchmarks import contenders
from tests.benchmarks.contenders import BUCKETS, CsvPandas, Duck, Ours, PlainRows, made, small_commits
from tests.benchmarks.figures import at_least, run, told
from tests.benchmarks.made_readings import HOUR_US, SERIES, START_US

KINDS = {"ours": Ours, "CSV + pandas": CsvPandas, "plain rows": PlainRows, "DuckDB": Duck}
NUMBERS = range(1, len(SERIES) + 1)
# What is asked, and how many times faster (or smaller) than each of the others; None: told without a goal.
GOALS = {
    "bytes a reading": {"CSV + pandas": 10, "plain rows": 8, "DuckDB": None},
    "all in 2,000 buckets a series": {"CSV + pandas": 25, "plain rows": 50, "DuckDB": 3},
    "1 h in 2,000 buckets a series": {"CSV + pandas": 25, "plain rows": None, "DuckDB": None},
    "the last 60 s": {"CSV + pandas": 500, "plain rows": None, "DuckDB": None},
    "one placement as a frame": {"CSV + pandas": 100, "plain rows": None, "DuckDB": None},
    "all readings as arrays": {"CSV + pandas": None, "plain rows": 10, "DuckDB": None},
}


@contextmanager
def all_four(folder, data):
    """The four, holding the same readings, by name."""
    four = {name: kind(folder, data) for name, kind in KINDS.items()}
    try:
        yield four
    finally:
        for each in four.values():
            each.close()


def questions(data):
    """What each is asked besides its size: a function of one of the four."""
    middle_us = START_US + round(data.hours / 2 * HOUR_US)
    hour_us = min(HOUR_US, data.end_us - middle_us)
    place = len(data.stood.t0) // 2
    stay = place + 1, int(data.stood.t0[place]), int(data.stood.t1[place])
    asked = (
        lambda one: one.view(START_US, data.end_us),
        lambda one: one.view(middle_us, middle_us + hour_us),
        lambda one: one.since(data.end_us - 60_000_000),
        lambda one: one.placement(*stay),
        lambda one: one.scan(),
    )
    return dict(zip(list(GOALS)[1:], asked, strict=True))


def prove_equal(four, data):
    """Every answer of all four says the same. Raises ``AssertionError``."""
    whole, hour, last, stay, scan = questions(data).values()
    every = [np.concatenate([block[place].t for block in data.blocks]) for place in range(len(SERIES))]
    values = [np.concatenate([block[place].v for block in data.blocks]) for place in range(len(SERIES))]
    for one in four.values():
        for (t, v), right_t, right_v in zip(scan(one), every, values, strict=True):
            assert np.array_equal(t, right_t) and np.array_equal(v, right_v)
    lengths = {name: [len(each) for each in last(four[name])] for name in ("ours", "CSV + pandas", "plain rows")}
    assert lengths["ours"] == lengths["CSV + pandas"] == lengths["plain rows"] and sum(lengths["ours"])
    assert sum(lengths["ours"]) == len(last(four["DuckDB"])["t"])
    frames = [stay(one)["value"].to_numpy() for one in four.values()]
    assert len(frames[0]) and all(np.array_equal(frame, frames[0]) for frame in frames)
    for view in (whole, hour):
        _prove_views_equal([view(one) for one in four.values()], every, values)


def _prove_views_equal(views, every, values):
    """The last three by their grid; ours by the readings from each point's time to the next one's."""
    ours, csv, rows, duck = views
    from_rows = [(series, *row) for series, found in zip(NUMBERS, rows, strict=True) for row in found]
    grid = {row[:2]: row[2:4] for row in from_rows}
    assert grid == dict(zip(csv.index, zip(csv["min"], csv["max"], strict=True), strict=True))
    columns = [column.tolist() for column in duck.values()]
    assert grid == {row[:2]: row[2:4] for row in zip(*columns, strict=True)}
    for number, view, t, v in zip(NUMBERS, ours, every, values, strict=True):
        own = [ends for (series, _), ends in grid.items() if series == number]
        firsts = np.searchsorted(t, view.t)
        assert len(firsts) <= BUCKETS and t[firsts[0]] == view.t[0]
        # What comes after the last point may lie outside of the view: that one is proved by the ends of the whole.
        assert np.array_equal(view.low[:-1], np.minimum.reduceat(v, firsts)[:-1])
        assert np.array_equal(view.high[:-1], np.maximum.reduceat(v, firsts)[:-1])
        assert (view.low.min(), view.high.max()) == (min(low for low, _ in own), max(high for _, high in own))


def seconds(action: Callable[[], object]) -> float:
    """How long it takes; of a short one the mean of several."""
    count, start = 0, time.perf_counter()
    while count == 0 or time.perf_counter() - start < 0.03:
        action()
        count += 1
    return (time.perf_counter() - start) / count


def times_slower(four, question, rounds):
    """For each of the others how many times longer than ours it takes."""
    ratios = {name: [] for name in four if name != "ours"}
    names = list(four)
    for number in range(rounds):
        turn = names[number % len(names) :] + names[: number % len(names)]
        taken = {name: seconds(lambda name=name: question(four[name])) for name in turn}
        for name, found in ratios.items():
            found.append(taken[name] / taken["ours"])
    return {name: statistics.median(found) for name, found in ratios.items()}


def asked(four, data, rounds):
    """The figures of size and of every question."""
    ratios = {"bytes a reading": {name: one.bytes / four["ours"].bytes for name, one in four.items() if name != "ours"}}
    for what, question in questions(data).items():
        ratios[what] = times_slower(four, question, rounds if what != "all readings as arrays" else 1)
    return [_figure(f"{what}: {name} / ours", ratios[what][name], goal)
            for what, goals in GOALS.items() for name, goal in goals.items()]  # fmt: skip


def _figure(name, value, goal):
    return told(name, value) if goal is None else at_least(name, value, goal)


def ingested(folder, data, count, rounds):
    """The figures of small commits, each safe on the disk before the next."""
    commits = small_commits(data, count)
    ways = {"ours": Ours.ingest, "frame": Duck.ingest, "lists": Duck.ingest_lists}
    names, found = list(ways), {name: [] for name in ways}
    for number in range(rounds):
        for name in names[number % len(names) :] + names[: number % len(names)]:
            path = folder / f"{name}{number}"
            with _read_meanwhile(path) if name == "ours" else nullcontext():
                found[name].append(_cost(lambda path=path, way=ways[name]: way(path, commits)))
    cpu, lists, wall = (_ratio(found, *which) for which in (("frame", 0), ("lists", 0), ("frame", 1)))
    return [
        at_least("processor time of small commits: DuckDB, a data frame each / ours while it is read", cpu, 10),
        told("the same: DuckDB, four lists each, unnested / ours", lists),
        told("small commits on the wall, most of it the disk's: DuckDB, a data frame each / ours", wall),
    ]


def _ratio(found, name, place):
    pairs = zip(found[name], found["ours"], strict=True)
    return statistics.median(theirs[place] / ours[place] for theirs, ours in pairs)


@contextmanager
def _read_meanwhile(path):
    reader = subprocess.Popen([sys.executable, "-m", contenders.__name__, path])
    try:
        yield
    finally:
        reader.terminate()
        reader.wait()


def _cost(action):
    """Seconds of processor (of this process alone) and on the wall."""
    cpu, wall = time.process_time(), time.perf_counter()
    action()
    return time.process_time() - cpu, time.perf_counter() - wall


def measured(hours, placements, rounds, commits):
    """All figures of a session of so many hours."""
    data = made(hours, placements)
    with tempfile.TemporaryDirectory() as folder, all_four(Path(folder), data) as four:
        prove_equal(four, data)
        return [*asked(four, data, rounds), *ingested(Path(folder), data, commits, rounds)]


def measure(full):
    """As the module's docstring says."""
    return measured(24.0, 636, 7, 3000) if full else measured(16.0, 424, 3, 1000)


if __name__ == "__main__":
    sys.exit(run(measure, __doc__))
