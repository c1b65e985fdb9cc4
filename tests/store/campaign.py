"""kill -9, power cuts and a full disk, many times: ``python -m tests.store.campaign --full``.

Every try has a seed; ``--kills``, ``--cuts``, ``--fills`` say how many of each, ``--seed`` where to begin. ``--lives``
are whole sessions held against a plain model in memory. The first loss ends it with exit code 1 and the seed that
repeats it.
"""

import argparse
import random
import sqlite3
import subprocess
import sys
import tempfile
import time
from functools import partial
from pathlib import Path

from hypothesis import HealthCheck, settings
from hypothesis.stateful import run_state_machine_as_test

from daemon.records import open_session
from daemon.store.writer import SessionWriter
from drivers.clock import HandClock
from drivers.errors import SessionError, StoreFull
from tests.store.disk import Disk, after_a_power_cut
from tests.store.test_model import SessionFile
from tests.store.workload import Workload, state_of

ALL = list(HealthCheck)
CUTS_A_SESSION = 25
FULL = {"kills": 200, "cuts": 400, "fills": 100, "lives": 300}
PART = {"kills": 6, "cuts": 40, "fills": 5, "lives": 0}

WRITE_FOR_EVER = """
import sys
from pathlib import Path
from tests.store.test_model import SessionFile
from tests.store.workload import Workload
work = Workload(Path(sys.argv[1]), int(sys.argv[2]))
print(0, flush=True)
while True:
    work.step()
    work.writer.commit()
    print(len(work.readings), len(work.notes), len(work.points), len(work.sums), flush=True)
"""


class Lost(Exception):
    """Something that was acknowledged is not there, or something is there that nobody said."""


def expect(holds, words):
    if not holds:
        raise Lost(words)


def check_sound(path):
    sql = sqlite3.connect(path)
    found = sql.execute("PRAGMA integrity_check").fetchall()
    sql.close()
    expect(found == [("ok",)], f"integrity: {found}")
    with open_session(path) as records:
        losses = records.losses()
    expect(len(losses) == 0, f"losses: {losses['text'].tolist()}")


