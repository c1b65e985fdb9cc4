"""What is said of a walk: each step can be taken back, and however it goes the walk is sound."""

import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.keeper.walk import Stop, Walk
from drivers.errors import CommandError
from tests.daemon.walks import here, kept, laid, touch, walk

STOPS = tuple(map(Stop, "ABCDE"))


@pytest.fixture
def desk(tmp_path):
    with laid(tmp_path) as desk:
        yield desk


SAID = (
    ("walk", {"do": "next"}), ("walk", {"do": "back"}), ("walk", {"do": "hold"}), ("strike", {}),
    ("move", {"point": "Z"}), ("walk", {"do": "then", "points": ["Z"]}), ("walk", {"do": "end"}),
)  # fmt: skip


@pytest.mark.parametrize(("command", "fields"), SAID)
def test_whatever_is_said_can_be_taken_back(desk, command, fields):
    desk.say("walk", do="start")
    desk.floating()
    touch(desk, 12.0)
    before, rows = walk(desk), kept(desk)
    desk.say(command, **fields)
    assert (walk(desk), kept(desk)) != (before, rows)
    desk.say("undo")
    assert (walk(desk), kept(desk)) == (before, rows)
    touch(desk, 10.6)
    assert kept(desk)[-1] == ("PBD", 10.6)


def test_undo_takes_back_in_the_order_of_saying_and_keeps_what_was_read_since(desk):
    desk.say("walk", do="start")
    desk.floating()
    desk.say("walk", do="next")
    touch(desk, 10.6)
    desk.say("strike")
    desk.say("undo")
    assert kept(desk) == [("PBD", 10.6)]
    desk.say("undo")
    assert here(desk) == "B12" and walk(desk)["passed"] == []
    touch(desk, 12.0)
    assert here(desk) == "Q302 C", "PBD was read in the meantime"


def test_a_walk_is_gone_on_with_in_a_resumed_session(desk):
    desk.say("walk", do="start")
    desk.floating()
    touch(desk, 12.0)
    before = walk(desk)
    desk.keeper.close()
    desk.keeper = desk.new_keeper()
    desk.keeper.open(desk.path)
    assert walk(desk) == before


def test_a_foot_switch_alone_begins_along_the_drawing(desk):
    desk.say("point", point="PBD")
    assert desk.say("walk", do="next")["done"].endswith("first Q302 C.")


def test_what_is_worth_probing_next_comes_next(desk):
    """From the ranking: put behind the stop in hand, with its mode, and moved up where it was to come anyway."""
    desk.say("walk", do="start")
    desk.say("walk", do="then", points=["Q302 E"], mode="PLAY")
    assert walk(desk)["then"] == {"point": "Q302", "leg": "E", "mode": "PLAY"}
    desk.floating()
    touch(desk, 12.0)
    touch(desk, 0.6)
    assert kept(desk)[-1] == ("Q302 E", 0.6)
    assert here(desk) == "PBD"


def test_without_points_or_walk_the_cure_is_said(desk):
    for body in ({"do": "hold"}, {"do": "then"}, {"do": "end"}):
        with pytest.raises(CommandError, match="start one"):
            desk.say("walk", **body)


def test_each_probe_has_its_own_walk(desk):
    desk.say("walk", do="start")
    desk.say("walk", do="start", probe="scope A", points=["Z", "B12"])
    desk.say("walk", do="next", probe="scope A")
    assert walk(desk, "scope A")["here"]["point"] == "B12"
    assert here(desk) == "B12" and walk(desk)["at"] == 0


STEPS = st.lists(
    st.one_of(
        st.tuples(st.just("read"), st.integers(0, 4)), st.tuples(st.just("left"), st.integers(1, 9)),
        st.tuples(st.sampled_from(["next", "back", "hold", "go on"]), st.just(0)),
        st.tuples(st.just("unread"), st.integers(1, 9)), st.tuples(st.just("was"), st.integers(1, 9)),
    ),
    max_size=30,
)  # fmt: skip


@settings(deadline=None)
@given(STEPS)
def test_however_it_goes_a_walk_is_sound_and_each_step_can_be_taken_back(steps):
    """No stop is both read and passed over, no placement is at two stops, and the place is within the walk."""
    number, walk = 0, Walk.along(STOPS)
    for do, n in steps:
        before = walk
        if do == "read":
            number += 1
            walk = walk.read_at(n, number)
        elif do in ("left", "unread"):
            walk = walk.left(n) if do == "left" else walk.unread(n)
        elif do == "was":
            walk = walk.was(n, random.Random(n).choice("ABCDEX"), "") if n in walk.read else walk
        else:
            go_on = {"next": walk.next, "back": walk.back, "hold": walk.hold, "go on": lambda w=walk: w.hold(False)}
            walk = go_on[do]()
        assert 0 <= walk.at <= len(STOPS)
        assert not {n for n in walk.passed if walk.read[n] is not None}
        placements = [each for each in walk.read if each is not None]
        assert len(placements) == len(set(placements))
        assert walk.taken_back(before, walk) == before
