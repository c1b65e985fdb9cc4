"""The judging process's second task: a ranking for every settled reading, from frames as the daemon sends them."""

import threading

import pytest

from daemon import suspecting
from daemon.commands import Door
from daemon.store.writer import SessionWriter
from daemon.suspecting import Suspecting
from drivers.clock import HandClock
from tests.suspects.conftest import LAMP

WAIT_S = 60


class Told:
    """What is said at the door, waited for."""

    def __init__(self, monkeypatch):
        self.rankings, self._new = [], threading.Condition()
        monkeypatch.setattr(suspecting, "say", self._say)

    def _say(self, door, body):
        with self._new:
            self.rankings.append(body["ranking"])
            self._new.notify_all()

    def wait(self, true):
        with self._new:
            assert self._new.wait_for(lambda: bool(self.rankings) and true(self.rankings[-1]), WAIT_S), self.rankings
            return self.rankings[-1]


@pytest.fixture
def told(monkeypatch):
    return Told(monkeypatch)


@pytest.fixture
def heard(told, tmp_path):
    """A session with the lamp's drawing, and the task that follows it."""
    path = tmp_path / "lamp.session"
    with SessionWriter.create(path, HandClock(), {"drawing": LAMP}) as writer:
        writer.commit()
        task = Suspecting(Door(1, ""), tmp_path / "solved")
        yield task, str(path), writer
        task.close()


def state_of(path, *probes, mode="ON", hypotheses=()):
    return {
        "kind": "state",
        "state": {
            "session": {"path": path},
            "context": {"mode": mode, "condition": "direct"},
            "hypotheses": list(hypotheses),
            "probes": list(probes),
        },
    }


def probe(placement, point, value, quantity="dc_v"):
    settled = {"value": value, "uncertainty": 0.001, "count": 9, "t_us": 1_000_000 * placement}
    told = {"placement": placement, "point": point, "leg": "", "quantity": quantity}
    return told | {"settled": settled, "accuracy": 0.05}


def test_each_settled_reading_gives_a_ranking(heard, told):
    task, path, _ = heard
    task.hear(state_of(path))
    assert len(told.wait(lambda r: r["readings"] == 0)["parts"]) > 5
    task.hear(state_of(path, probe(1, "A", 20.0)))
    task.hear(state_of(path, probe(2, "B", 0.01)))
    ranking = told.wait(lambda r: r["readings"] == 2)
    assert ranking["session"] == path
    assert {each["part"] for each in ranking["parts"][:4]} <= {"R1", "C2", "D1", "L1", "S1"}
    assert ranking["values"] == [
        {"point": "A", "leg": "", "mode": "ON", "value": 20.0},
        {"point": "B", "leg": "", "mode": "ON", "value": 0.01},
    ]


def test_a_state_that_says_nothing_new_asks_nothing(heard, told):
    task, path, _ = heard
    frame = state_of(path, probe(1, "A", 20.0))
    task.hear(frame)
    told.wait(lambda r: r["readings"] == 1)
    before = task._now
    task.hear(state_of(path, probe(1, "A", 20.0004)))
    assert task._now == before


def test_a_struck_placement_leaves_and_comes_back(heard, told):
    task, path, writer = heard
    tags = {"mode": "ON", "condition": "direct", "hypothesis": "", "leg": ""}
    place = {"instrument": "m", "channel": "", "probe": "1", "quantity": "dc_v"}
    number = writer.open_placement(1_000_000, point="B", **place, **tags)
    writer.set_placement(number, value=0.01, uncertainty=0.001, count=9, t1=2_000_000)
    writer.commit()
    task.hear(state_of(path))
    told.wait(lambda r: r["readings"] == 1)
    for struck, count in ((True, 0), (False, 1)):
        writer.correct_placement(number, 3_000_000, "", struck=struck)
        writer.commit()
        task.hear({"kind": "event", "event": {"kind": "strike", "t_us": 3, "text": "", "data": {}}})
        task.hear(state_of(path))
        told.wait(lambda r, count=count: r["readings"] == count)


