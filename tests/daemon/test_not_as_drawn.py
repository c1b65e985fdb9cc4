"""A unit with a part lifted or led past is not the unit that is drawn: no verdict by the drawing, and it says why."""

import pytest

from daemon.drawing import parse_drawing
from daemon.suspects.in_place import after_note, altered_words, moves_volts, not_as_drawn
from daemon.timeline import timeline, timeline_text
from drivers.readings import Quantity
from tests.daemon.test_keeper import Desk, measure

LIFTED = "R5 is lifted: the drawing's volts are not to be expected"
BYPASSED = "F1 is bypassed: the drawing's volts are not to be expected"


@pytest.fixture
def desk(tmp_path):
    desk = Desk(tmp_path)
    desk.say("condition", condition="direct")
    desk.say("mode", mode="PLAY")
    yield desk
    desk.keeper.close()


def judged(desk):
    """Verdict and what it was compared with, or why not, of every placement that has settled."""
    with desk.records() as records:
        rows = records.placements().to_dict("records")
    return [(each["judgement"]["verdict"], each["judgement"]["compared_with"]) for each in rows if each["judgement"]]


def verdicts(desk):
    return [verdict for verdict, _ in judged(desk)]


def objections(desk):
    with desk.records() as records:
        return list(records.objections()["kind"])


def remarks(desk):
    with desk.records() as records:
        return [text for text in records.events().query("kind == 'remark'")["text"] if "also fits" in text]


def red(desk):
    return next(probe for probe in desk.state()["probes"] if probe["probe"] == "red")


@pytest.mark.parametrize(
    ("out", "why", "again"),
    [
        (("R5 lifted", "part lifted"), LIFTED, ("R5 back", "part lifted")),
        (("R5 lifted", "part lifted"), LIFTED, ("new R5", "part replaced")),
        (("R5 lifted", "part lifted"), LIFTED, ("R5 refitted", "note")),
        (("link across F1", "bypassed"), BYPASSED, ("F1: bypass removed", "bypassed")),
    ],
)
def test_no_verdict_is_given_from_the_note_on_until_the_part_is_noted_as_back(desk, out, why, again):
    measure(desk, "PBV", 12.0)
    desk.say("note", text=out[0], kind=out[1])
    measure(desk, "PBV", 5.0)
    desk.say("note", text=again[0], kind=again[1])
    measure(desk, "PBV", 12.01)
    assert verdicts(desk) == ["inside", "not compared", "inside"]
    assert judged(desk)[1] == ("not compared", why)
    assert objections(desk) == [] and remarks(desk) == []


def test_with_a_capacitor_out_volts_at_rest_are_as_drawn(desk):
    """A rail that comes back with a shorted capacitor lifted is what was lifted for: it gets its verdict."""
    measure(desk, "PBV", 0.02)
    desk.say("note", text="C7 lifted", kind="part lifted")
    measure(desk, "PBV", 12.0)
    assert verdicts(desk) == ["outside", "inside"]
    assert "two values" not in objections(desk)
    assert moves_volts((("C7", "lifted"), ("R5", "lifted"), ("CN1", "bypassed")), TWO) == (
        ("R5", "lifted"),
        ("CN1", "bypassed"),
    )


def test_of_a_part_that_stays_out_the_words_not_back_yet_change_nothing(desk):
    desk.say("note", text="R5 lifted", kind="part lifted")
    desk.say("note", text="R5 not refitted yet")
    desk.say("note", text="R5 no longer hot")
    measure(desk, "PBV", 12.0)
    assert judged(desk) == [("not compared", LIFTED)]


def test_what_the_condition_says_to_be_lifted_counts_as_well(desk):
    desk.say("condition", condition="isolation, R5 lifted")
    measure(desk, "PBV", 12.0)
    desk.say("condition", condition="isolation, cover lifted")
    measure(desk, "PBV", 12.0)
    assert [verdict for verdict, _ in judged(desk)] == ["not compared", "inside"] and judged(desk)[0][1] == LIFTED


