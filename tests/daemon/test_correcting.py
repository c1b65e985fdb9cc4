"""Second thoughts: a placement split in two, a mode that was another one for a time, and all of it taken back."""

import json

import pytest

from daemon.command_line import main, make_parser
from daemon.command_line.marks import command_of, moment
from daemon.timeline import history_text, timeline_text
from drivers.clock import from_iso_utc, iso_utc
from drivers.errors import CommandError
from tests.daemon.test_keeper import Desk, measure


@pytest.fixture
def desk(tmp_path):
    desk = Desk(tmp_path)
    desk.say("condition", condition="direct")
    desk.say("mode", mode="PLAY")
    yield desk
    desk.keeper.close()


def placements(desk):
    with desk.records() as records:
        return records.placements().set_index("id")


def tags_of_all(desk):
    """What every reading is tagged with, and the contexts, as one value to compare."""
    with desk.records() as records:
        frame = records.readings("dc_v")
        columns = ("point", "leg", "mode", "condition", "hypothesis", "placement", "struck")
        return [frame[name].astype(object).where(frame[name].notna(), None).tolist() for name in columns]


def two_points_under_one_name(desk):
    """The probe slipped from 12.0 V to 12.3 V, and nobody said so: one stay with two values."""
    desk.floating()
    desk.say("point", probe="red", point="PBV")
    desk.volts(12.0, 4.0)
    at_us = desk.clock.now_us() + 50_000
    desk.volts(12.0, 4.0)
    desk.floating()
    return at_us


def test_a_placement_split_in_two_settles_twice_by_its_own_readings(desk):
    at_us = two_points_under_one_name(desk)
    before = placements(desk).loc[1]
    answer = desk.say("split", placement=1, at_us=at_us, point="Q302 C", why="slipped")
    frame = placements(desk)
    assert answer["id"] == 2 and frame.loc[1, "t1_us"] == at_us - 1 and frame.loc[2, "t0_us"] == at_us
    assert frame.loc[2, "t1_us"] == before["t1_us"] and frame["point"].tolist() == ["PBV", "Q302 C"]
    assert frame["value"].tolist() == pytest.approx([12.0, 12.0], abs=0.002)
    assert 20 < frame.loc[1, "count"] < before["count"] and 20 < frame.loc[2, "count"] < before["count"]
    assert [each["verdict"] for each in frame["judgement"]] == ["inside", "outside"]
    with desk.records() as records:
        rows = records.readings("dc_v")
        assert set(rows[rows["placement"] == 2]["point"]) == {"Q302 C"}
        assert rows[rows["placement"] == 2]["time"].min() > rows[rows["placement"] == 1]["time"].max()


def test_a_half_too_short_to_settle_has_no_value(desk):
    two_points_under_one_name(desk)
    begin_us = int(placements(desk).loc[1, "t0_us"])
    desk.say("split", placement=1, at_us=begin_us + 200_000)
    frame = placements(desk)
    assert frame["value"].isna().tolist() == [True, False] and frame["count"].tolist()[0] == 0


def test_a_split_taken_back_leaves_everything_as_it_was(desk):
    at_us = two_points_under_one_name(desk)
    before, tags = placements(desk).loc[1], tags_of_all(desk)
    desk.say("split", placement=1, at_us=at_us, point="Q302 C")
    assert tags_of_all(desk) != tags
    assert desk.say("undo")["done"] == "Correction 1 is taken back (placements 1, 2)."
    after = placements(desk).loc[1]
    for name in ("t0_us", "t1_us", "point", "value", "count", "uncertainty", "struck"):
        assert after[name] == before[name]
    assert tags_of_all(desk) == tags
    desk.say("undo", act=2)
    assert placements(desk)["point"].tolist() == ["PBV", "Q302 C"]


@pytest.mark.parametrize(
    ("fields", "words"),
    [
        ({"placement": 1, "at_us": 5}, "name a moment within that"),
        ({"placement": 9, "at_us": 5}, "There is no placement 9"),
    ],
)
def test_a_split_elsewhere_is_refused_and_changes_nothing(fields, words, desk):
    two_points_under_one_name(desk)
    before = tags_of_all(desk)
    with pytest.raises(CommandError, match=words):
        desk.say("split", **fields)
    assert tags_of_all(desk) == before


