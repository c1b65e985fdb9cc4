"""Evidence of every kind moves the suspects as a colleague would, and leaves without a trace when it is struck."""

from dataclasses import replace

import numpy as np
import pytest

from daemon.suspects.answer import Thought, answer
from daemon.suspects.infer import Posterior
from daemon.suspects.marks import Mark, Stay, evidence_of
from daemon.suspects.probes import outlook_of
from daemon.suspects.readings import Seen, parse_readings
from daemon.suspects.standing import meant_by

DEAD = (Seen("A", "ON", "dc_v", 20.0), Seen("B", "ON", "dc_v", 0.02))
HEALTHY = (Seen("B", "ON", "dc_v", 12.0), Seen("LAMP", "ON", "dc_v", 12.0), Seen("B", "DIM", "dc_v", 12.0))


def test_volts_across_a_part_tell_an_open_one_from_a_dead_source(chance):
    """A fuse that is open has all 20 V across it; one that is whole has next to none."""
    dead = Seen("A", "ON", "dc_v", 0.01)
    assert chance("F1", dead, Seen("RAW - A", "ON", "across_v", 20.0)) > 0.9
    assert chance("F1", dead, Seen("RAW - A", "ON", "across_v", 0.001)) < 0.05 < chance("V1", dead)


def test_the_current_of_the_supply_tells_a_short_from_an_open_part(chance):
    """20 V through 101 ohm are 0.198 A: a short at B draws that, and an open R1 nothing."""
    assert chance("R1", *DEAD, Seen("V1", "ON", "current_a", 0.0)) > 0.9
    shorted = {part: chance(part, *DEAD, Seen("V1", "ON", "current_a", 0.198)) for part in ("C2", "D1", "L1", "R1")}
    assert shorted["C2"] + shorted["D1"] + shorted["L1"] > 0.9 > 0.05 > shorted["R1"]


def test_ohms_with_the_power_off_find_a_short(chance):
    assert chance("C2", *DEAD, Seen("B", "", "ohm_off", 0.3, None, "off")) > chance("C2", *DEAD)
    assert chance("R1", *DEAD, Seen("B", "", "ohm_off", 0.3, None, "off")) < 0.05


def test_ripple_above_its_limit_speaks_for_what_filters_the_point(chance):
    high = Seen("B", "ON", "ripple_vpp", 0.5)
    assert chance("C2", *HEALTHY, high) > 2 * chance("C2", *HEALTHY)
    assert chance("C2", *HEALTHY, Seen("B", "ON", "ripple_vpp", 0.01)) < chance("C2", *HEALTHY)


def test_a_missing_kick_at_switch_on_speaks_for_the_parts_at_its_point(chance):
    assert chance("C2", *HEALTHY, Seen("B", "ON", "kick", 0.0)) > chance("C2", *HEALTHY)
    assert chance("C2", *HEALTHY, Seen("B", "ON", "kick", 1.0)) < chance("C2", *HEALTHY)


def test_what_works_and_what_does_not_says_where_the_fault_is_not(chance):
    """The lamp that stays dark in ON but not in DIM, where its switch is open, is the switch or behind it."""
    works, fails = Seen("", "DIM", "works", 1.0), Seen("", "ON", "works", 0.0)
    assert chance("S1", works, fails) > 1.1 * chance("S1")
    assert chance("F1", works, fails) < chance("F1")


def test_a_part_tested_good_out_of_circuit_leaves_the_list(chance):
    assert chance("R1", *DEAD) > 0.1
    assert chance("R1", *DEAD, Seen("R1", "", "good")) < 0.05


def test_a_part_tested_bad_out_of_circuit_leads_the_list(chance):
    """Of three that look alike to a meter the one that tests bad is faulty, but for a slip."""
    assert chance("R1", *DEAD) < 0.4
    assert chance("R1", *DEAD, Seen("R1", "", "good", 0.0)) > 0.85


def test_tested_good_and_tested_bad_cancel_out(chance):
    """Nobody knows then which test was the slip."""
    both = Seen("R1", "", "good", 0.0), Seen("R1", "", "good", 1.0)
    assert chance("R1", *DEAD, *both) == pytest.approx(chance("R1", *DEAD))


def test_a_bypass_proves_a_part_before_during_and_after(chance):
    """Dead, alive with a link across it, and dead again when the link is gone."""
    before = Seen("B", "ON", "dc_v", 0.0)
    during, after = Seen("B", "ON", "dc_v", 12.0), Seen("B", "ON", "dc_v", 0.01)
    proof = (before, Seen("F1", "", "mended"), during, Seen("F1", "", "unmended"), after)
    assert chance("F1", *proof) > 0.9
    assert chance("F1", before, Seen("F1", "", "mended"), Seen("B", "ON", "dc_v", 0.0)) < 0.1


