"""The judging process between a real session file and a real door."""

import asyncio
import json
import logging
import os
import subprocess
import sys
import threading
from dataclasses import replace

import numpy as np
import pytest

from daemon.captured import judge_capture, opened
from daemon.commands import Door, fetch_state
from daemon.feed import Feed, text_frame
from daemon.judging import keep_judging, unjudged, until_parent_ends
from daemon.records import open_session
from daemon.server import Server, make_app
from daemon.store.writer import SessionWriter
from drivers.clock import HandClock
from drivers.errors import DoorError, SessionError
from drivers.readings import Trace

WAIT_S = 60
ON_US = 1_700_000_001_000_000


def trace_of(volts, dt_s, lsb_v):
    codes = np.round(volts / lsb_v).astype(np.int16)
    return Trace(ON_US - 1_000_000, dt_s, codes, lsb_v, 0.0, "1", lowest_code=-128, highest_code=127)


@pytest.fixture
def session(tmp_path, waveform, through_a_scope):
    """A session with the healthy reference of S4 and one capture of the fault, its event told."""
    path = tmp_path / "deck.session"
    (healthy, dt_s), (faulty, _) = waveform("s4_after"), waveform("s4_before")
    tags = {"point": "C308", "leg": "", "mode": "PLAY", "condition": "direct"}
    with SessionWriter.create(path, HandClock(), {"unit": "deck"}) as writer:
        reference = writer.add_capture(
            trace_of(through_a_scope(healthy, dt_s, 0.08, seed=1), dt_s, 0.08), role="reference", **tags
        )
        capture = writer.add_capture(
            trace_of(through_a_scope(faulty, dt_s, 0.08, seed=2), dt_s, 0.08), role="switch-on", **tags
        )
        facts = {
            "capture": capture,
            "reference": reference,
            "reference_on_us": ON_US,
            "point": "C308",
            "mode": "PLAY",
            "switch_on_t_us": ON_US,
            "switch_on_half_width_us": 150_000,
            "relay_delay_s": 0.0,
            "session": str(path),
        }
        writer.add_event(ON_US, "capture", "kept", facts)
        writer.commit()
        yield path, facts, writer


def test_a_capture_is_judged_against_its_reference(session):
    path, facts, _ = session
    with open_session(path) as records:
        verdict = judge_capture(records, facts)
    assert verdict["verdict"] == "missing"
    assert verdict["ratio"] == pytest.approx(0.049, abs=0.005)


def coupled_capture(session, waveform, through_a_scope, name, coupling, **more):
    """One more capture of the session whose input was coupled otherwise, as the judging gets it."""
    path, facts, writer = session
    volts, dt_s = waveform(name)
    trace = replace(trace_of(through_a_scope(volts, dt_s, 0.08, seed=3), dt_s, 0.08), coupling=coupling, **more)
    tags = {"point": "C308", "leg": "", "mode": "PLAY", "condition": "direct"}
    number = writer.add_capture(trace, role="switch-on", **tags)
    writer.commit()
    return path, facts | {"capture": number}


@pytest.mark.parametrize("name", ["s4_before", "s4_after"])
def test_an_input_that_was_switched_to_ground_has_not_observed_anything(session, waveform, through_a_scope, name):
    path, facts = coupled_capture(session, waveform, through_a_scope, name, "GND")
    with open_session(path) as records:
        verdict = judge_capture(records, facts)
    assert (verdict["verdict"], verdict["cause"]) == ("not observed", "coupling")


def test_an_ac_coupled_record_is_held_against_the_reference_behind_the_same_high_pass(
    session, waveform, through_a_scope
):
    volts, dt_s = waveform("s4_after")
    keep, slow, passed = np.exp(-2 * np.pi * 7 * dt_s), volts[0], []
    for value in volts:  # a first-order high-pass of 7 Hz, sample by sample
        passed.append(value - slow)
        slow = keep * slow + (1 - keep) * value
    path, facts = coupled_capture(
        session, lambda name: (np.array(passed), dt_s), through_a_scope, "", "AC", probe_factor=1.0
    )
    with open_session(path) as records:
        verdict = judge_capture(records, facts)
    assert verdict["verdict"] == "same"
    assert verdict["ratio"] == pytest.approx(1, abs=0.05)