def test_a_placement_that_is_being_measured_is_not_split(desk):
    desk.floating()
    desk.say("point", probe="red", point="PBV")
    desk.volts(12.0, 3.0)
    with pytest.raises(CommandError, match="still being measured"):
        desk.say("split", placement=1, at_us=desk.clock.now_us() - 1_000_000)


def test_a_mode_that_was_another_one_for_a_time_is_put_right_with_all_in_it(desk):
    """One placement before, one within, one across the end: that one is split."""
    measure(desk, "PBV", 12.0)
    from_us = desk.clock.now_us()
    measure(desk, "Q302 C", 6.54)
    desk.floating()
    desk.say("point", probe="red", point="PB OUT")
    desk.volts(3.0, 3.0)
    until_us = desk.clock.now_us() + 50_000
    desk.volts(3.0, 3.0)
    desk.floating()
    desk.say("relabel", kind="mode", value="STOP", from_us=from_us, until_us=until_us, why="the lever stuck")
    frame = placements(desk)
    assert frame["mode"].tolist() == ["PLAY", "STOP", "STOP", "PLAY"]
    assert frame["point"].tolist() == ["PBV", "Q302 C", "PB OUT", "PB OUT"]
    assert frame.loc[2, "judgement"]["verdict"] == "outside"
    with desk.records() as records:
        rows, contexts = records.readings("dc_v"), records.contexts()
    t_us = rows["time"].astype("int64")
    assert set(rows["mode"][(t_us >= from_us) & (t_us < until_us)]) == {"STOP"}
    assert set(rows["mode"][(t_us >= until_us) | (t_us < from_us)]) <= {"PLAY", ""}
    modes = contexts[contexts["kind"] == "mode"].sort_values(["t0_us", "id"])
    assert modes["value"].tolist()[-3:] == ["PLAY", "STOP", "PLAY"]
    assert desk.state()["context"]["mode"] == "PLAY"


def test_a_relabelling_with_no_end_holds_on_and_can_be_taken_back(desk):
    measure(desk, "PBV", 12.0)
    from_us = desk.clock.now_us()
    measure(desk, "Q302 C", 6.54)
    before = tags_of_all(desk)
    desk.say("relabel", kind="hypothesis", value="dry joint", from_us=from_us)
    assert desk.state()["context"]["hypothesis"] == "dry joint"
    assert placements(desk)["hypothesis"].tolist() == ["", "dry joint"]
    desk.say("undo")
    assert desk.state()["context"]["hypothesis"] == "" and tags_of_all(desk) == before


def test_what_was_said_since_stays_when_a_correction_is_taken_back(desk):
    measure(desk, "PBV", 12.0)
    desk.say("move", placement=1, leg="B", point="Q302")
    desk.say("move", placement=1, leg="C")
    assert desk.say("undo", act=1)["done"] == "Correction 1 is taken back (placements 1)."
    assert placements(desk)[["point", "leg"]].values.tolist() == [["PBV", "C"]]
    with pytest.raises(CommandError, match="Correction 1 is taken back already"):
        desk.say("undo", act=1)
    desk.say("undo")
    assert placements(desk)["leg"].tolist() == [""]
    with pytest.raises(CommandError, match="Nothing was corrected"):
        desk.say("undo")
    with pytest.raises(CommandError, match="no correction 77"):
        desk.say("undo", act=77)


def test_a_relabelling_with_no_end_is_taken_back_after_another_mode_was_said(desk):
    measure(desk, "PBV", 12.0)
    from_us = desk.clock.now_us()
    measure(desk, "Q302 C", 6.54)
    desk.say("relabel", kind="mode", value="STOP", from_us=from_us)
    measure(desk, "PB OUT", 3.0)
    desk.say("mode", mode="PLAY")
    measure(desk, "PBV", 12.0)
    assert placements(desk)["mode"].tolist() == ["PLAY", "STOP", "STOP", "PLAY"]
    desk.say("undo")
    frame = placements(desk)
    assert frame["mode"].tolist() == ["PLAY"] * 4
    assert frame.loc[2, "judgement"]["verdict"] == "inside"
    with desk.records() as records:
        assert set(records.readings("dc_v")["mode"]) == {"PLAY"}