def kill(seed, folder):
    """A writer killed at a chance moment; returns the commits it had acknowledged."""
    path = folder / "killed.session"
    command = [sys.executable, "-c", WRITE_FOR_EVER, str(path), str(seed)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as child:
        child.stdout.readline()
        time.sleep(random.Random(seed).uniform(0.0, 0.5))
        child.kill()
        lines = [line for line in child.stdout if line.endswith("\n")]
    acknowledged = tuple(map(int, lines[-1].split())) if lines else (0, 0, 0, 0)
    with tempfile.TemporaryDirectory() as elsewhere:
        # The same seed says the same again: what was acknowledged must be what it says, to the bit.
        work = Workload(Path(elsewhere) / "again.session", seed)
        states = [work.said()]
        for _ in range(len(lines) + 1):
            work.step()
            states.append(work.said())
        work.writer.close()
    expect(tuple(map(len, states[len(lines)])) == acknowledged, "the writer repeats itself")
    SessionWriter.resume(path, HandClock()).close()
    expect(state_of(path) in states[len(lines) :], f"after {len(lines)} commits")
    check_sound(path)
    return len(lines)


def recorded(seed, folder, commits):
    """A session on a disk that writes down: its operations and, after each commit, how many and what holds."""
    with Disk() as disk:
        work = Workload(folder / "cut.session", seed)
        marks = [(len(disk.operations), work.said())]
        for _ in range(commits):
            work.step()
            if work.chance.random() < 0.05:
                work.close_and_resume()
            else:
                work.writer.commit()
            marks.append((len(disk.operations), work.said()))
        work.writer.close()
        marks.append((len(disk.operations), work.said()))
    return disk.operations, marks


def cut(operations, marks, seed, folder):
    """The power goes after a chance operation; returns the commits that were acknowledged by then."""
    chance = random.Random(seed)
    at = chance.randint(marks[0][0], len(operations))
    for path, content in after_a_power_cut(operations[:at], chance).items():
        (folder / Path(path).name).write_bytes(content)
    acknowledged = sum(count <= at for count, _ in marks) - 1
    path = folder / "cut.session"
    try:
        SessionWriter.resume(path, HandClock()).close()
        state = state_of(path)
    except SessionError as error:
        raise Lost(f"cut at operation {at}: {error}") from error
    allowed = [said for _, said in marks[acknowledged : acknowledged + 2]]
    expect(state in allowed, f"cut at operation {at} of {len(operations)}, {acknowledged} commits acknowledged")
    check_sound(path)
    return acknowledged


def fill(seed, folder):
    """The disk is full for some commits at chance places of a write, then there is room; returns the refusals."""
    with Disk() as disk:
        work = Workload(folder / "full.session", seed)
        work.writer.commit()
        refusals = 0
        for _ in range(6):
            held = work.said()
            with disk.full_after(work.chance.choice([0, 100, 5000, 20_000, 200_000])):
                for _ in range(3):
                    work.step()
                    try:
                        work.writer.commit()
                        held = work.said()
                    except StoreFull:
                        refusals += 1
                        expect(state_of(work.path) == held, "a refused commit left something, or took something")
            work.writer.commit()
            expect(state_of(work.path) == work.said(), "there is room again and not all is stored")
        work.writer.close()
    expect(state_of(work.path) == work.said(), "after the close")
    check_sound(work.path)
    return refusals


def live(lives):
    """So many sessions of up to 50 steps each, any order of what can happen, against the plain model."""
    plan = settings(max_examples=lives, stateful_step_count=50, deadline=None, database=None, suppress_health_check=ALL)
    try:
        run_state_machine_as_test(SessionFile, settings=plan)
    except Exception as error:
        raise Lost(f"the plain model disagrees: {error!r}") from error


def run(kills, cuts, fills, seed, lives=0, say=lambda text: None):
    """Carry out so many of each; raises ``Lost`` with the seed at the first loss."""
    begin = time.monotonic()  # for the report alone
    commits = sum(_tried("kill", kill, seed + number) for number in range(kills))
    say(f"kill -9: {kills} times, {commits} commits acknowledged, none lost; {time.monotonic() - begin:.0f} s")
    begin, commits, operations, marks = time.monotonic(), 0, [], []
    for number in range(cuts):
        if number % CUTS_A_SESSION == 0:
            with tempfile.TemporaryDirectory() as folder:
                operations, marks = recorded(seed + number, Path(folder), commits=40)
        commits += _tried("cut", partial(cut, operations, marks), seed + number)
    say(f"power cut: {cuts} times, {commits} commits acknowledged, none lost; {time.monotonic() - begin:.0f} s")
    begin = time.monotonic()
    refusals = sum(_tried("fill", fill, seed + number) for number in range(fills))
    say(f"disk full: {fills} sessions, {refusals} commits refused, none lost; {time.monotonic() - begin:.0f} s")
    begin = time.monotonic()
    if lives:
        live(lives)
    say(f"plain model: {lives} sessions of up to 50 steps, none differs; {time.monotonic() - begin:.0f} s")
    return refusals


def _tried(name, attempt, seed):
    try:
        with tempfile.TemporaryDirectory() as folder:
            return attempt(seed, Path(folder))
    except Exception as error:
        raise Lost(f"{name}, seed {seed}: {error!r}") from error


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--full", action="store_true", help="200 kills, 400 cuts, 100 full disks, 300 lives")
    parser.add_argument("--seed", type=int, default=1)
    for name in PART:
        parser.add_argument(f"--{name}", type=int)
    options = parser.parse_args()
    counts = {name: getattr(options, name) for name in PART}
    base = FULL if options.full else PART
    wanted = {name: base[name] if count is None else count for name, count in counts.items()}
    try:
        run(**wanted, seed=options.seed, say=print)
    except Lost as loss:
        sys.exit(f"LOST: {loss}")


if __name__ == "__main__":
    main()
