"""A bypass or a lifted part does not leave the bench unsaid: flagged, and to be answered before the job closes."""

import pytest

from daemon.command_line import make_parser
from daemon.command_line.marks import command_of
from daemon.drawing import parse_drawing
from daemon.suspects.in_place import CLOSING, after_note
from daemon.timeline import timeline_text
from drivers.errors import CommandError
from tests.daemon.test_keeper import Desk

UNIT = {"protection": "earthed", "rated_mains_v": 230.0}
PARTS = """
[drawing]
unit = "lamp"
modes = ["ON"]
[[point]]
name = "A"
printed_v = { ON = 12.0 }
[[part]]
name = "fuse one"
kind = "fuse"
nets = ["A", "0"]
[[part]]
name = "R1"
kind = "resistor"
nets = ["A", "0"]
value = 1000.0
"""


@pytest.fixture
def desk(tmp_path):
    desk = Desk(tmp_path)
    yield desk
    desk.keeper.close()


def noted(*notes, drawing=None):
    """What is in place after notes ``(kind, text)``, by name."""
    known = ()
    for number, (kind, text) in enumerate(notes):
        known = after_note(known, kind, text, number, number, drawing)
    return [each.name for each in known]


@pytest.mark.parametrize(
    ("notes", "names"),
    [
        ([("bypassed", "F1 bypassed")], ["F1 bypassed"]),
        ([("bypassed", "F1 bypassed"), ("bypassed", "Bypass of F1 removed")], []),
        ([("bypassed", "F1 bypassed"), ("bypassed", "F1 not removed yet")], ["F1 bypassed"]),
        ([("bypassed", "F1 bypassed"), ("bypassed", "F2 bypassed"), ("bypassed", "F2: removed")], ["F1 bypassed"]),
        ([("bypassed", "F1 bypassed"), ("bypassed", "removed")], []),
        (
            [("bypassed", "F1 bypassed"), ("bypassed", "F2 bypassed"), ("bypassed", "removed")],
            ["F1 bypassed", "F2 bypassed"],
        ),
        ([("bypassed", "clip lead across the switch")], ['"clip lead across the switch" (bypassed)']),
        ([("part lifted", "C704: one leg lifted")], ["C704 lifted"]),
        ([("part lifted", "C704 lifted, tests good")], ["C704 lifted"]),
        ([("part lifted", "C704 lifted"), ("part lifted", "C704 soldered in again")], []),
        ([("part lifted", "C704 lifted"), ("part replaced", "new C704 fitted")], []),
        ([("part lifted", "C704 lifted"), ("part replaced", "new C705 fitted")], ["C704 lifted"]),
        ([("bypassed", "F1 bypassed"), ("part replaced", "new F1")], ["F1 bypassed"]),
        ([("note", "F1 bypassed"), ("cleaned", "S1")], []),
    ],
)
def test_what_is_in_place_follows_from_the_notes(notes, names):
    """Common practice, no source: a link over a part stays until somebody says that it is gone."""
    assert noted(*notes) == names


def test_parts_are_named_as_the_drawing_names_them():
    assert noted(("bypassed", "Fuse one bridged"), drawing=parse_drawing(PARTS, "lamp.toml")) == ["fuse one bypassed"]


@pytest.mark.parametrize("words", ["soak, cover on", "burn-in", "handed back", "hand it back", "final safety checks"])
def test_words_of_somebody_who_is_about_to_be_done_are_known(words):
    assert CLOSING.search(words) and not CLOSING.search("on the other hand, the back panel is off")


def due(desk, name):
    return next((each for each in desk.state()["cautions"] if each["id"] == name and each["due"]), None)


def test_a_bypass_is_flagged_from_the_note_on_until_it_is_noted_as_removed(desk):
    assert due(desk, "in place") is None
    desk.say("note", text="R305 bypassed", kind="bypassed")
    assert "R305 bypassed, noted 20" in due(desk, "in place")["text"] and due(desk, "closing") is None
    assert desk.state()["in_place"][0]["part"] == "R305"
    desk.say("note", text="Bypass of R305 removed", kind="bypassed")
    assert due(desk, "in place") is None and desk.state()["in_place"] == []