def test_a_reference_that_was_ac_coupled_is_not_held_against_a_record_that_was_not(
    session, waveform, through_a_scope
):
    path, facts = coupled_capture(session, waveform, through_a_scope, "s4_after", "AC")
    with open_session(path) as records:
        verdict = judge_capture(records, session[1] | {"reference": facts["capture"]})
    assert verdict["verdict"] == "size uncertain"
    assert verdict["ratio"] is None
    assert "keep a new reference with DC coupling" in verdict["why"]


def test_a_channel_that_shows_the_power_dates_the_switch_on(session, waveform, through_a_scope):
    """The kick comes 0.3 s after the power: late by the rail's own channel, not by a mark of +-1 s."""
    path, facts, writer = session
    volts, dt_s = waveform("s4_after")
    late = np.concatenate([np.zeros(round(0.3 / dt_s)), volts])
    times_s = np.arange(len(late)) * dt_s
    rail = 12 * (1 - np.exp(-times_s / 0.02))
    tags = {"point": "C308", "leg": "", "mode": "PLAY", "condition": "direct"}
    captures = [
        writer.add_capture(trace_of(through_a_scope(each, dt_s, 0.12, seed=n), dt_s, 0.12), role="switch-on", **tags)
        for n, each in enumerate((late, rail))
    ]
    writer.commit()
    marked = facts | {"capture": captures[0], "switch_on_half_width_us": 1_000_000}
    with open_session(path) as records:
        assert judge_capture(records, marked)["verdict"] == "same"
        told = judge_capture(records, marked | {"power": captures[1]})
    assert told["verdict"] == "late"
    assert told["late_by_s"] == pytest.approx(0.3, abs=0.02)


def test_a_capture_without_a_reference_is_never_missing(session):
    path, facts, _ = session
    with open_session(path) as records:
        assert judge_capture(records, facts | {"reference": None})["verdict"] == "size uncertain"


def test_a_verdict_can_be_opened(session):
    path, facts, _ = session
    with open_session(path) as records:
        told = opened(records, facts["capture"])
        volts = records.trace(facts["capture"]).volts
    assert told["verdict"] == "missing"
    assert told["compared_with"].startswith("nothing: there was no reference") is ("compared_with" not in facts)
    assert told["coverage"] == pytest.approx(1, abs=0.01)
    assert told["window_s"] == pytest.approx([-0.15, 0.15], abs=0.01)
    rows = np.array(told["rows"], dtype=float)
    assert rows.shape[1] == 7 and 300 <= len(rows) <= 400
    assert (rows[:, 1].min(), rows[:, 2].max()) == pytest.approx((volts.min(), volts.max()))
    # Trace, less the model, is what is left; the reference's kick is seen beside it.
    assert np.nanmax(np.abs(rows[:, 5:])) < np.ptp(volts) + 1e-9
    assert np.nanmax(np.abs(rows[:, 4])) > 5 * np.ptp(volts)
    json.dumps(told, allow_nan=False)


def test_only_a_switch_on_can_be_opened(session):
    with open_session(session[0]) as records, pytest.raises(SessionError, match="no switch-on capture 99"):
        opened(records, 99)


def test_what_has_a_verdict_is_not_asked_for_again(session):
    path, facts, writer = session
    with open_session(path) as records:
        assert [each["capture"] for each in unjudged(records)] == [facts["capture"]]
        writer.add_event(ON_US, "switch-on verdict", "missing", {"capture": facts["capture"]})
        writer.commit()
        assert unjudged(records) == []


