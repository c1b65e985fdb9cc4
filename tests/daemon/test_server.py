"""The doors over real sockets: what a caller says, is answered, and hears."""

import asyncio
import contextlib
import json
import struct
import threading
from dataclasses import replace

import httpx
import numpy as np
import pytest
import websockets

from daemon.commands import Door, feed, fetch_state, say
from daemon.feed import MOST_POINTS, MOST_WAITING, Feed, thinned, trace_frame
from daemon.server import LONGEST_BODY, Server, make_app
from drivers.errors import CommandError, DoorError
from drivers.readings import Trace

WAIT_S = 10


class Doors:
    """A server whose keeper is a list."""

    def __init__(self):
        self.said = []
        self.feed = Feed()
        self.server = Server(make_app(self.execute, lambda: '{"now_us":1}', self.feed, "secret"))
        self.server.start()
        self.door = Door(self.server.port, "secret")

    def execute(self, body, by):
        self.said.append(body)
        self.said_by = by
        return {"done": "Noted.", "id": len(self.said)}


@pytest.fixture(scope="module")
def doors():
    doors = Doors()
    while True:
        try:
            fetch_state(doors.door)
            break
        except DoorError:
            threading.Event().wait(0.05)
    yield doors
    doors.server.stop()


def test_a_command_is_checked_carried_out_and_answered(doors):
    assert say(doors.door, {"command": "mode", "mode": "PLAY"})["done"] == "Noted."
    assert doors.said[-1] == {"command": "mode", "mode": "PLAY"}


@pytest.mark.parametrize(
    ("given", "kept"),
    [
        ("the command line", "the command line"),
        ("the phone page", "the phone page"),
        ("probetrail", "a script"),
        ("the queen", "a script"),
    ],
)
def test_who_says_a_command_comes_with_it_and_only_in_known_words(given, kept, doors):
    """Nobody from outside can be taken for the program itself."""
    say(replace(doors.door, by=given), {"command": "mode", "mode": "PLAY"})
    assert doors.said_by == kept
    say(doors.door, {"command": "mode", "mode": "PLAY"})
    assert doors.said_by == "a script"


def test_a_wrong_command_never_reaches_the_keeper_and_names_its_field(doors):
    before = len(doors.said)
    with pytest.raises(CommandError) as raised:
        say(doors.door, {"command": "condition", "condition": ""})
    assert raised.value.field == "condition" and len(doors.said) == before


TOO_LONG = b'{"command":"mode","mode":"' + b"x" * LONGEST_BODY


@pytest.mark.parametrize("body", [b"", b"{", b"[" * 100_000, b"nul", b"\xff\xfe", TOO_LONG])
def test_a_body_that_is_no_command_is_answered_and_ends_nothing(doors, body):
    headers = {**doors.door.headers, "content-type": "application/json"}
    answer = httpx.post(f"http://127.0.0.1:{doors.door.port}/commands", content=body, headers=headers)
    assert answer.status_code == 422 and answer.json()["error"]
    assert fetch_state(doors.door) == {"now_us": 1}


def test_a_caller_without_the_token_hears_nothing(doors):
    with pytest.raises(DoorError, match="401"):
        fetch_state(Door(doors.door.port, "guess"))


def test_where_nobody_listens_the_caller_is_told():
    with pytest.raises(DoorError, match="does not answer"):
        fetch_state(Door(1, "x"))


def test_a_listener_gets_the_state_first_and_then_what_happens(doors):
    async def listen():
        heard = []
        async with contextlib.aclosing(feed(doors.door)) as frames:
            async for frame in frames:
                heard.append(frame)
                if len(heard) == 1:
                    doors.feed.send('{"kind":"event"}')
                    doors.feed.send(b"\x00\x01")
                if len(heard) == 3:
                    return heard
        return heard

    heard = asyncio.run(asyncio.wait_for(listen(), WAIT_S))
    assert json.loads(heard[0]) == {"kind": "state", "state": {"now_us": 1}}
    assert heard[1:] == ['{"kind":"event"}', b"\x00\x01"]


FOREIGN = {"Authorization": "Bearer secret", "Origin": "http://x"}


@pytest.mark.parametrize(("headers", "status"), [({}, 401), (FOREIGN, 403)])
def test_the_feed_stands_behind_the_same_guard(doors, headers, status):
    async def knock():
        async with websockets.connect(f"ws://127.0.0.1:{doors.door.port}/feed", additional_headers=headers):
            pass

    with pytest.raises(websockets.InvalidStatus) as raised:
        asyncio.run(knock())
    assert raised.value.response.status_code == status


def test_a_listener_that_does_not_keep_up_is_let_go():
    async def stay_silent():
        feed = Feed()
        feed.attach(asyncio.get_running_loop())
        queue = feed.listen()
        for _ in range(MOST_WAITING + 5):
            feed.send("x")
        await asyncio.sleep(0)
        assert not feed.heard
        frames = [queue.get_nowait() for _ in range(queue.qsize())]
        assert frames[-1] is None and len(frames) == MOST_WAITING + 1

    asyncio.run(stay_silent())


def test_a_thinned_trace_keeps_a_spike_of_one_sample():
    volts = np.zeros(1_000_000, dtype=np.float32)
    volts[654_321], volts[7] = 5.0, -3.0
    thin, dt_s = thinned(volts, 1e-6)
    assert len(thin) <= MOST_POINTS and thin.max() == 5.0 and thin.min() == -3.0
    assert np.argmax(thin) * dt_s == pytest.approx(0.654321, abs=2 * dt_s)


def test_a_trace_frame_can_be_read_by_its_documentation():
    """4 bytes little-endian header length, JSON header, float32 little-endian volts (DEVELOPERS.md)."""
    codes = np.array([0, 128, 255], dtype=np.int16)
    trace = Trace(1_000_000, 0.5, codes, 0.1, -12.8, "2", lowest_code=0, highest_code=255)
    frame = trace_frame("scope", trace)
    (length,) = struct.unpack_from("<I", frame)
    header = json.loads(frame[4 : 4 + length])
    assert (header["kind"], header["channel"], header["n"], header["clipped"]) == ("trace", "2", 3, True)
    assert np.frombuffer(frame[4 + length :], "<f4") == pytest.approx([-12.8, 0.0, 12.7], abs=1e-5)