def test_a_replaced_part_resets_what_is_read_from_then_on(diagnosis):
    """Readings before it stay evidence of what it was; those after it come from a mended unit."""
    found = diagnosis.posterior([*DEAD, Seen("R1", "", "mended"), *HEALTHY])
    assert found.by_part["R1"] > 0.9
    assert next(iter(found.by_part)) == "R1"


def test_undo_is_as_if_it_had_never_been(diagnosis):
    told = (*DEAD, Seen("V1", "ON", "current_a", 0.0))
    with_it = Posterior(diagnosis.table, diagnosis.drawing, told)
    assert np.allclose(with_it.without(2).weights, Posterior(diagnosis.table, diagnosis.drawing, DEAD).weights)
    one_by_one = Posterior(diagnosis.table, diagnosis.drawing).after(told[0]).after(told[1]).after(told[2])
    assert np.allclose(one_by_one.weights, with_it.weights)


def test_ten_readings_that_taught_nothing_are_counted(diagnosis):
    same = [Seen("B", "ON", "dc_v", 0.02)] * 11
    assert diagnosis.posterior([*DEAD, *same]).silent_since >= 10
    assert diagnosis.posterior([*DEAD, *same, Seen("V1", "ON", "current_a", 0.2)]).silent_since == 0


def test_two_faults_at_once_are_thought_of_when_no_single_one_explains(diagnosis):
    """No fuse and a lamp that is open: A reads 0, and B fed from outside reads what no single fault lets it."""
    told = [Seen("A", "ON", "dc_v", 20.1), Seen("B", "ON", "dc_v", 17.3), Seen("LAMP", "ON", "dc_v", 0.0)] * 2
    found = diagnosis.posterior(told)
    pairs = [each for each in found.table.hypotheses if len(each.parts) == 2]
    assert pairs
    assert {"D1", "S1"} & set(found.credible_set)


def test_readings_through_the_lamp_in_the_feed_are_no_evidence(diagnosis):
    lamp = Seen("B", "ON", "dc_v", 1.0, None, "series lamp 60 W")
    assert diagnosis.posterior([lamp]).by_part == pytest.approx(diagnosis.posterior([]).by_part)


def test_a_persons_suspicion_stands_in_the_same_list_with_what_would_kill_it(diagnosis):
    said = answer(diagnosis.posterior(DEAD), "ON", thoughts=[Thought("R1 open"), Thought("C9 leaks", "B at 12 V")])
    own = next(each for each in said["suspects"] if each.get("hypothesis") == "R1 open")
    tool = next(each for each in said["suspects"] if each["part"] == "R1" and each["fault"] == "open")
    assert own["probability"] == tool["probability"]
    assert own["for"] == ["B 0.02 V (ON)"] and not own["against"]
    assert " V or above " in own["kill"]
    unknown = next(each for each in said["suspects"] if each.get("hypothesis") == "C9 leaks")
    assert unknown["probability"] is None and unknown["kill"] == "B at 12 V"
    chances = [each["probability"] or 0 for each in said["suspects"]]
    assert chances == sorted(chances, reverse=True)


def test_the_reading_that_kills_a_suspicion_does_kill_it(diagnosis):
    said = answer(diagnosis.posterior(DEAD), "ON", thoughts=[Thought("R1 open")])
    kill = next(each for each in said["suspects"] if each.get("hypothesis") == "R1 open")["kill"]
    point, mode = kill.split(" (")[0], kill.split("(")[1].split(")")[0]
    below = float(kill.split("below ")[1].split(" V")[0])
    above = float(kill.split("above ")[1].split(" V")[0])
    quantity = "across_v" if " - " in point else "dc_v"
    shorted = diagnosis.posterior([*DEAD, *(Seen(part, "", "good") for part in ("R1", "L1"))])
    outlook = outlook_of(shorted)
    number = next(n for n, c in enumerate(outlook.listed) if c.point == point and shorted.table.modes[c.mode] == mode)
    value = float(outlook.mean[number] @ outlook.weights)
    assert value < below or value > above
    killed = diagnosis.posterior([*DEAD, Seen(point, mode, quantity, value)])
    assert killed.by_part.get("R1", 0) < 0.2 * diagnosis.posterior(DEAD).by_part["R1"]


