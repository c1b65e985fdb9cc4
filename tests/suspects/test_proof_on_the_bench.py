"""A bypass said to the daemon, with the readings before, during and after it: from the commands to the ranking."""

import ssl

import pytest

from daemon import commands
from daemon.command_line import make_parser
from daemon.command_line.marks import command_of
from daemon.question import heard, question_of
from daemon.suspecting import Thinker
from drivers.errors import DoorError
from tests.daemon.test_keeper import Desk, measure
from tests.suspects.conftest import LAMP


@pytest.fixture
def desk(tmp_path):
    desk = Desk(tmp_path, LAMP)
    desk.say("condition", condition="isolation")
    desk.say("mode", mode="ON")
    yield desk
    desk.keeper.close()


def typed(desk, *words):
    """A mark as it is typed at a terminal."""
    body = command_of(make_parser().parse_args(["mark", *words]))
    return desk.say(body.pop("command"), **body)


def asked(desk):
    state = desk.state()
    with desk.records() as records:
        return heard(question_of(records), state)


def test_the_three_phases_of_a_bypass_prove_the_part_and_a_strike_takes_one_back(desk, tmp_path):
    thinker = Thinker(tmp_path / "solved")
    states = []

    def now():
        ranking = thinker.ranking(asked(desk), look_ahead=True)
        states.append([each["state"] for each in ranking["proofs"]])
        return ranking

    measure(desk, "A", 0.3)
    now()
    typed(desk, "note", "F1", "with", "a", "fuse", "across", "it", "--kind", "bypassed")
    assert now()["proofs"][0]["in_place"]
    measure(desk, "A", 19.6)
    now()
    typed(desk, "note", "fuse", "across", "F1", "removed", "--kind", "bypassed")
    measure(desk, "A", 0.3)
    ranking = now()
    assert states == [[], ["wanting"], ["for"], ["proved"]]
    assert ranking["parts"][0]["part"] == "F1" and ranking["parts"][0]["probability"] > 0.9
    assert ranking["otherwise"] == []
    desk.say("strike")
    assert now()["proofs"][0]["state"] == "for"


def test_a_proof_that_a_person_marks_counts_for_the_part(desk, tmp_path):
    measure(desk, "A", 19.9)
    measure(desk, "B", 0.3)
    thinker = Thinker(tmp_path / "solved")

    def chance():
        parts = {each["part"]: each["probability"] for each in thinker.ranking(asked(desk), False)["parts"]}
        return parts["C2"]

    before = chance()
    typed(desk, "note", "hum", "gone", "with", "C2", "lifted", "--kind", "proof")
    assert chance() > 2 * before


def test_a_part_that_is_lifted_and_put_back_counts_in_between(desk, tmp_path):
    """As it is typed: a rail that comes back without C2 speaks for C2, also of readings after it is in again."""
    thinker = Thinker(tmp_path / "solved")
    measure(desk, "A", 19.9)
    measure(desk, "B", 0.05)
    typed(desk, "note", "C2", "at", "one", "end", "--kind", "part lifted")
    measure(desk, "B", 11.9)
    during = thinker.ranking(asked(desk), look_ahead=True)
    assert during["parts"][0]["part"] == "C2" and during["lifted"][0]["part"] == "C2"
    typed(desk, "note", "C2", "back", "--kind", "part lifted")
    measure(desk, "B", 0.05)
    after = thinker.ranking(asked(desk), look_ahead=True)
    assert after["parts"][0]["part"] == "C2" and after["parts"][0]["probability"] > 0.9
    assert "lifted" not in after


def test_suspects_are_shown_without_a_write_to_the_disk(desk, monkeypatch):
    """A ranking is not stored, and has to be on the screen at once: it does not wait for the disk."""
    ranking = {key: [] for key in ("parts", "suspects", "credible_set", "next", "no_dc_trace")}
    commits = []
    monkeypatch.setattr(desk.keeper, "_commit", lambda: commits.append(1))
    desk.say("suspected", ranking=ranking | {"session": str(desk.path)})
    assert commits == []
    desk.say("note", text="kept at once")
    assert commits == [1]


def test_a_command_reads_no_certificates(monkeypatch):
    """They take longer than all else of a command, and nothing here is said over TLS."""
    monkeypatch.setattr(ssl, "create_default_context", lambda *_, **__: pytest.fail("read the certificates"))
    with pytest.raises(DoorError, match="does not answer"):
        commands.say(commands.Door(1, "t"), {"command": "note", "text": "x"})


