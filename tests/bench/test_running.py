"""The running program as a person meets it: commands, losses, pages, the end."""

import contextlib
import os
import re
import signal
import subprocess
import sys

import psutil
import pytest

from daemon.commands import fetch_state
from daemon.records import open_session
from simulated_instruments.asking import UnitDoor
from tests.bench.played import START_S, all_answer, bench, daemon, start, wait_for
from tests.drivers.test_foreign_server import ForeignBench

FOREIGN_BENCH = """
[[instrument]]
name = "meter"
kind = "meter"
resource = "TCPIP::127.0.0.1::{port}::SOCKET"
poll_s = 0.05
probe = "red"
function = "dc_v"
"""


def mark(home, *words):
    """Say something through the command line; returns its answer."""
    environment = os.environ | {"PROBETRAIL_HOME": str(home)}
    command = [sys.executable, "-m", "daemon", "mark", *words]
    return subprocess.run(command, env=environment, capture_output=True, text=True, check=False)


@pytest.fixture
def counting():
    """A server that nobody of this project wrote (scpipy from PyPI), whose meter reads 5.001, 5.002, 5.003 ..."""
    values = iter(range(5001, 10**9))
    server = ForeignBench({"FETC?": lambda: f"{next(values) / 1000:.3f}"})
    yield server
    server.stop()


def test_a_server_that_nobody_here_wrote_is_polled_without_a_value_lost_or_doubled(counting, tmp_path):
    (tmp_path / "bench.toml").write_text(FOREIGN_BENCH.format(port=counting.port))
    session = tmp_path / "foreign.session"
    with daemon(tmp_path, session) as (_, door):
        wait_for(lambda: len(counting.sent) > 20)
        answer = mark(tmp_path / "home", "point", "R12", "--leg", "upstream")
        assert answer.stdout == "red: R12 upstream.\n", answer.stderr
        assert mark(tmp_path / "home", "condition", "isolation").returncode == 0
        seen = len(counting.sent)
        wait_for(lambda: len(counting.sent) > seen + 60)
        (probe,) = fetch_state(door)["probes"]
        assert probe["point"] == "R12"
    sent = [float(text) for pattern, text in counting.sent if pattern == "FETC?"]
    with open_session(session) as records:
        rows = records.readings()
    assert list(rows.value) == sent
    tagged = rows[rows.point == "R12"]
    assert len(tagged) > 40 and set(tagged.leg) == {"upstream"}
    assert set(rows.tail(40).condition) == {"isolation"}


def test_what_cannot_be_said_is_answered_with_the_reason(tmp_path):
    assert "No daemon is running" in mark(tmp_path, "mode", "PLAY").stderr
    answer = mark(tmp_path, "power", "up")
    assert answer.returncode == 1


def test_an_instrument_that_vanishes_is_told_and_goes_on_when_it_is_back(tmp_path):
    with bench("cassette", tmp_path) as ready, daemon(tmp_path, tmp_path / "s.session") as (process, door):
        wait_for(lambda: all_answer(door))
        with contextlib.closing(UnitDoor(ready["unit_door"]["host"], ready["unit_door"]["port"])) as unit:
            unit.ask(do="vanish", instrument="meter")
            wait_for(lambda: status_of(door, "meter") == "lost")
            assert status_of(door, "supply monitor") == "ok" and process.poll() is None
            unit.ask(do="come back", instrument="meter")
        wait_for(lambda: status_of(door, "meter") == "ok")
        last_us = next(line["last_t_us"] for line in fetch_state(door)["instruments"] if line["name"] == "meter")
        wait_for(lambda: next(p for p in fetch_state(door)["probes"] if p["probe"] == "red")["t_us"] > last_us)
    with open_session(tmp_path / "s.session") as records:
        kinds = list(records.events()["kind"])
    assert {"instrument lost", "instrument back"} <= set(kinds)


def status_of(door, name):
    return next(line["status"] for line in fetch_state(door)["instruments"] if line["name"] == name)


def test_a_killed_daemon_loses_at_most_its_last_second_and_is_resumed(tmp_path):
    session = tmp_path / "s.session"
    with bench("cassette", tmp_path):
        with daemon(tmp_path, session) as (process, door):
            wait_for(lambda: all_answer(door))
            shown = wait_for(lambda: probe_of(door, "red")["t_us"])
            wait_for(lambda: probe_of(door, "red")["t_us"] > shown + 2_000_000)
            last_us = probe_of(door, "red")["t_us"]
            process.kill()
        with open_session(session) as records:
            kept = records.readings(series="dc_v").query("instrument == 'meter'")
            assert kept.time.astype("datetime64[us, UTC]").astype("int64").max() > last_us - 1_000_000
        (tmp_path / "home" / "running").joinpath(f"{process.pid}.json").unlink()
        with daemon(tmp_path, session) as (_, door):
            wait_for(lambda: all_answer(door))
    with open_session(session) as records:
        assert len(records.readings(series="dc_v").query("instrument == 'meter'")) > len(kept)


def probe_of(door, name):
    return next(probe for probe in fetch_state(door)["probes"] if probe["probe"] == name)


@pytest.fixture
def demo(tmp_path):
    """The first command of the README, for the cassette deck, with its pages; yields the address it prints."""
    environment = os.environ | {"PROBETRAIL_HOME": str(tmp_path)}
    process = start("daemon", "demo", "--scenario", "cassette", "--port", "0", env=environment)
    address = ""
    while not address:
        line = process.stdout.readline()
        assert line, "the demo ended before it named its page"
        address = "".join(re.findall(r"http://\S+", line))
    yield process, address, tmp_path
    process.send_signal(signal.SIGINT)
    told, _ = process.communicate(timeout=START_S * 2)  # reads on, so that it never waits for us, and closes the pipe
    assert process.returncode == 0
    assert "each once" in told
    left = [other for other in psutil.process_iter() if _belongs_to(other, tmp_path)]
    assert not left, "something of the demo is still running"


def _belongs_to(process, home):
    try:
        return process.environ().get("PROBETRAIL_HOME") == str(home) and process.pid != os.getpid()
    except (psutil.AccessDenied, psutil.NoSuchProcess, psutil.ZombieProcess):
        return False


def test_the_demo_shows_a_missing_kick_and_a_mark_by_key_tags_the_next_reading(demo, context):
    _, address, home = demo
    page = context.new_page()
    page.goto(address)
    page.wait_for_selector("text=No kick at PB OUT", timeout=START_S * 1000)
    page.keyboard.press("t")
    page.keyboard.type("seen by the one who waits")
    page.keyboard.press("Enter")
    (file,) = (home / "sessions").glob("*.session")

    def kept():
        with open_session(file) as records:
            return "seen by the one who waits" in list(records.events("note")["text"])

    wait_for(kept)


def test_a_demo_told_for_how_long_ends_by_itself_and_keeps_all_it_read(tmp_path):
    environment = os.environ | {"PROBETRAIL_HOME": str(tmp_path)}
    with start("daemon", "demo", "--headless", "--seconds", "6", env=environment) as process:
        told, _ = process.communicate(timeout=START_S * 2)
    assert process.returncode == 0
    assert "each once" in told