def test_halves_of_two_splits_settle_anew_as_the_first_split_goes(desk):
    desk.floating()
    desk.say("point", probe="red", point="PBV")
    desk.volts(12.0, 4.0)
    first_us = desk.clock.now_us() + 50_000
    desk.volts(12.0, 4.0)
    second_us = desk.clock.now_us() + 50_000
    desk.volts(12.0, 4.0)
    desk.floating()
    desk.say("split", placement=1, at_us=first_us)
    desk.say("split", placement=2, at_us=second_us)
    counts = placements(desk)["count"].tolist()
    desk.say("undo", act=1)
    frame = placements(desk)
    assert frame.loc[1, "t1_us"] == second_us - 1 and frame.loc[1, "count"] > counts[0] + 30
    assert frame["struck"].tolist() == [False, True, False]
    with pytest.raises(CommandError, match="Placement 2 is gone with the correction that made it"):
        desk.say("strike", placement=2)


def test_a_correction_after_the_unit_was_switched_off_is_judged_as_of_its_time(desk):
    desk.say("power", state="on")
    measure(desk, "PB OUT", 12.0)
    desk.say("power", state="off")
    measure(desk, "PB OUT", 0.0)
    desk.say("move", placement=1, point="PBV")
    desk.say("move", placement=2, point="PBV")
    frame = placements(desk)
    assert [each["verdict"] for each in frame["judgement"]] == ["inside", "not compared"]


def test_an_undone_strike_counts_again_for_objections(desk):
    measure(desk, "PBV", 12.0)
    desk.say("strike", placement=1, why="slip")
    assert desk.keeper._desk.stays == []
    desk.say("undo")
    assert [stay.placement for stay in desk.keeper._desk.stays] == [1]


@pytest.mark.parametrize(
    ("fields", "words"),
    [
        ({"kind": "mode", "value": "", "from_us": 1}, "which mode it was"),
        ({"kind": "mode", "value": "STOP", "from_us": 10**15 * 3}, "lie in the past"),
        ({"kind": "mode", "value": "STOP", "from_us": 10, "until_us": 10}, "begin before it ends"),
    ],
)
def test_a_relabelling_of_no_time_or_of_the_future_is_refused(fields, words, desk):
    with pytest.raises(CommandError, match=words):
        desk.say("relabel", **fields)


def test_the_history_tells_each_correction_with_what_was_before(desk):
    at_us = two_points_under_one_name(desk)
    desk.say("move", placement=1, leg="B", why="wrong leg")
    desk.say("split", placement=1, at_us=at_us)
    desk.say("undo")
    with desk.records() as records:
        frame = records.history()
        lines = history_text(records).splitlines()
    assert frame["act"].tolist() == [1, 2, 3]
    assert frame["text"][0] == "Placement 1: leg B, was none." and frame["why"][0] == "wrong leg"
    assert "placement 2: counts" in frame["text"][1] and frame["text"][2].startswith("Taken back: correction 2 (")
    assert frame["undone_by"].fillna(0).tolist() == [0, 3, 0] and frame["undoes"].fillna(0).tolist() == [0, 0, 2]
    assert frame["placements"].tolist() == [[1], [1, 2], [1, 2]]
    assert "correction 2, by a script (taken back by 3): " in lines[1] and lines[0].endswith("Why: wrong leg.")


def test_the_history_and_the_time_line_say_who_made_each_correction(desk):
    measure(desk, "PBV", 12.0)
    from_us = desk.clock.now_us() - 1
    desk.say("move", by="the bench page", placement=1, leg="B")
    desk.say("strike", by="the phone page", placement=1)
    desk.say("relabel", by="the command line", kind="mode", value="STOP", from_us=from_us)
    measure(desk, "PB OUT", 3.0)  # tagged by the third one, which stays whose it was
    desk.say("undo", act=2)
    desk.keeper.close()
    desk.keeper = desk.new_keeper()
    desk.keeper.open(desk.path)
    desk.say("undo", by="the timeline page", act=1)
    with desk.records() as records:
        assert records.history()["who"].tolist() == [
            "by the bench page", "by the phone page", "by the command line", "by a script", "by the timeline page"
        ]
        assert "correction 2, by the phone page (taken back by 4): " in history_text(records)
        told = timeline_text(records)
    assert "strike: Struck: placement 1, PBV. By the phone page." in told
    assert "By the command line." in told and "relabel: Mode from" in told


