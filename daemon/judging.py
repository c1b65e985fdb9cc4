"""The judging process: waits at the feed for captured switch-ons, judges them, says the verdicts at the door.

``python -m daemon.judging --port P --token T [--parent PID]``. It reads session files and owns nothing: it may
die and come back, and then judges what has no verdict yet. Long sums run here and never make a poll late.
"""

import argparse
import asyncio
import contextlib
import json
import logging
import threading
from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import psutil

from daemon.captured import judge_capture
from daemon.commands import Door, feed, say
from daemon.records import SessionRecords, open_session
from daemon.running import solved_folder
from daemon.suspecting import Suspecting
from drivers.errors import CommandError, DoorError, ProbetrailError

FIRST_WAIT_S, LONGEST_WAIT_S = 0.25, 5.0
LOOK_AT_PARENT_S = 1.0

_log = logging.getLogger(__name__)


def unjudged(records: SessionRecords) -> list[dict[str, Any]]:
    """The facts of captures that have no verdict yet, in order of time."""
    judged = {data.get("capture") for data in records.events("switch-on verdict")["data"]}
    waiting = [dict(data) for data in records.events("capture")["data"]]
    return [facts for facts in waiting if facts.get("capture") not in judged]


class Judge:
    """Takes frames from the feed; one worker thread judges, so that the feed is never kept waiting."""

    def __init__(self, door: Door) -> None:
        self._door = door
        self.heard_anything = False
        self._lock = threading.Lock()
        self._taken: set[tuple[str, int]] = set()  # judged, or waiting to be
        self._asked = ""  # the session whose records were asked for captures without a verdict
        self._worker = ThreadPoolExecutor(max_workers=1)
        self._suspecting = Suspecting(door, solved_folder())

    async def follow(self) -> None:
        """Listen until the daemon goes, then raise ``DoorError``; what has waited is judged first."""
        self.heard_anything, self._asked = False, ""
        async with contextlib.aclosing(feed(self._door)) as frames:
            async for frame in frames:
                self.heard_anything = True
                if isinstance(frame, str):
                    content = json.loads(frame)
                    self._hear(content)
                    self._suspecting.hear(content)
        raise DoorError("the daemon has closed its feed")

    def _hear(self, content: dict[str, Any]) -> None:
        if content["kind"] == "state" and content["state"].get("session"):
            self._look_for_unjudged(str(content["state"]["session"]["path"]))
        elif content["kind"] == "event" and content["event"]["kind"] == "capture":
            self._take(content["event"]["data"])

    def close(self) -> None:
        """Drop what still waits; the next start finds it in the records."""
        self._suspecting.close()
        self._worker.shutdown(wait=False, cancel_futures=True)

    def _look_for_unjudged(self, session: str) -> None:
        if session != self._asked:
            self._asked = session
            self._worker.submit(self._judge_waiting, session)

    def _judge_waiting(self, session: str) -> None:
        try:
            with open_session(Path(session)) as records:
                waiting = unjudged(records)
        except ProbetrailError as error:
            _log.warning("%s: %s", session, error)
            return
        for facts in waiting:
            self._take(facts | {"session": session})

    def _take(self, facts: Mapping[str, Any]) -> None:
        key = str(facts.get("session")), int(facts["capture"])
        with self._lock:
            if key in self._taken:
                return
            self._taken.add(key)
        self._worker.submit(self._judge, key, dict(facts))

    def _judge(self, key: tuple[str, int], facts: dict[str, Any]) -> None:
        try:
            with open_session(Path(facts["session"])) as records:
                verdict = judge_capture(records, facts)
        except Exception as error:  # one capture that cannot be judged must not silence the next
            _log.exception("capture %s", facts["capture"])
            verdict = {"verdict": "not observed", "also": [], "why": f"Not observed: cannot be judged: {error}"}
        try:
            say(self._door, {"command": "judged", "capture": facts["capture"], "verdict": verdict})
        except (CommandError, DoorError) as error:
            _log.warning("the verdict on capture %s was not taken: %s", facts["capture"], error)
            with self._lock:
                self._taken.discard(key)


async def keep_judging(door: Door) -> None:
    """Follow the feed, and come back whenever it breaks, waiting a little longer each time in vain."""
    judge, wait_s = Judge(door), FIRST_WAIT_S
    while True:
        try:
            await judge.follow()
        except DoorError as error:
            _log.info("%s", error)
        except asyncio.CancelledError:
            judge.close()
            raise
        wait_s = FIRST_WAIT_S if judge.heard_anything else min(2 * wait_s, LONGEST_WAIT_S)
        await asyncio.sleep(wait_s)


async def until_parent_ends(parent: int | None, wait_s: float = LOOK_AT_PARENT_S) -> None:
    """Return when the process of that number has ended; never without one."""
    with contextlib.suppress(psutil.NoSuchProcess):
        process = None if parent is None else psutil.Process(parent)
        # A zombie has ended too: it only waits for somebody to ask how.
        while process is None or (process.is_running() and process.status() != psutil.STATUS_ZOMBIE):
            await asyncio.sleep(wait_s)


async def _run(door: Door, parent: int | None) -> None:
    judging = asyncio.create_task(keep_judging(door))
    await until_parent_ends(parent)
    judging.cancel()
    await asyncio.wait([judging])


def main(arguments: list[str] | None = None) -> int:
    """Run the process until its parent ends or it is interrupted."""
    parser = argparse.ArgumentParser(prog="python -m daemon.judging", description=__doc__)
    parser.add_argument("--port", type=int, required=True, help="port of the daemon's doors")
    parser.add_argument("--token", required=True, help="what the daemon asks for")
    parser.add_argument("--parent", type=int, help="end when the process of this number has ended")
    options = parser.parse_args(arguments)
    logging.basicConfig(level=logging.WARNING, format="judging: %(message)s")
    with contextlib.suppress(KeyboardInterrupt):
        asyncio.run(_run(Door(options.port, options.token), options.parent))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