def test_a_lead_that_rests_while_the_part_is_led_past_is_read_anew_and_without_a_verdict(desk):
    desk.floating()
    desk.say("point", probe="red", point="PBV")
    desk.volts(12.0, 3.0)
    assert red(desk)["judgement"]["verdict"] == "inside" and red(desk)["altered"] == []
    desk.say("note", text="F1 bypassed", kind="bypassed")
    desk.volts(12.0, 3.0)
    assert red(desk)["judgement"]["compared_with"] == BYPASSED and red(desk)["point"] == "PBV"
    assert red(desk)["altered"] == [{"part": "F1", "what": "bypassed"}]
    desk.say("note", text="F1: bypass removed", kind="bypassed")
    desk.volts(12.0, 3.0)
    assert red(desk)["judgement"]["verdict"] == "inside" and red(desk)["altered"] == []
    assert verdicts(desk) == ["inside", "not compared", "inside"]


def test_another_mode_and_another_point_are_not_read_from_printed_values_that_do_not_hold(desk):
    """Each of the two is objected to, or remarked on, in the unit as drawn: see the keeper's tests."""
    desk.say("note", text="R5 lifted", kind="part lifted")
    measure(desk, "Q302 C", 0.0)
    measure(desk, "PB OUT", 11.9)
    assert objections(desk) == [] and remarks(desk) == []
    desk.say("note", text="R5 back", kind="part lifted")
    measure(desk, "Q302 C", 0.0)
    measure(desk, "Q302 C", 11.9)
    assert objections(desk)[0] == "other mode" and len(remarks(desk)) == 1


def test_what_is_objected_to_without_the_drawings_values_still_is(desk):
    desk.say("note", text="R5 lifted", kind="part lifted")
    measure(desk, "B", 12.0)
    desk.volts(7.0)
    desk.floating()
    desk.volts(3.0)
    desk.floating()
    measure(desk, "PBV", 0.1, quantity=Quantity.AC_V)
    desk.amperes(0.2)
    measure(desk, "PBV", 150.0, quantity=Quantity.OHM)
    assert objections(desk) == ["two values", "forgotten mark", "ac", "function"]


def test_readings_with_and_without_the_part_are_no_contradiction(desk):
    """A plain note that it is back is no repair, and yet another circuit."""
    desk.say("note", text="R5 lifted", kind="part lifted")
    measure(desk, "B", 5.0)
    desk.say("note", text="R5 refitted")
    measure(desk, "B", 12.0)
    assert objections(desk) == []


def test_a_correction_judges_by_what_was_in_place_then_and_not_now(desk):
    desk.say("note", text="R5 lifted", kind="part lifted")
    measure(desk, "PBV", 6.5)
    desk.say("note", text="R5 back", kind="part lifted")
    measure(desk, "PBV", 6.5)
    desk.say("note", text="F1 bypassed", kind="bypassed")
    for placement in (1, 2):
        desk.say("move", placement=placement, point="Q302 C")
    assert judged(desk)[0] == ("not compared", LIFTED) and verdicts(desk)[1] == "inside"


def test_a_condition_corrected_takes_the_verdicts_away_and_its_undo_gives_them_back(desk):
    began_us = desk.clock.now_us()
    measure(desk, "PBV", 12.0)
    act = desk.say("relabel", kind="condition", value="direct, R5 lifted", from_us=began_us)["id"]
    assert judged(desk) == [("not compared", LIFTED)]
    desk.say("undo", act=act)
    assert verdicts(desk) == ["inside"]


def test_a_resumed_session_knows_what_was_out_when(tmp_path):
    desk = Desk(tmp_path)
    desk.say("condition", condition="direct")
    desk.say("mode", mode="PLAY")
    desk.say("note", text="R5 lifted", kind="part lifted")
    measure(desk, "PBV", 6.5)
    desk.say("note", text="R5 refitted")
    measure(desk, "PBV", 6.5)
    desk.say("note", text="R7 lifted", kind="part lifted")
    desk.keeper.close()
    desk.keeper = desk.new_keeper()
    desk.keeper.open(desk.path)
    measure(desk, "PBV", 12.0)
    for placement in (1, 2):
        desk.say("move", placement=placement, point="Q302 C")
    assert verdicts(desk) == ["not compared", "inside", "not compared"]
    assert judged(desk)[2][1].startswith("R7 is lifted")
    desk.keeper.close()


