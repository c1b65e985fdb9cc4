"""The relay without a browser: frames verbatim, bounded memory, coming back."""

import asyncio
import json
from collections.abc import AsyncIterator

from daemon.commands import Door
from dashboard import live
from dashboard.live import Outbox, Relay
from drivers.clock import HandClock
from drivers.errors import DoorError
from tests.dashboard.conftest import in_a_loop_of_its_own

DOOR = Door(1, "token")
STATE = '{"kind":"state","state":{"now_us":1,"session":{"path":"/x/deck.session"}}}'


def drained(outbox: Outbox) -> list[live.Frame]:
    async def all_of_them() -> list[live.Frame]:
        frames = []
        while True:
            try:
                frames.append(await asyncio.wait_for(outbox.take(), 0.01))
            except TimeoutError:
                return frames

    return in_a_loop_of_its_own(all_of_them())


def test_a_slow_page_loses_the_oldest_frames_and_never_the_newest_state() -> None:
    """Memory is bounded whatever arrives."""
    outbox = Outbox(longest=3)
    for n in range(10):
        outbox.put(f'{{"kind":"readings","n":{n}}}')
        outbox.put(f'{{"kind":"state","n":{n}}}')
    assert outbox.dropped == 7
    assert drained(outbox) == ['{"kind":"state","n":9}', *(f'{{"kind":"readings","n":{n}}}' for n in (7, 8, 9))]


def test_frames_reach_every_page_as_they_came_and_a_newcomer_gets_the_state_first() -> None:
    """Text and binary, byte for byte."""
    frames = [STATE, '{"kind":"readings","series":{"3":[[1,2.5,0]]}}', b"\x02\x00\x00\x00{}\x00\x00\x80?"]

    async def feed(_: Door) -> AsyncIterator[live.Frame]:
        for frame in frames:
            yield frame

    async def once() -> tuple[Outbox, Outbox]:
        relay = Relay(DOOR, feed, HandClock())
        with relay.outbox() as early:
            task = asyncio.create_task(relay.listen_for_ever())
            await asyncio.sleep(0.05)
            task.cancel()
            with relay.outbox() as late:
                assert relay.session_path == "/x/deck.session"
                return early, late

    early, late = in_a_loop_of_its_own(once())
    heard = drained(early)
    assert heard[0] == STATE
    assert [frame for frame in heard if frame in frames[1:]] == frames[1:]
    assert drained(late)[0] == STATE


def test_when_the_daemon_goes_the_pages_hear_since_when_and_the_relay_knocks_again(monkeypatch) -> None:
    """The link frame is the relay's own: ok, then not ok since, then ok again."""
    monkeypatch.setattr(live, "KNOCK_AGAIN_S", 0.0)
    clock = HandClock(1_000_000)
    visits = 0

    async def feed(_: Door) -> AsyncIterator[live.Frame]:
        nonlocal visits
        visits += 1
        if visits == 2:
            raise DoorError("nobody there")
        if visits > 3:
            await asyncio.Event().wait()
        yield STATE
        clock.turn(5.0)

    async def go() -> Outbox:
        relay = Relay(DOOR, feed, clock)
        with relay.outbox() as outbox:
            task = asyncio.create_task(relay.listen_for_ever())
            while visits < 4:
                await asyncio.sleep(0)
            task.cancel()
            return outbox

    links = [json.loads(frame) for frame in drained(in_a_loop_of_its_own(go())) if '"link"' in str(frame)]
    assert [link["ok"] for link in links] == [False, True, False, True, False]
    assert links[2]["since_us"] == 6_000_000
