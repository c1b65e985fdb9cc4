"""Points in order on the simulated bench, over real sockets: hands touch and lift, and nobody says a word."""

import json
import socket
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import pytest

from daemon.commands import fetch_state, say
from daemon.records import open_session
from tests.bench.played import all_answer, bench, daemon, wait_for

ORDER = ["VP", "-15", "V48", "MAIN OUT", "PBUS", "+15"]  # MAIN OUT rests at 0 V: in the air it reads little else
HEALTHY = {"VP": 23.9, "V48": 48.2, "PBUS": 48.2, "+15": 15.0}  # the faulty mixer's rails that are well


@contextmanager
def hands(ready: dict[str, Any]) -> Iterator[Any]:
    """What hands do to the unit."""
    door = ready["unit_door"]
    with socket.create_connection((door["host"], door["port"])) as line:
        file = line.makefile("rw", encoding="utf-8")

        def do(**request: Any) -> None:
            file.write(json.dumps(request) + "\n")
            file.flush()
            answer = json.loads(file.readline())
            assert answer["ok"], answer

        yield do


def test_each_landing_belongs_to_the_next_point_and_carries_its_value(tmp_path) -> None:
    session = tmp_path / "walk.session"
    with bench("mixer", tmp_path) as ready, daemon(tmp_path, session) as (process, door), hands(ready) as do:
        wait_for(lambda: all_answer(door))

        def hand() -> dict[str, Any]:
            return fetch_state(door)["probes"][0]

        name = hand()["probe"]
        do(do="power", on=True)
        do(do="mode", mode="PHANTOM ON")
        say(door, {"command": "mode", "mode": "PHANTOM ON"})
        say(door, {"command": "condition", "condition": "direct"})
        say(door, {"command": "walk", "do": "start", "points": ORDER})
        for number, point in enumerate(ORDER):
            do(do="touch", probe=name, thing=point)
            wait_for(lambda: (hand()["walk"]["is_read"]))
            assert hand()["point"] == point
            do(do="lift", probe=name)
            wait_for(lambda n=number: hand()["walk"]["at"] == n + 1)
        assert hand()["walk"] | {"here": None, "read": 6, "passed": []} == hand()["walk"]
        say(door, {"command": "stop"})
        assert process.wait(60) == 0
    with open_session(session) as records:
        rows = [row for row in records.placements().to_dict("records") if row["count"] and row["probe"] == name]
    assert [row["point"] for row in rows] == ORDER
    for row in rows:
        if row["point"] in HEALTHY:
            assert row["value"] == pytest.approx(HEALTHY[row["point"]], rel=0.03)
