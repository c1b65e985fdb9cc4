"""The bench as processes: ready, complete, counted, and nothing left of it."""

import json
import os
import select
import signal
import subprocess
import sys
import time
import tomllib
from pathlib import Path

import pytest

from simulated_instruments.asking import UnitDoor
from tests.simulated_instruments.test_serving import Caller

MODULE = [sys.executable, "-m", "simulated_instruments"]
PATIENCE_S = 20


class Running:
    """A launcher started for one test."""

    def __init__(self, folder, *more):
        words = [*MODULE, "bench", "S2", "--runtime", str(folder), "--with-parent", *more]
        self.process = subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE)
        self.ready = json.loads(self.process.stdout.readline())
        self.facts = json.loads((folder / "bench.json").read_text())
        self.unit = UnitDoor(**self.facts["unit_door"])

    def caller(self, name):
        _, host, port, _ = self.facts["resources"][name].split("::")
        return Caller(type("Address", (), {"host": host, "port": int(port)}))

    def ask(self, name, message):
        caller = self.caller(name)
        answer = caller.ask(message)
        caller.close()
        return answer

    def end(self):
        self.unit.close()
        self.process.stdin.close()
        self.process.wait(PATIENCE_S)
        self.process.stdout.close()


@pytest.fixture
def start(tmp_path):
    running = []

    def begin(*more):
        running.append(Running(tmp_path, *more))
        return running[-1]

    yield begin
    for bench in running:
        bench.end()


def alive(pid):
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    return True


def until(true):
    """Wait for another process to do something; the time-out is a failure, not a measurement."""
    end = time.monotonic() + PATIENCE_S
    while not true():
        assert time.monotonic() < end, "it never happened"
        time.sleep(0.02)


def test_a_bench_says_it_is_ready_and_every_instrument_answers(start, tmp_path):
    bench = start()
    assert bench.ready["ready"] is True
    identities = {bench.ask(name, b"*IDN?\n") for name in bench.facts["resources"] if name != "clip meter"}
    assert len(identities) == 4 and b"" not in identities
    end = os.open(tmp_path / "clip-meter.tty", os.O_RDWR | os.O_NOCTTY)
    os.write(end, b"*IDN?\n")
    assert select.select([end], [], [], PATIENCE_S)[0]
    assert os.read(end, 200).startswith(b"Benchwright,")
    os.close(end)


def test_the_bench_file_is_complete(start, tmp_path):
    bench = start()
    file = tomllib.loads((tmp_path / "bench.toml").read_text())
    tables = {table["name"]: table for table in file["instrument"]}
    assert {name: table["resource"] for name, table in tables.items()} == bench.facts["resources"]
    assert {table["kind"] for table in tables.values()} == {"meter", "scope", "generator", "supply"}
    assert tables["scope"]["link"] == "visa" and tables["scope"]["watch_switch_on"] is True
    assert tables["clip meter"]["resource"].startswith("ASRL")
    assert file["unit"]["protection"] == "earthed" and Path(file["unit"]["drawing"]).exists()
    assert file["reference"][0]["point"] == "MAIN OUT" and Path(file["reference"][0]["file"]).exists()


@pytest.mark.parametrize("how", ["signal", "parent"])
def test_nothing_is_left_of_a_bench_that_ends(start, tmp_path, how):
    bench = start()
    pids = list(bench.facts["pids"].values())
    assert all(alive(pid) for pid in pids)
    assert bench.ask("meter", b"FETC?\n")
    until(lambda: bench.unit.ask(ask="counts")["counts"]["meter"])
    if how == "signal":
        bench.process.send_signal(signal.SIGTERM)
    else:
        bench.process.stdin.close()
    assert bench.process.wait(PATIENCE_S) == 0
    assert not any(alive(pid) for pid in pids)
    assert not (tmp_path / "clip-meter.tty").is_symlink()
    assert json.loads((tmp_path / "counts.json").read_text())["meter"] == {"dc_v": 1}


def test_nothing_is_left_of_a_bench_whose_launcher_is_killed(start):
    bench = start()
    pids = list(bench.facts["pids"].values())
    bench.process.kill()
    bench.process.wait(PATIENCE_S)
    until(lambda: not any(running(pid) for pid in pids))


def running(pid):
    """Alive and not a zombie that nobody has collected yet."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except FileNotFoundError:
        return False


def test_a_killed_instrument_comes_back_at_its_address(start, tmp_path):
    bench = start()
    caller = bench.caller("meter")
    assert caller.ask(b"*OPC?\n") == b"1\n"
    os.kill(bench.facts["pids"]["meter"], signal.SIGKILL)
    assert caller.lines.readline() == b""
    caller.close()
    words = [*MODULE, "instrument", "meter", "--runtime", str(tmp_path)]
    with subprocess.Popen(words, stdout=subprocess.PIPE) as again:
        said = json.loads(again.stdout.readline())
        assert said["resource"] == bench.facts["resources"]["meter"]
        assert bench.ask("meter", b"*OPC?\n") == b"1\n"
        again.terminate()


def test_an_instrument_vanishes_and_comes_back_as_the_door_says(start):
    bench = start()
    caller = bench.caller("meter")
    assert caller.ask(b"*OPC?\n") == b"1\n"
    bench.unit.ask(do="vanish", instrument="meter")
    assert caller.lines.readline() == b""
    caller.close()
    bench.unit.ask(do="come back", instrument="meter")

    def answers():
        try:
            return bench.ask("meter", b"*OPC?\n") == b"1\n"
        except ConnectionRefusedError:
            return False

    until(answers)


def test_a_meter_can_be_one_that_does_not_fetch(start):
    bench = start("--no-fetch", "meter")
    assert bench.ask("meter", b"FETC?;SYST:ERR?\n").startswith(b"-230,")
    assert float(bench.ask("meter", b"READ?\n")) < 1


def test_a_wrong_scenario_is_one_line_and_exit_2(tmp_path):
    words = [*MODULE, "bench", "S9", "--runtime", str(tmp_path)]
    ended = subprocess.run(words, capture_output=True, text=True, stdin=subprocess.DEVNULL, check=False)
    assert ended.returncode == 2
    assert ended.stderr.count("\n") == 1 and "amplifier" in ended.stderr
