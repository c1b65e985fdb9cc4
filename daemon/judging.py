"""``python -m daemon.judging``: the judging process. It hears of each kept switch-on, judges it, and says so.

It reads through ``records`` and speaks through ``commands``, like any other caller; while it is away
nothing is lost, and what was kept in the meantime is judged when it is back.
"""

import argparse
import asyncio
import contextlib
import json
import logging
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import psutil

from daemon.commands import Door, feed, say
from daemon.judge.switch_on import judge_switch_on
from daemon.records import SessionRecords, open_session
from drivers.errors import CommandError, DoorError, SessionError
from drivers.readings import Trace

log = logging.getLogger("probetrail.judging")

FIRST_WAIT_S = 0.5
LONGEST_WAIT_S = 10.0
LOOK_AT_PARENT_S = 1.0


def judge_capture(records: SessionRecords, facts: Mapping[str, Any]) -> dict[str, Any]:
    """The verdict on a kept capture, from the facts that its event carries."""
    trace = records.trace(facts["capture"])
    ends_v = sorted(code * trace.scale_v + trace.offset_v for code in (trace.lowest_code, trace.highest_code))
    reference = facts.get("reference")
    return judge_switch_on(
        trace.volts,
        trace.dt_s,
        on_s=(facts["switch_on_t_us"] - trace.t0_us) / 1e6,
        on_uncertainty_s=(facts["switch_on_half_width_us"] + trace.t0_half_width_us) / 1e6,
        reference=None if reference is None else _as_reference(records.trace(reference), facts["reference_on_us"]),
        lowest_v=ends_v[0],
        highest_v=ends_v[1],
        lsb_v=abs(trace.scale_v),
        relay_delay_s=facts.get("relay_delay_s") or 0.0,
    ).as_dict()


def _as_reference(trace: Trace, on_us: int) -> tuple[Any, float, float]:
    return trace.volts, trace.dt_s, (on_us - trace.t0_us) / 1e6


def unjudged(records: SessionRecords) -> list[dict[str, Any]]:
    """Facts of the captures that no verdict speaks of."""
    judged = {data["capture"] for data in records.events("switch-on verdict")["data"]}
    return [data for data in records.events("capture")["data"] if data["capture"] not in judged]


class Judging:
    """Follows one daemon's feed."""

    def __init__(self, door: Door) -> None:
        self._door = door
        self._session = ""

    async def follow(self) -> None:
        """Judge what comes until the daemon goes; raises ``DoorError`` then."""
        async for frame in feed(self._door):
            if isinstance(frame, str):
                await self._take(json.loads(frame))

    async def _take(self, message: Mapping[str, Any]) -> None:
        if message["kind"] == "state" and message["state"]["session"]["path"] != self._session:
            self._session = message["state"]["session"]["path"]
            await asyncio.to_thread(self._judge_all, Path(self._session))
        elif message["kind"] == "event" and message["event"]["kind"] == "capture":
            facts = message["event"]["data"]
            await asyncio.to_thread(self._judge_one, Path(facts["session"]), facts)

    def _judge_all(self, session: Path) -> None:
        with contextlib.suppress(SessionError), open_session(session) as records:
            for facts in unjudged(records):
                self._say(records, facts)

    def _judge_one(self, session: Path, facts: Mapping[str, Any]) -> None:
        with open_session(session) as records:
            self._say(records, facts)

    def _say(self, records: SessionRecords, facts: Mapping[str, Any]) -> None:
        try:
            verdict = judge_capture(records, facts)
        except Exception as error:  # one record that breaks the arithmetic must not silence all later ones
            log.exception("capture %s cannot be judged", facts["capture"])
            verdict = {"verdict": "not observed", "also": [], "why": f"Not observed: judging it failed ({error!r})."}
        try:
            say(self._door, {"command": "judged", "capture": facts["capture"], "verdict": verdict})
        except CommandError as error:
            log.warning("capture %s: %s", facts["capture"], error)


async def serve(door: Door, parent: int | None) -> None:
    """Follow the daemon, through its absences, until the parent process is gone."""
    judging = Judging(door)
    watching = asyncio.create_task(_until_gone(parent))
    wait_s = FIRST_WAIT_S
    while not watching.done():
        following = asyncio.create_task(judging.follow())
        await asyncio.wait({following, watching}, return_when=asyncio.FIRST_COMPLETED)
        if following.done():
            wait_s = FIRST_WAIT_S if following.exception() is None else min(wait_s * 2, LONGEST_WAIT_S)
            error = following.exception()
            if error is not None and not isinstance(error, DoorError | SessionError):
                log.error("judging starts again after %r", error)
            await asyncio.wait({watching}, timeout=wait_s)
        else:
            following.cancel()


async def _until_gone(parent: int | None) -> None:
    while parent is None or psutil.pid_exists(parent):
        await asyncio.sleep(LOOK_AT_PARENT_S)


def main() -> None:
    """Serve one daemon."""
    parser = argparse.ArgumentParser(prog="python -m daemon.judging", description=__doc__)
    parser.add_argument("--port", type=int, required=True, help="where the daemon listens")
    parser.add_argument("--token", required=True, help="the token that opens its door")
    parser.add_argument("--parent", type=int, help="leave when the process of this number is gone")
    asked = parser.parse_args()
    logging.basicConfig(level=logging.WARNING, format="%(levelname)s %(name)s: %(message)s")
    with contextlib.suppress(KeyboardInterrupt):
        asyncio.run(serve(Door(asked.port, asked.token), asked.parent))
    sys.exit(0)


if __name__ == "__main__":
    main()
