"""Stages whose points have no legs' names, and places that share what lies between them."""

import pytest

from daemon.drawing import parse_drawing
from daemon.suspects.diagnosis import Diagnosis
from daemon.suspects.printed import printed_table
from daemon.suspects.readings import Seen
from daemon.suspects.stages import stages_of
from tests.suspects.chance_networks import chance_drawing
from tests.suspects.networks import drawing_of, printed_only

# Invented: a stage of 2.7 mA and a follower on its collector, as in any small amplifier.
FOLLOWED = {
    "RAIL": (17.3, ""),
    "N3": (11.0, "RAIL"),
    "N5": (1.37, "N3"),
    "N4": (2.05, "RAIL"),
    "N6": (10.3, "RAIL"),
}
# The same stage, and behind it a pnp one whose emitter is fed by the rail.
ANSWERED = {
    "RAIL": (17.3, ""),
    "N3": (11.0, "RAIL"),
    "N5": (1.37, "N3"),
    "N4": (2.05, "RAIL"),
    "N6": (11.7, "RAIL"),
    "N7": (5.0, "N6"),
}


def drawn(points):
    text = '[drawing]\nunit = "stages"\nmodes = ["ON"]\n'
    for name, (volts, feeder) in points.items():
        text += f'[[point]]\nname = "{name}"\nprinted_v = {{ ON = {volts} }}\n'
        text += f'fed_by = ["{feeder}"]\n' if feeder else "follows_mains = true\n"
    return parse_drawing(text, "stages.toml")


def named(points):
    """Collector, base and emitter of each transistor, by their names, and its sign."""
    stages = stages_of(drawn(points))
    return {(*(stages.names[n] for n in (t.collector, t.base, t.emitter)), t.sign) for t in stages.transistors}


def test_a_follower_on_a_collector_is_no_pnp_with_its_emitter_there():
    assert named(FOLLOWED) == {("N3", "N4", "N5", 1), ("RAIL", "N3", "N6", 1)}


def test_a_pnp_stage_has_the_collector_before_it_as_its_base():
    assert named(ANSWERED) == {("N3", "N4", "N5", 1), ("N7", "N3", "N6", -1)}


def test_two_decoupled_supplies_a_junction_apart_are_no_transistor():
    """Neither is held by a stage before, and they are fed from different points: a base has no business there."""
    points = {"P18": (18.0, ""), "A": (18.0, "P18"), "A2": (17.3, "A"), "B": (18.0, "P18"), "B2": (16.6, "B")}
    assert named(points | {"DIV": (2.74, "A2")}) == set()


def test_a_junction_of_which_hardly_a_digit_is_printed_is_still_one():
    """At 147 V with three digits printed an emitter 0.65 V below its base is printed with 146 V."""
    assert named({"HT": (250.0, ""), "ZEN": (147.0, "HT"), "OUT": (146.0, "HT")}) == {("HT", "ZEN", "OUT", 1)}


@pytest.mark.parametrize("points", [FOLLOWED, ANSWERED])
def test_an_emitter_that_hangs_in_the_air_is_named_though_its_collector_is_high(points):
    # Common practice, no source: no current flows, nothing falls across the collector's resistor, and the emitter is
    # a little below a base that rises for want of base current.
    read = {"RAIL": 17.4, "N3": 17.2, "N5": 1.95, "N4": 2.3}
    posterior = Diagnosis(drawn(points)).posterior([Seen(name, "ON", "dc_v", volts) for name, volts in read.items()])
    assert next(iter(posterior.by_part)) == "N5"


def test_what_lies_between_two_points_counts_for_both_and_the_one_that_is_fed_comes_first():
    bare = Diagnosis(drawn({"RAIL": (17.3, ""), "A": (12.0, "RAIL"), "B": (17.3, "RAIL")}))
    chances = bare.posterior([Seen("RAIL", "ON", "dc_v", 17.3), Seen("A", "ON", "dc_v", 0.0)]).by_part
    assert list(chances)[:2] == ["A", "RAIL"]
    assert 0.4 < chances["RAIL"] <= chances["A"]


def test_the_nine_in_ten_set_of_places_counts_once_what_two_of_them_have_in_common():
    bare = Diagnosis(drawn({"RAIL": (17.3, ""), "A": (12.0, "RAIL"), "B": (9.0, "A"), "C": (8.0, "A")}))
    posterior = bare.posterior([Seen("C", "ON", "dc_v", 0.0)])
    held = set(posterior.credible_set)
    named_there = [bool({*each.parts, *each.beside, each.part} & held) for each in posterior.table.hypotheses]
    assert posterior.by_hypothesis[named_there].sum() >= 0.9


def test_an_amplifiers_loop_is_believed_though_a_few_of_its_versions_do_not_settle():
    full = Diagnosis(drawing_of("amplifier"))
    table = printed_table(printed_only(full.drawing, full.table))
    assert any(each.fault.startswith("link") for each in table.hypotheses)
    assert (table.prior[table.of == 0] > 0).all()


def test_a_collector_that_is_reached_again_through_its_own_stage_is_counted_once():
    """Of these points, put together by chance, one stage's collector feeds what leads back to its own emitter."""
    full = Diagnosis(chance_drawing(3024))
    table = printed_table(printed_only(full.drawing, full.table))
    assert (table.prior[table.of == 0] > 0).all()