def test_a_drawing_that_is_entered_later_is_not_compared_with_what_was_read_without_a_part(desk):
    desk.say("note", text="R5 lifted", kind="part lifted")
    measure(desk, "PBV", 12.0)
    desk.say("note", text="R5 back", kind="part lifted")
    measure(desk, "PBV", 12.0)
    with desk.records() as records:
        text = records.meta["drawing"]
    desk.say("drawing", text=text.replace("12.0", "5.0"))
    assert judged(desk)[0] == ("not compared", LIFTED) and verdicts(desk)[1] == "outside"


def test_the_time_line_says_why_there_is_no_verdict(desk):
    desk.say("note", text="R5 lifted", kind="part lifted")
    measure(desk, "PBV", 5.0)
    desk.say("note", text="R5 back", kind="part lifted")
    measure(desk, "PBV", 12.0)
    with desk.records() as records:
        lines = timeline_text(records).splitlines()
        assert [each["verdict"] for each in timeline(records)["placements"]] == ["not compared", "inside"]
    assert any("PBV" in line and "  not compared: R5 is lifted  [" in line for line in lines)
    assert any("PBV" in line and "  inside  [" in line for line in lines)


def test_a_reading_that_is_not_compared_anyhow_keeps_its_own_reason(desk):
    desk.say("note", text="R5 lifted", kind="part lifted")
    measure(desk, "B", 5.0)
    desk.say("condition", condition="series lamp 60 W")
    measure(desk, "PBV", 5.0)
    reasons = [why for _, why in judged(desk)]
    assert reasons[0].startswith("not on the drawing") and reasons[1].startswith("fed through the lamp")


def test_a_point_above_the_touch_limit_stays_one_with_a_part_out(tmp_path):
    drawing = '[drawing]\nunit = "amplifier"\nmodes = ["ON"]\n[[point]]\nname = "B+"\nprinted_v = { ON = 300.0 }\n'
    desk = Desk(tmp_path, drawing)
    desk.say("mode", mode="ON")
    desk.say("note", text="R5 lifted", kind="part lifted")
    desk.say("point", probe="red", point="B+")
    desk.volts(1.0, 0.3)
    assert red(desk)["above_touch_limit"]
    desk.keeper.close()


TWO = parse_drawing('[drawing]\nunit = "lamp"\nmodes = ["ON"]\n[[point]]\nname = "A"\nprinted_v = { ON = 1.0 }\n', "t")


@pytest.mark.parametrize(
    ("notes", "condition", "words"),
    [
        ([], "direct", ""),
        ([("part lifted", "R5")], "direct", "R5 is lifted"),
        ([("part lifted", "R5 and C7")], "direct", "R5 and C7 are lifted"),
        ([("part lifted", "R5, C7, C9")], "direct", "R5, C7 and C9 are lifted"),
        ([("part lifted", "R5"), ("bypassed", "F1")], "direct", "R5 is lifted, F1 is bypassed"),
        ([("bypassed", "clip lead across the switch")], "direct", "a part is bypassed"),
        ([("part lifted", "R5")], "isolation, R5 and C7 lifted", "R5 and C7 are lifted"),
        ([], "isolation, cover lifted", ""),
    ],
)
@pytest.mark.parametrize("drawing", [None, TWO])
def test_what_is_not_as_drawn_is_said_in_a_few_words(notes, condition, words, drawing):
    known = ()
    for number, (kind, text) in enumerate(notes):
        known = after_note(known, kind, text, number, number, drawing)
    assert altered_words(not_as_drawn(known, condition, drawing)) == words
