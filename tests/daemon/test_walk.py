"""Points in order: the landing after the lift belongs to the next point."""

import random

import pytest

from drivers.readings import Flag, Quantity
from tests.daemon.test_keeper import Desk
from tests.daemon.walks import here, kept, laid, touch, walk


@pytest.fixture
def desk(tmp_path):
    with laid(tmp_path) as desk:
        yield desk


def test_from_the_first_point_to_the_last_without_a_word(desk):
    done = desk.say("walk", do="start")["done"]
    assert done == "5 points in order; first B12."
    desk.floating()
    for volts in (12.0, 10.6, 6.5, 0.6, 3.0):
        touch(desk, volts)
    assert kept(desk) == [("B12", 12.0), ("PBD", 10.6), ("Q302 C", 6.5), ("Q302 E", 0.6), ("Z", 3.0)]
    assert walk(desk) | {"here": None, "read": 5} == walk(desk)
    touch(desk, 7.0)
    assert kept(desk)[-1] == ("", 7.0), "beyond the last point nothing is named by itself"


def test_the_point_stays_while_the_probe_rests_and_the_next_is_told_already(desk):
    desk.say("walk", do="start")
    desk.floating()
    desk.volts(12.0)
    now = walk(desk)
    assert (now["here"]["point"], now["then"]["point"], now["is_read"]) == ("B12", "PBD", True)
    desk.floating()
    assert here(desk) == "PBD"


def test_a_touch_that_did_not_settle_is_no_step(desk):
    desk.say("walk", do="start")
    desk.floating()
    desk.volts(12.0, 0.4)
    desk.floating()
    assert here(desk) == "B12"
    touch(desk, 12.0)
    assert here(desk) == "PBD"


def test_a_lead_that_lost_its_hold_for_a_moment_is_still_on_the_same_point(desk):
    desk.say("walk", do="start")
    desk.floating()
    desk.volts(12.0)
    desk.floating(0.3)
    touch(desk, 12.0)
    assert kept(desk) == [("B12", 12.0)]
    touch(desk, 10.6)
    assert kept(desk)[-1] == ("PBD", 10.6)


def test_from_leg_to_leg_in_a_moment_is_the_next_point_where_the_value_is_another(desk):
    desk.say("walk", do="start")
    desk.floating()
    desk.volts(12.0)
    desk.floating(0.3)
    desk.volts(10.6)
    assert kept(desk) == [("B12", 12.0), ("PBD", 10.6)]


def test_two_points_of_the_same_value_are_two_points_where_a_hand_had_the_time(desk):
    desk.say("walk", do="start")
    desk.floating()
    touch(desk, 12.0)
    touch(desk, 12.0)
    assert [point for point, _ in kept(desk)] == ["B12", "PBD"]


def test_skip_goes_on_and_what_was_skipped_comes_after_the_end(desk):
    desk.say("walk", do="start", points=["B12", "PBD", "z"])
    desk.floating()
    assert desk.say("walk", do="next")["done"] == "B12 passed over. Next PBD."
    touch(desk, 10.6)
    touch(desk, 3.0)
    assert kept(desk) == [("PBD", 10.6), ("Z", 3.0)]
    assert walk(desk)["passed"] == ["B12"]
    desk.say("walk", do="next")
    touch(desk, 12.0)
    assert kept(desk)[-1] == ("B12", 12.0)


def test_a_foot_switch_pressed_at_each_point_goes_on_by_one_whether_just_before_or_just_after_the_lift(desk):
    desk.say("walk", do="start")
    desk.floating()
    desk.volts(12.0)
    desk.say("walk", do="next")
    desk.floating(0.6)
    assert here(desk) == "PBD"
    desk.floating()
    desk.volts(10.6)
    desk.floating(0.6)
    assert desk.say("walk", do="next")["done"] == "Next Q302 C."
    assert here(desk) == "Q302 C"
    assert desk.say("walk", do="next")["done"] == "Q302 C passed over. Next Q302 E."