def test_what_no_caller_says_is_the_programs_own_word(desk):
    """Also right after a caller, whose name goes with what it said."""
    measure(desk, "PBV", 12.0)
    desk.say("strike", by="the phone page", placement=1)
    desk.keeper._desk.writer.correct_placement(1, desk.clock.now_us(), "", leg="B")
    with desk.records() as records:
        assert records.history()["who"].tolist() == ["by the phone page", "by probetrail"]


def test_a_relabelling_is_told_by_what_held_and_not_by_rows(desk):
    measure(desk, "PBV", 12.0)
    from_us = desk.clock.now_us() - 1_000_000
    desk.say("relabel", kind="mode", value="STOP", from_us=from_us, until_us=from_us + 500_000)
    desk.say("undo")
    with desk.records() as records:
        said, undone = records.history()["text"]
    begin, end = (iso_utc(t_us) for t_us in (from_us, from_us + 500_000))
    told = f"Mode STOP from {begin} to {end}; mode PLAY from {end} on; mode PLAY: ends {begin}, not never"
    assert said.startswith(told)
    assert f"mode STOP from {begin} on did not hold" in undone and "context" not in said + undone


def test_the_command_history_prints_it(desk, capsys):
    measure(desk, "PBV", 12.0)
    desk.say("move", placement=1, point="PB OUT", why="slip")
    desk.keeper._commit()
    assert main(["history", str(desk.path)]) == 0
    said = "correction 1, by a script: Placement 1: point PB OUT, was PBV. Why: slip.\n"
    assert capsys.readouterr().out.endswith(said)


def test_corrections_outlive_a_restart_and_can_be_taken_back_after_it(desk):
    at_us = two_points_under_one_name(desk)
    tags = tags_of_all(desk)
    desk.say("split", placement=1, at_us=at_us)
    desk.keeper.close()
    desk.keeper = desk.new_keeper()
    desk.keeper.open(desk.path)
    desk.say("undo")
    assert tags_of_all(desk)[:5] == tags[:5] and json.loads(desk.keeper.state_text)


MARKS = {
    "mark walk start --points B12 Q302,C --mode PLAY": {
        "command": "walk", "do": "start", "points": ["B12", "Q302,C"], "mode": "PLAY",
    },
    "mark walk go on --probe red": {"command": "walk", "do": "go on", "probe": "red"},
    "mark move --point Q302 --leg B": {"command": "move", "point": "Q302", "leg": "B"},
    "mark move --placement 3 --leg B --why slip": {"command": "move", "placement": 3, "leg": "B", "why": "slip"},
    "mark split --placement 3 --at 2026-03-01T10:00:00.2Z --point A": {
        **{"command": "split", "placement": 3, "point": "A"},
        "at_us": from_iso_utc("2026-03-01T10:00:00.200000+00:00"),
    },
    "mark relabel mode REC ORD --from 2026-03-01T10:00:00Z": {
        **{"command": "relabel", "kind": "mode", "value": "REC ORD"},
        "from_us": from_iso_utc("2026-03-01T10:00:00+00:00"),
    },
    "mark undo --act 4": {"command": "undo", "act": 4},
    "mark undo": {"command": "undo"},
    "mark mode PLAY": {"command": "mode", "mode": "PLAY"},
    "mark point Q302 --leg C": {"command": "point", "point": "Q302", "leg": "C"},
}


@pytest.mark.parametrize("line", MARKS)
def test_the_words_of_a_command_line_become_the_command(line):
    assert command_of(make_parser().parse_args(line.split())) == MARKS[line]


def test_a_time_may_be_written_as_the_time_line_writes_it():
    assert moment("03-01 10:00:00.2") % 10**6 == 200_000
    assert moment("2026-03-01T10:00:00.2Z") == from_iso_utc("2026-03-01T10:00:00.200000+00:00")
