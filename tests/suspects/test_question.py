"""A ranking is not stored: it follows from a session's readings and marks, as they stand or as they stood at a time."""

import json

import pytest

from daemon.command_line import main
from daemon.question import question_of
from daemon.records import open_session
from daemon.store.writer import SessionWriter
from daemon.suspecting import Thinker
from drivers.clock import HandClock, iso_utc
from tests.suspects.conftest import LAMP

SECOND_US = 1_000_000
OFF = {"verdict": "not compared", "compared_with": "the unit draws no current: it is off"}


@pytest.fixture
def session(tmp_path, monkeypatch):
    """A closed session: A at 10 s, B at 20 s, one on the wrong point at 30 s, struck at 50 s; a bypass at 60 s."""
    monkeypatch.setenv("PROBETRAIL_HOME", str(tmp_path / "home"))
    clock = HandClock()
    start_us = clock.now_us()
    path = tmp_path / "lamp.session"
    with SessionWriter.create(path, clock, {"drawing": LAMP, "started_us": str(start_us)}) as writer:

        def stay(at_s, point, value, **more):
            at_us = start_us + at_s * SECOND_US
            tags = {"leg": "", "mode": "ON", "condition": "direct", "hypothesis": ""}
            place = {"instrument": "m", "channel": "", "probe": "1", "quantity": "dc_v"}
            number = writer.open_placement(at_us, point=point, **place, **tags)
            facts = {"value": value, "uncertainty": 0.01, "limits": 0.05, "count": 9, **more}
            writer.set_placement(number, t1=at_us + 3 * SECOND_US, **facts)
            return number

        def said(at_s, kind, text, **data):
            writer.add_event(start_us + at_s * SECOND_US, kind, text, data)

        said(1, "mode", "Mode ON.", mode="ON")
        said(2, "hypothesis", "Testing: R1 open.", hypothesis="R1 open", kill="", state="open")
        stay(10, "A", 20.0)
        stay(20, "B", 0.02)
        wrong = stay(30, "LAMP", 12.0)
        writer.correct_placement(wrong, start_us + 50 * SECOND_US, "wrong point", struck=True)
        said(60, "bypassed", "R1 with a clip lead")
        said(61, "mode", "Mode DIM.", mode="DIM")
        stay(70, "B", 0.0, judgement=OFF)
        writer.commit()
    return path, start_us


def asked(session, at_s=None):
    path, start_us = session
    with open_session(path) as records:
        return question_of(records, None if at_s is None else start_us + at_s * SECOND_US)


def points(question):
    return [(stay.point, stay.value) for stay in question.stays]


def test_the_question_of_a_time_has_what_was_known_then_and_no_more(session):
    assert points(asked(session, 5)) == []
    assert points(asked(session, 10)) == []  # a stay is known to rest after a second
    assert points(asked(session, 12)) == [("A", 20.0)]
    assert (asked(session, 12).mode, len(asked(session, 12).marks)) == ("ON", 0)
    assert (asked(session).mode, len(asked(session).marks)) == ("DIM", 1)
    assert [thought.text for thought in asked(session, 12).thoughts] == ["R1 open"]
    assert asked(session, 1).thoughts == ()


def test_what_was_struck_later_counted_then(session):
    assert points(asked(session, 45)) == [("A", 20.0), ("B", 0.02), ("LAMP", 12.0)]
    assert points(asked(session, 55)) == [("A", 20.0), ("B", 0.02)]


def test_a_reading_of_a_unit_that_was_off_is_no_evidence_of_a_dead_rail(session, tmp_path):
    last = asked(session).stays[-1]
    assert (last.point, last.condition) == ("B", "off")
    thinker = Thinker(tmp_path / "solved")
    before, after = (thinker.ranking(asked(session, at_s), False)["parts"] for at_s in (65, 75))
    assert before == after


def test_the_ranking_that_was_seen_comes_out_again(session, tmp_path, capsys):
    """What the page showed after the second reading, worked out live, and asked for by its hour afterwards."""
    live = Thinker(tmp_path / "solved")
    live.ranking(asked(session, 12), True)
    shown = live.ranking(asked(session, 25), True)
    path, start_us = session
    at = iso_utc(start_us + 25 * SECOND_US)
    for written in (at, f"{at[5:10]} {at[11:19]}"):
        assert main(["suspects", str(path), "--at", written, "--json"]) == 0
        again = json.loads(capsys.readouterr().out)
        assert again["parts"] == shown["parts"] and again["next"][:3] == shown["next"]
        assert any(each.get("hypothesis") == "R1 open" for each in again["suspects"])
    assert main(["suspects", str(path), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["proofs"][0]["part"] == "R1"


@pytest.mark.parametrize(
    ("words", "cure"),
    [
        (["--at", "noon"], "write a time"),
        (["--readings", "r.csv"], "leave --readings out"),
    ],
)
def test_a_wrong_word_is_answered_with_its_cure(session, capsys, words, cure):
    assert main(["suspects", str(session[0]), *words]) == 1
    assert cure in capsys.readouterr().err


def test_a_file_of_readings_has_no_times(tmp_path, capsys):
    path = tmp_path / "lamp.toml"
    path.write_text(LAMP)
    assert main(["suspects", str(path), "--at", "03-01 10:00:00"]) == 1
    assert "--at is for a session" in capsys.readouterr().err