class Doors:
    """A daemon's doors whose keeper is a list; ``heard`` is set at each command."""

    def __init__(self, path):
        self.said, self.heard = [], threading.Event()
        self.feed = Feed()
        state = json.dumps({"session": {"path": str(path)}})
        self.server = Server(make_app(self.execute, lambda: state, self.feed, "secret"))
        self.server.start()
        self.door = Door(self.server.port, "secret")
        self._until_open()

    def _until_open(self):
        while True:
            try:
                fetch_state(self.door)
                return
            except DoorError:
                threading.Event().wait(0.05)

    def execute(self, body, by):
        self.said.append(body)
        self.heard.set()
        return {"done": "Verdict kept.", "id": 1}


@pytest.fixture
def doors(session):
    doors = Doors(session[0])
    yield doors
    doors.server.stop()


def judge_until(doors, count, meanwhile=lambda: None):
    """Run the process's own loop until so many verdicts were said."""

    async def run():
        judging = asyncio.create_task(keep_judging(doors.door))
        started = False
        while len(doors.said) < count:
            await asyncio.to_thread(doors.heard.wait, 0.2)
            doors.heard.clear()
            if doors.said and not started:
                started = True
                meanwhile()
        judging.cancel()
        await asyncio.wait([judging])

    asyncio.run(asyncio.wait_for(run(), WAIT_S))


def test_what_waited_while_nobody_judged_is_judged_first_and_news_once(session, doors):
    _path, facts, _ = session

    def a_new_capture_is_told_twice():
        news = {"kind": "event", "event": {"kind": "capture", "data": facts | {"capture": facts["reference"]}}}
        doors.feed.send(text_frame(news))
        doors.feed.send(text_frame(news))
        doors.feed.send(text_frame({"kind": "event", "event": {"kind": "capture", "data": facts}}))

    judge_until(doors, 2, a_new_capture_is_told_twice)
    assert [body["capture"] for body in doors.said] == [facts["capture"], facts["reference"]]
    assert [body["verdict"]["verdict"] for body in doors.said] == ["missing", "same"]
    assert all(body["command"] == "judged" for body in doors.said)


def test_a_capture_that_cannot_be_judged_is_not_observed_and_says_so(session, doors, caplog):
    _path, facts, _ = session

    def a_capture_that_is_not_there():
        event = {"kind": "capture", "data": facts | {"capture": 99}}
        doors.feed.send(text_frame({"kind": "event", "event": event}))

    with caplog.at_level(logging.CRITICAL):
        judge_until(doors, 2, a_capture_that_is_not_there)
    assert doors.said[1]["verdict"]["verdict"] == "not observed"
    assert "cannot be judged" in doors.said[1]["verdict"]["why"]


def test_after_a_break_the_records_are_asked_again(session, doors):
    _path, facts, writer = session

    def the_feed_breaks_and_a_capture_comes_unheard():
        writer.add_event(ON_US, "capture", "kept", facts | {"capture": facts["reference"]})
        writer.commit()
        for _ in range(1000):
            doors.feed.send(text_frame({"kind": "readings", "series": {}}))

    judge_until(doors, 2, the_feed_breaks_and_a_capture_comes_unheard)
    assert {body["capture"] for body in doors.said} == {facts["capture"], facts["reference"]}


def test_it_ends_with_its_parent():
    child = subprocess.Popen([sys.executable, "-c", "import sys; sys.stdin.read()"], stdin=subprocess.PIPE)

    async def run():
        waiting = asyncio.create_task(until_parent_ends(child.pid, wait_s=0.05))
        await asyncio.sleep(0.1)
        assert not waiting.done()
        child.stdin.close()
        await asyncio.to_thread(child.wait)
        await waiting

    asyncio.run(asyncio.wait_for(run(), WAIT_S))


def test_the_process_itself_ends_when_its_parent_has_gone():
    """No such parent: it ends by itself though no daemon answers."""
    gone = subprocess.Popen([sys.executable, "-c", ""])
    gone.wait()
    command = [sys.executable, "-m", "daemon.judging", "--port", "1", "--token", "x", "--parent", str(gone.pid)]
    assert subprocess.run(command, timeout=WAIT_S, env=os.environ, check=False).returncode == 0