def test_next_while_the_probe_rests_is_about_the_next_landing(desk):
    """A capacitor that charges for ever: its readings keep their name, and the next landing is the next point."""
    desk.say("walk", do="start")
    desk.floating()
    for step in range(30):
        desk.volts(2.0 + 0.2 * step, 0.1)
    desk.say("walk", do="next")
    for step in range(10):
        desk.volts(8.0 + 0.2 * step, 0.1)
    desk.floating()
    touch(desk, 10.6)
    with desk.records() as records:
        rows = records.placements()
    assert rows["point"].tolist() == ["B12", "PBD"]


def test_back_names_the_next_landing_and_not_the_one_that_is_there(desk):
    desk.say("walk", do="start")
    desk.floating()
    touch(desk, 11.0)
    desk.volts(10.6)
    desk.say("walk", do="back")
    desk.floating()
    touch(desk, 12.0)
    assert kept(desk) == [("B12", 11.0), ("PBD", 10.6), ("B12", 12.0)]
    assert here(desk) == "Q302 C", "what has been read already is not asked for again"


def test_held_each_landing_is_one_more_on_the_same_point(desk):
    desk.say("walk", do="start")
    desk.floating()
    desk.say("walk", do="hold")
    touch(desk, 12.0)
    touch(desk, 12.1)
    desk.say("walk", do="go on")
    touch(desk, 12.2)
    touch(desk, 10.6)
    assert [point for point, _ in kept(desk)] == ["B12", "B12", "B12", "PBD"]


def test_a_struck_reading_is_taken_again(desk):
    desk.say("walk", do="start")
    desk.floating()
    touch(desk, 7.7)
    desk.say("strike")
    assert here(desk) == "B12"
    touch(desk, 12.0)
    assert kept(desk) == [("B12", 12.0)]
    assert here(desk) == "PBD"


def test_a_reading_that_is_struck_under_the_probe_does_not_count_however_long_it_rests(desk):
    desk.say("walk", do="start")
    desk.floating()
    desk.volts(7.7)
    desk.say("strike")
    desk.volts(7.7, 4.0)
    desk.floating()
    touch(desk, 12.0)
    assert kept(desk) == [("B12", 12.0)]


def test_that_was_another_point_names_it_and_asks_for_the_one_it_was_thought_to_be(desk):
    desk.say("walk", do="start")
    desk.floating()
    touch(desk, 6.5)
    desk.say("move", point="Q302", leg="C")
    assert kept(desk) == [("Q302 C", 6.5)]
    for volts in (12.0, 10.6, 0.6):
        touch(desk, volts)
    assert kept(desk)[1:] == [("B12", 12.0), ("PBD", 10.6), ("Q302 E", 0.6)]


def test_a_point_said_while_the_probe_rests_under_the_walk_names_that_stay(desk):
    """No cut and no second placement: a name that a walk gave is no person's word."""
    desk.say("walk", do="start")
    desk.floating()
    desk.volts(6.5)
    desk.say("point", point="Q302", leg="C")
    desk.floating()
    touch(desk, 12.0)
    assert kept(desk) == [("Q302 C", 6.5), ("B12", 12.0)]


def test_a_point_beside_the_walk_is_read_and_the_walk_goes_on_where_it_was(desk):
    desk.say("walk", do="start")
    desk.floating()
    touch(desk, 12.0)
    desk.say("point", point="J7")
    touch(desk, 4.4)
    touch(desk, 10.6)
    assert kept(desk) == [("B12", 12.0), ("J7", 4.4), ("PBD", 10.6)]


def test_another_mode_does_not_move_the_walk(desk):
    desk.say("walk", do="start")
    desk.floating()
    desk.volts(12.0)
    desk.say("mode", mode="STOP")
    desk.volts(12.0)
    desk.floating()
    touch(desk, 10.6)
    assert [point for point, _ in kept(desk)] == ["B12", "B12", "PBD"]


def test_a_mode_that_is_changed_as_the_probe_lifts_does_not_hide_the_lift(desk):
    """The lift has not been seen yet when the mode is said: the next landing is the next point all the same."""
    desk.say("walk", do="start")
    desk.floating()
    desk.volts(12.0)
    desk.floating(0.2)
    desk.say("mode", mode="STOP")
    desk.floating()
    touch(desk, 10.6)
    assert kept(desk) == [("B12", 12.0), ("PBD", 10.6)]


