"""The live relay: one listener at the daemon's feed, and every open page hears what it hears.

Frames go through as they came. A page that reads too slowly loses the oldest frames, never
the newest state, and costs a bounded amount of memory. When the daemon is gone the pages are
told since when, and the relay knocks again until it is back.
"""

import asyncio
import contextlib
import json
from collections import deque
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import contextmanager

from fastapi import FastAPI, WebSocket, WebSocketDisconnect

from daemon.commands import Door, feed
from drivers.clock import Clock, SystemClock
from drivers.errors import DoorError

Frame = str | bytes
Listen = Callable[[Door], AsyncIterator[Frame]]

LONGEST_QUEUE = 400  # frames: about ten seconds of a busy bench
KNOCK_AGAIN_S = 0.5
STATE_START = '{"kind": "state"', '{"kind":"state"'


class Outbox:
    """What one page has still to be sent: bounded, with the newest state always in it."""

    def __init__(self, longest: int = LONGEST_QUEUE) -> None:
        self._frames: deque[Frame] = deque()
        self._longest = longest
        self._state: str | None = None
        self._something = asyncio.Event()
        self.dropped = 0

    def put(self, frame: Frame) -> None:
        """Queue a frame; a newer state replaces the one that was not sent yet."""
        if is_state(frame):
            self._state = str(frame)
        else:
            self._frames.append(frame)
        if len(self._frames) > self._longest:
            self._frames.popleft()
            self.dropped += 1
        self._something.set()

    async def take(self) -> Frame:
        """The next frame to send: a waiting state goes first."""
        while self._state is None and not self._frames:
            self._something.clear()
            await self._something.wait()
        if self._state is not None:
            state, self._state = self._state, None
            return state
        return self._frames.popleft()


def is_state(frame: Frame) -> bool:
    """True for the text frames that carry the whole state."""
    return isinstance(frame, str) and frame.startswith(STATE_START)


class Relay:
    """Listens once, tells many; remembers the last state and path for whoever comes later."""

    def __init__(self, door: Door, listen: Listen = feed, clock: Clock | None = None) -> None:
        self._door = door
        self._listen = listen
        self._clock = clock or SystemClock()
        self._outboxes: set[Outbox] = set()
        self._last_state: str | None = None
        self._link = self._link_frame(False)

    @property
    def session_path(self) -> str | None:
        """Path of the session that the daemon last said it is keeping."""
        if self._last_state is None:
            return None
        session = json.loads(self._last_state)["state"].get("session") or {}
        path = session.get("path")
        return str(path) if path else None

    async def listen_for_ever(self) -> None:
        """Hear the daemon; when it goes, say so and knock again. Ends only when cancelled."""
        while True:
            with contextlib.suppress(DoorError):
                async for frame in self._listen(self._door):
                    self._heard(frame)
            self._lost()
            await asyncio.sleep(KNOCK_AGAIN_S)

    def _heard(self, frame: Frame) -> None:
        if not self._answers:
            self._set_link(True)
        if is_state(frame):
            self._last_state = str(frame)
        for outbox in self._outboxes:
            outbox.put(frame)

    def _lost(self) -> None:
        if self._answers:
            self._set_link(False)

    @property
    def _answers(self) -> bool:
        return bool(json.loads(self._link)["ok"])

    def _set_link(self, ok: bool) -> None:
        self._link = self._link_frame(ok)
        for outbox in self._outboxes:
            outbox.put(self._link)

    def _link_frame(self, ok: bool) -> str:
        return json.dumps({"kind": "link", "ok": ok, "since_us": self._clock.now_us()})

    @contextmanager
    def outbox(self) -> Iterator[Outbox]:
        """A page's own queue, begun with how things stand now."""
        outbox = Outbox()
        outbox.put(self._link)
        if self._last_state is not None:
            outbox.put(self._last_state)
        self._outboxes.add(outbox)
        try:
            yield outbox
        finally:
            self._outboxes.discard(outbox)


def add_live_route(server: FastAPI, relay: Relay) -> None:
    """Serve ``/live``: a WebSocket that only speaks."""

    async def live(socket: WebSocket) -> None:
        await socket.accept()
        with relay.outbox() as outbox:
            sender = asyncio.create_task(_send_all(socket, outbox))
            try:
                while True:
                    await socket.receive_text()  # a page has nothing to say here; this notices when it goes
            except (WebSocketDisconnect, KeyError):
                sender.cancel()

    server.add_api_websocket_route("/live", live)


async def _send_all(socket: WebSocket, outbox: Outbox) -> None:
    with contextlib.suppress(WebSocketDisconnect, RuntimeError):
        while True:
            frame = await outbox.take()
            await (socket.send_bytes(frame) if isinstance(frame, bytes) else socket.send_text(frame))
