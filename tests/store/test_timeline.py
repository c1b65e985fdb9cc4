"""The timeline of a session, for machines and for people."""

import json

import pytest

from daemon.records import open_session
from daemon.store.writer import SessionWriter
from daemon.timeline import timeline, timeline_text
from drivers.clock import from_iso_utc
from tests.store.conftest import stay, write

KEYS = {
    "placements": "from to instrument point leg mode condition hypothesis quantity "
    "value uncertainty count struck verdict",
    "events": "time kind text",
    "switch_ons": "time point verdict also ratio why",
    "objections": "time placement kind text",
}


@pytest.fixture
def records(writer, series, clock, path):
    """A placement that is struck, one that lasts, an objection, a switch-on and its verdict."""
    tags = {"mode": "PLAY", "condition": "direct"}
    first = stay(writer, clock.now_us(), clock.now_us() + 2_000_000, point="Q302", leg="collector", **tags)
    judgement = {"verdict": "outside", "expected": 6.5}
    writer.set_placement(first, value=21.70001, uncertainty=0.004, count=40, judgement=judgement)
    write(writer, clock, series, [21.7] * 50)
    said = "the same value as in RECORD"
    writer.add_event(clock.now_us(), "objection", said, {"placement": first, "kind": "other mode"})
    writer.correct_placement(first, clock.now_us(), "wrong leg", struck=True)
    clock.turn(10)
    on_us = clock.now_us()
    writer.add_event(on_us, "switch-on", "mains current rises")
    clock.turn(10)
    verdict = {"t_us": on_us, "capture": 1, "reference": None, "point": "OUT L", "mode": "PLAY", "verdict": "missing"}
    more = {"also": ["late"], "ratio": float("nan"), "why": "2 % of the reference"}
    writer.add_event(clock.now_us(), "switch-on verdict", "missing", verdict | more)
    stay(writer, clock.now_us(), point="D901", **tags)
    writer.commit()
    with open_session(path) as records:
        yield records


def test_the_keys_are_the_agreed_ones_and_it_is_strict_json(records):
    story = timeline(records)
    assert {name: set(story[name][0]) for name in KEYS} == {name: set(keys.split()) for name, keys in KEYS.items()}
    assert json.loads(json.dumps(story, allow_nan=False)) == story


def test_the_values_are_those_that_were_stored(records):
    story = timeline(records)
    first, second = story["placements"]
    assert (first["point"], first["leg"], first["value"], first["count"]) == ("Q302", "collector", 21.70001, 40)
    assert (first["struck"], first["verdict"]) == (True, "outside")
    assert from_iso_utc(first["to"]) - from_iso_utc(first["from"]) == 2_000_000
    assert (second["to"], second["value"], second["verdict"]) == (None, None, None)
    (switch_on,) = story["switch_ons"]
    assert switch_on["time"] == story["events"][1]["time"] and switch_on["ratio"] is None
    said = {"placement": 1, "kind": "other mode", "text": "the same value as in RECORD"}
    assert story["objections"] == [{"time": story["events"][0]["time"]} | said]


def test_the_text_tells_it_in_order(records):
    """Struck, objected to, missing: each can be read off, in the order of time."""
    lines = timeline_text(records).splitlines()
    assert lines[0].startswith("mixer, session of 2023-11-14T22:13:20")
    assert lines[1].endswith("#1    STRUCK  Q302 collector  21.7000 +/- 0.0040 V  outside  [PLAY, direct]")
    assert lines[2].strip() == "objection: the same value as in RECORD"
    assert lines[3].endswith("switch-on: mains current rises")
    assert lines[4].strip() == "switch-on at OUT L MISSING, late: 2 % of the reference"
    assert lines[5].endswith("#2    D901  being measured  [PLAY, direct]")
    assert [line[:1] == " " for line in lines] == [False, False, True, False, True, False]
    assert len(lines) == 6


def test_a_session_of_a_unit_not_named_yet_has_a_title(path, clock):
    SessionWriter.create(path, clock, {}).close()
    with open_session(path) as records:
        assert timeline_text(records) == "unit not named, session of 2023-11-14T22:13:20.000Z (times in UTC)"