@pytest.mark.parametrize(
    ("text", "meant"),
    [
        ("R1 open", {("R1", "open")}),
        ("c2 is shorted", {("C2", "shorted")}),
        ("the fuse F1", {("F1", "open"), ("F1", "high resistance")}),
    ],
)
def test_a_suspicion_means_the_part_and_the_fault_that_it_names(diagnosis, text, meant):
    found = meant_by(text, diagnosis.table.hypotheses, diagnosis.drawing)
    assert {(diagnosis.table.hypotheses[n].part, diagnosis.table.hypotheses[n].fault) for n in found} == meant


MARKS = [
    ("part replaced", "new C2 fitted", [("C2", "mended")]),
    ("bypassed", "F1 with a clip lead", [("F1", "bypassed")]),
    ("bypassed", "link across F1 removed", [("F1", "unmended")]),
    ("part lifted", "C1 tested good", [("C1", "good")]),
    ("part lifted", "C1: not good, 330 ohm", [("C1", "bad")]),
    ("part lifted", "C1 is shorted", [("C1", "bad")]),
    ("part lifted", "C1 lifted, rail still bad", [("C1", "lifted")]),
    ("part lifted", "C1 lifted: open", [("C1", "lifted"), ("C1", "bad")]),
    ("note", "R1 tested bad", [("R1", "bad")]),
    ("note", "r1 lifted and measured: open", [("R1", "bad")]),
    ("note", "R1 tests good, C1 tested bad", [("C1", "bad")]),
    ("note", "C1 tests ok", [("C1", "good")]),
    ("note", "C1 shorted?", []),
    ("note", "C1 tested bad?", []),
    ("note", "C1 shorted as a test", []),
    ("note", "C1 tested, R1 bad to reach", []),
    ("note", "works in DIM", [("", "works")]),
    ("note", "dead in ON", [("", "works")]),
    ("note", "customer comes on Friday", []),
]


@pytest.mark.parametrize(("kind", "text", "seen"), MARKS)
def test_a_sessions_marks_are_evidence(lamp, kind, text, seen):
    found = evidence_of([], [Mark(5, kind, text, "ON", {})], lamp)
    bad = [each.quantity == "good" and not each.value for each in found.seen]
    told = ["bad" if no else each.quantity for each, no in zip(found.seen, bad, strict=True)]
    assert [(each.point, what) for each, what in zip(found.seen, told, strict=True)] == seen


def test_stays_and_marks_are_taken_in_the_order_of_their_times(lamp):
    stays = [
        Stay(2, 30, "B", "", "ON", "direct", "dc_v", 12.0, None),
        Stay(1, 10, "A - B", "", "ON", "direct", "dc_v", 0.5, 0.02),
        Stay(3, 40, "B", "", "ON", "direct", "ohm", 120.0, None),
        Stay(4, 50, "nowhere", "", "ON", "direct", "dc_v", 1.0, None),
    ]
    verdict = Mark(35, "switch-on verdict", "", "ON", {"point": "B", "mode": "ON", "verdict": "missing"})
    found = evidence_of(stays, [Mark(20, "part replaced", "C1", "ON", {}), verdict], lamp)
    assert [each.quantity for each in found.seen] == ["across_v", "mended", "dc_v", "kick", "ohm_off"]
    assert found.placements == (1, None, 2, None, 3)


def test_a_reading_across_a_part_is_one_between_its_points_whichever_way_the_leads_lay(lamp):
    stay = Stay(1, 10, "R1", "across", "ON", "direct", "dc_v", -0.5, 0.02)
    (seen,) = evidence_of([stay], [], lamp).seen
    assert (seen.point, seen.quantity, seen.value) == ("A - B", "across_v", 0.5)
    nobody = replace(stay, point="R99")
    assert evidence_of([nobody], [], lamp).seen == ()


def test_the_readings_file_takes_what_was_done_to_parts(lamp):
    rows = "C2,,,part_good,,\nC1,,,part_good,0,\nF1,,,bypassed,1,\n"
    rows += "F1,,,bypass_removed,,\nR1,,,part_replaced,,\nB,ON,,kick,0,\n"
    seen = parse_readings("point,mode,condition,quantity,value,uncertainty\n" + rows, "r.csv", lamp)
    assert [each.words() for each in seen[:2]] == ["C2 tested good", "C1 tested bad"]
    assert [each.quantity for each in seen[1:]] == ["good", "bypassed", "unmended", "mended", "kick"]