def test_marks_and_suspicions_are_heard(heard, told):
    task, path, _ = heard
    thought = {"hypothesis": "R1 open", "kill": "", "state": "open", "t_us": 1}
    task.hear(state_of(path, probe(2, "B", 0.01), hypotheses=[thought]))
    ranking = told.wait(lambda r: any(each.get("hypothesis") == "R1 open" for each in r["suspects"]))
    before = next(each["probability"] for each in ranking["parts"] if each["part"] == "R1")
    event = {"kind": "part lifted", "t_us": 9_000_000, "text": "R1 is good", "data": {}}
    task.hear({"kind": "event", "event": event})
    task.hear(state_of(path, probe(2, "B", 0.01), hypotheses=[thought]))
    after = told.wait(lambda r: r["readings"] == 2)
    assert next((each["probability"] for each in after["parts"] if each["part"] == "R1"), 0) < before / 3


def test_a_session_without_a_drawing_asks_nothing(told, tmp_path):
    path = tmp_path / "bare.session"
    with SessionWriter.create(path, HandClock(), {}) as writer:
        writer.commit()
        task = Suspecting(Door(1, ""), tmp_path)
        task.hear(state_of(str(path), probe(1, "A", 1.0)))
        task.close()
    assert not any(ranking["session"] == str(path) for ranking in told.rankings)


def test_a_drawing_that_is_entered_later_is_taken_up(heard, told):
    """The same parts with another name for one of them, as a person corrects a drawing in the middle of a search."""
    task, path, writer = heard
    task.hear(state_of(path))
    told.wait(lambda r: any(each["part"] == "R1" for each in r["parts"]))
    writer.set_meta("drawing", LAMP.replace('"R1"', '"R7"'))
    writer.commit()
    task.hear({"kind": "event", "event": {"kind": "drawing", "t_us": 3, "text": "", "data": {}}})
    task.hear(state_of(path))
    ranking = told.wait(lambda r: any(each["part"] == "R7" for each in r["parts"]))
    assert not any(each["part"] == "R1" for each in ranking["parts"])


def test_the_first_answer_is_refined_and_each_says_which_it_is_and_how_new(heard, told):
    task, path, _ = heard
    task.hear(state_of(path, probe(2, "B", 0.01)))
    told.wait(lambda r: r["readings"] == 1 and r["steps_ahead"] == 2)
    assert [(each["steps_ahead"], each["newest_us"]) for each in told.rankings][-2:] == [(1, 2_000_000), (2, 2_000_000)]


def test_with_a_part_lifted_the_first_answer_waits_for_nothing_and_the_second_knows(heard, told):
    task, path, _ = heard
    readings = [probe(1, "A", 20.0), probe(2, "B", 0.02)]
    task.hear(state_of(path, *readings))
    told.wait(lambda r: r["readings"] == 2 and r["steps_ahead"] == 2)
    task.hear({"kind": "event", "event": {"kind": "part lifted", "t_us": 2_500_000, "text": "C2", "data": {}}})
    task.hear(state_of(path, *readings, probe(3, "B", 12.0)))
    knows = told.wait(lambda r: r["readings"] == 4 and r["steps_ahead"] == 2)
    assert knows["parts"][0]["part"] == "C2" and knows["parts"][0]["probability"] > 0.9
    assert knows["lifted"][0]["counts"]
    first = next(r for r in told.rankings if r["readings"] == 4)
    assert first["steps_ahead"] == 1 and not first["lifted"][0]["counts"]
    assert first["parts"][0]["probability"] < 0.9


def test_a_reading_of_a_unit_that_is_off_is_left_out_while_it_is_taken(heard, told):
    task, path, _ = heard
    task.hear(state_of(path))
    sound = told.wait(lambda r: r["readings"] == 0 and r["steps_ahead"] == 2)
    dead = probe(1, "B", 0.0) | {"judgement": {"compared_with": "the unit draws no current: it is off"}}
    task.hear(state_of(path, dead))
    assert told.wait(lambda r: r["readings"] == 1 and r["steps_ahead"] == 2)["parts"] == sound["parts"]


def test_after_ten_readings_without_news_it_is_said_since_when(heard, told):
    task, path, _ = heard
    for number in range(1, 15):
        task.hear(state_of(path, probe(number, "B", 12.0)))
    ranking = told.wait(lambda r: r["readings"] == 14)
    assert ranking["nothing_new_since_us"] is not None and ranking["nothing_new_since_us"] <= 5_000_000