def test_held_on_one_point_nobody_is_told_of_a_forgotten_mark(desk):
    """A trimmer that is turned: each landing was meant for this point, and the walk said so."""
    desk.say("walk", do="start")
    desk.say("walk", do="hold")
    desk.floating()
    for volts in (8.0, 9.0, 10.0, 11.0, 12.0):
        touch(desk, volts)
    assert "forgotten mark" not in [each["kind"] for each in desk.state()["objections"]]


def test_a_turned_knob_does_not_move_the_walk(desk):
    desk.say("walk", do="start")
    desk.floating()
    desk.volts(12.0)
    desk.volts(0.004, 2.0, Quantity.AC_V)
    assert here(desk) == "B12"


def test_an_open_lead_on_ohms_is_no_reading_of_a_point_that_only_the_walk_named(desk):
    desk.say("power", state="off")
    desk.say("walk", do="start")
    desk.volts(0.0, 3.0, Quantity.OHM, Flag.OVERLOAD)
    with desk.records() as records:
        assert not len(records.placements())
    desk.say("walk", do="here")
    desk.volts(0.0, 3.0, Quantity.OHM, Flag.OVERLOAD)
    with desk.records() as records:
        assert records.placements()["point"].tolist() == ["B12"]


def test_zero_to_zero_is_told_by_a_key(desk):
    """No lift can be seen where the lead goes from 0 V to 0 V at once: the key says where it is now."""
    desk.say("walk", do="start", points=["Z", "PBD"])
    desk.floating()
    desk.volts(0.0)
    desk.say("walk", do="next")
    desk.say("walk", do="here")
    desk.volts(0.0)
    assert kept(desk) == [("Z", 0.0), ("PBD", 0.0)]


def test_a_value_that_seemed_to_rest_and_drifts_on_is_the_same_point(desk):
    """A reservoir that charges slowly after it had been still: no reading between that an open lead would give."""
    desk.say("walk", do="start")
    desk.floating()
    desk.volts(10.0)
    for step in range(10):
        desk.volts(10.0 + 0.05 * step, 0.1)
    desk.volts(10.5)
    assert {point for point, _ in kept(desk)} == {"B12"}
    desk.floating()
    touch(desk, 10.6)
    assert kept(desk)[-1] == ("PBD", 10.6)


@pytest.mark.parametrize("seed", [1, 2, 3, 4, 5, 6])
def test_a_careless_hand_goes_along_forty_points_and_no_reading_gets_anothers_name(tmp_path, seed):
    """Every fifth landing loses its hold for a moment, every fifth touches a neighbour first, every tenth drifts."""
    chance = random.Random(seed)
    volts = [round(chance.choice([-1, 1]) * chance.uniform(2.0, 48.0), 2) for _ in range(40)]
    points = "".join(f'[[point]]\nname = "P{n}"\nprinted_v = {{ PLAY = {v} }}\n' for n, v in enumerate(volts))
    desk = Desk(tmp_path, '[drawing]\nunit = "cassette deck"\nmodes = ["PLAY"]\n' + points)
    desk.say("mode", mode="PLAY")
    desk.say("power", state="on")
    desk.say("walk", do="start")
    truth = []
    for n, v in enumerate(volts):
        desk.floating(chance.uniform(0.9, 2.5))
        kind = chance.random()
        begun_us = desk.clock.now_us()
        if kind < 0.2:
            desk.volts(v, chance.uniform(1.6, 2.5))
            desk.floating(chance.uniform(0.1, 0.4))
        elif kind < 0.4:
            desk.volts(chance.choice(volts), 0.4)
        elif kind < 0.5:
            for step in range(20):
                desk.volts(v * (1 - 0.5 * 0.7**step), 0.1)
        desk.volts(v, chance.uniform(1.8, 3.0))
        truth.append((begun_us, desk.clock.now_us(), f"P{n}"))
    desk.floating()
    with desk.records() as records:
        rows = [row for row in records.placements().to_dict("records") if row["count"]]
    for row in rows:
        middle_us = (row["t0_us"] + row["t1_us"]) // 2
        assert row["point"] == next(point for begun, ended, point in truth if begun <= middle_us <= ended)
    assert {row["point"] for row in rows} == {f"P{n}" for n in range(40)}
    desk.keeper.close()