def test_another_session_is_refused_until_what_is_in_place_is_undone(desk):
    desk.say("note", text="C704 lifted", kind="part lifted")
    with pytest.raises(CommandError, match=r"C704 lifted, noted 20.* look at the board.*under Cautions") as raised:
        desk.say("session", do="start", unit="radio", **UNIT)
    assert raised.value.field == "caution" and desk.keeper.session == desk.path
    caution = due(desk, "closing")
    assert caution["kind"] == "answer" and "C704 lifted" in caution["text"] and due(desk, "in place") is None
    desk.say("note", text="C704 refitted", kind="part lifted")
    assert due(desk, "closing") is None
    desk.say("session", do="start", unit="radio", **UNIT)
    assert desk.keeper.session != desk.path


def test_a_reason_answers_it_and_stands_in_the_time_line_to_the_end(desk):
    desk.say("note", text="F1 bypassed", kind="bypassed")
    desk.say("condition", condition="soak, cover on, direct")
    assert due(desk, "closing") is not None
    with pytest.raises(CommandError, match="Say why it stays") as raised:
        desk.say("confirm", caution="closing")
    assert raised.value.field == "answer"
    desk.say("confirm", caution="closing", answer="fuse on order")
    assert due(desk, "closing") is None and "stays because: fuse on order" in due(desk, "in place")["text"]
    desk.say("session", do="start", unit="radio", **UNIT)
    with desk.records() as records:
        told = timeline_text(records)
    assert "still in place: About to be closed. F1 bypassed, noted 20" in told
    assert "caution confirmed: Stays in place: F1 bypassed. Why: fuse on order" in told
    assert told.splitlines()[-1].endswith("The program knows only what it was told: look at the board.")
    assert "session closed: Session closed. Still noted as in place: F1 bypassed" in told
    assert not {"safe", "clear", "all right"} & set(told.casefold().replace(".", " ").split())


def test_what_comes_after_the_answer_wants_one_of_its_own(desk):
    desk.say("note", text="F1 bypassed", kind="bypassed")
    desk.say("note", text="handed back tomorrow")
    desk.say("confirm", caution="closing", answer="fuse on order")
    desk.say("note", text="F2 bypassed", kind="bypassed")
    desk.say("note", text="soak")
    assert due(desk, "closing") is not None
    desk.say("confirm", caution="closing", answer="both on order")
    with pytest.raises(CommandError, match="Nothing is noted as in place"):
        desk.say("confirm", caution="closing", answer="both on order")


def test_with_nothing_in_place_nothing_is_asked_and_nothing_is_said_to_be_out(desk):
    desk.say("note", text="soak, cover on")
    assert due(desk, "closing") is None
    desk.keeper.close()
    assert desk.keeper.last_words == "Session closed."
    desk.keeper = desk.new_keeper()
    desk.keeper.open(desk.path)


def test_it_outlives_a_restart_with_its_reason_and_the_end_says_it_once_more(desk):
    desk.say("note", text="F1 bypassed", kind="bypassed")
    desk.say("note", text="C704 lifted", kind="part lifted")
    desk.say("note", text="soak")
    desk.say("confirm", caution="closing", answer="on order")
    desk.say("note", text="C704 refitted", kind="part lifted")
    desk.keeper.close()
    assert "F1 bypassed" in desk.keeper.last_words and "C704" not in desk.keeper.last_words
    desk.keeper = desk.new_keeper()
    desk.keeper.open(desk.path)
    assert "F1 bypassed" in due(desk, "in place")["text"] and "stays because: on order" in due(desk, "in place")["text"]
    assert "F1 bypassed" in desk.say("stop")["done"]


def test_the_command_line_answers_it_too():
    options = make_parser().parse_args(["mark", "confirm", "closing", "--answer", "fuse on order"])
    assert command_of(options) == {"command": "confirm", "caution": "closing", "answer": "fuse on order"}
