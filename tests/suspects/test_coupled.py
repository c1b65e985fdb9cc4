"""Amplifiers with DC feedback, found in printed volts. What their faults do is common practice, no source."""

import numpy as np
import pytest

from daemon.drawing import parse_drawing
from daemon.suspects.coupled import Transistor, loops_of
from daemon.suspects.diagnosis import Diagnosis
from daemon.suspects.likely_net import likely_nets
from daemon.suspects.printed_solving import read_as_printed
from daemon.suspects.readings import Seen
from daemon.suspects.stages import stages_of

# Name, printed volts, what the arrow comes from: a pair, a second stage and two followers between two rails.
TWO_RAILS = [
    ("VP", 30.0, ""), ("VN", -30.0, ""), ("IN", -0.02, ""), ("TAIL", -0.67, "VN"), ("Q1C", 29.0, "VP"),
    ("Q3E", 29.65, "VP"), ("VAS", 0.62, "Q3E"), ("VASB", -0.62, "VN"), ("Q4E", 0.01, "VP"), ("OUT", 0.0, "Q4E"),
    ("Q5E", -0.01, "VN"), ("FB", -0.03, "OUT"),
]  # fmt: skip
# One rail: an input transistor whose emitter follows the output, and a second stage at 0 V.
ONE_RAIL = [
    ("VCC", 40.0, ""), ("Q1B", 20.0, "VCC"), ("BT", 31.0, "VCC"), ("Q4B", 21.9, "BT"), ("Q5B", 20.5, "Q4B"),
    ("Q4E", 21.25, "VCC"), ("MID", 21.2, "Q4E"), ("Q5E", 21.15, "MID"), ("Q1E", 20.65, "MID"), ("Q2B", 0.68, "Q1E"),
]  # fmt: skip


def drawn(points):
    text = '[drawing]\nunit = "amplifier"\nmodes = ["ON"]\n'
    for name, volts, feeder in points:
        fed = f'fed_by = ["{feeder}"]\n' if feeder else ""
        text += f'[[point]]\nname = "{name}"\nprinted_v = {{ ON = {volts} }}\n{fed}'
    return parse_drawing(text, "amplifier.toml")


@pytest.fixture(scope="module")
def two_rails():
    return Diagnosis(drawn(TWO_RAILS))


def legs(stages):
    def name(node):
        return stages.names[node] if node >= 0 else "0"

    return {(name(t.collector), name(t.base), name(t.emitter), t.sign) for t in stages.transistors}


def test_a_pair_its_second_stage_and_both_followers_are_found_between_two_rails():
    stages = stages_of(drawn(TWO_RAILS))
    assert legs(stages) == {
        ("Q1C", "IN", "TAIL", 1), ("VP", "FB", "TAIL", 1), ("VAS", "Q1C", "Q3E", -1),
        ("VP", "VAS", "Q4E", 1), ("VN", "VASB", "Q5E", -1),
    }  # fmt: skip
    links = {tuple(stages.names[n] for n in link) for link in stages.links}
    assert ("VAS", "VASB") in links
    assert stages.feed[stages.names.index("FB")] == "coupled"


def test_a_second_stage_at_0_v_and_a_follower_without_a_rail_are_found_on_one_rail():
    found = legs(stages_of(drawn(ONE_RAIL)))
    assert {("Q2B", "Q1B", "Q1E", -1), ("Q5B", "Q2B", "0", 1), ("VCC", "Q4B", "Q4E", 1)} <= found
    assert ("0", "Q5B", "Q5E", -1) in found


@pytest.mark.parametrize("points", [TWO_RAILS, ONE_RAIL], ids=["two rails", "one rail"])
def test_a_sound_loop_settles_where_it_is_printed(points):
    drawing = drawn(points)
    stages = stages_of(drawing)
    alike = np.ones((len(stages.names), 1))
    assert stages.drives
    assert read_as_printed(stages, likely_nets(stages, drawing, 25, 20)(alike, alike)).all()


def test_a_loop_that_would_not_settle_there_is_not_believed():
    drawing = drawn(TWO_RAILS)
    stages = stages_of(drawing)
    alike = np.ones((len(stages.names), 1))
    likely = likely_nets(stages, drawing, 5, 20)(alike, alike)
    likely.theta[:, likely.net.slots[f"feed {stages.names.index('VASB')}"]["g"]] *= 100
    assert not read_as_printed(stages, likely).any()


def test_a_divider_without_an_output_behind_it_is_no_amplifier():
    volts = np.array([[12.0], [1.9], [6.0], [1.25]])
    assert loops_of(volts, [-1, 0, 0, 2], [Transistor(2, 1, 3, 1)]) == []


def moved(diagnosis, part, fault):
    """Volts of OUT in the worlds of a fault."""
    table = diagnosis.table
    which = [n for n, each in enumerate(table.hypotheses) if part in each.parts and each.fault == fault]
    return table.volts[0, table.nodes["OUT"]][np.isin(table.of, which)]


def test_without_its_second_stage_the_output_is_at_the_rail_that_is_left(two_rails):
    assert (moved(two_rails, "Q3E", "transistor open") < -20).all()
    assert (moved(two_rails, "Q3E", "transistor shorted C-E") > 15).all()


def test_an_output_at_a_rail_with_the_second_stage_off_names_the_first_and_not_the_output(two_rails):
    """The first stage's collector at its rail: nothing flows there, so that what follows is only told to be off."""
    read = {"OUT": -28.9, "Q1C": 29.98, "Q3E": 29.98, "VP": 30.0, "VN": -30.0, "IN": 0.0}
    posterior = two_rails.posterior([Seen(name, "ON", "dc_v", value) for name, value in read.items()])
    assert next(iter(posterior.by_part)) in ("TAIL", "Q1C")
    assert posterior.by_part["OUT"] < 0.05
