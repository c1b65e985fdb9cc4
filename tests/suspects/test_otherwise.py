"""Where no volts at rest teach: what else would tell, with its reason and its caution, and it can be weighed."""

from dataclasses import replace

import numpy as np
import pytest

from daemon.drawing import Part, parse_drawing
from daemon.suspects.answer import answer, in_words
from daemon.suspects.cautions import DISCHARGE, SCOPE, TOUCH, discharge_caution, highest_v, touch_caution
from daemon.suspects.diagnosis import Diagnosis
from daemon.suspects.otherwise import Way, _best_of
from daemon.suspects.probes import ENOUGH_BITS, rank
from daemon.suspects.readings import Seen, parse_readings
from daemon.suspects.spreading import bits_of_values
from daemon.suspects.ways import bypass_words
from tests.suspects.conftest import LAMP
from tests.suspects.test_printed_only import THREE

DEAD = (Seen("A", "ON", "dc_v", 20.0), Seen("B", "ON", "dc_v", 0.02), Seen("B", "DIM", "dc_v", 0.02))
SHORT = (*DEAD, Seen("A - B", "ON", "across_v", 20.0), Seen("V1", "ON", "current_a", 0.2))
SOUND = tuple(
    Seen(point, mode, quantity, value)
    for point, mode, quantity, value in [
        ("RAW", "ON", "dc_v", 19.9), ("A", "ON", "dc_v", 19.9), ("B", "ON", "dc_v", 12.0), ("LAMP", "ON", "dc_v", 12.0),
        ("B", "DIM", "dc_v", 12.0), ("LAMP", "DIM", "dc_v", 0.0), ("RAW - A", "ON", "across_v", 0.01),
        ("B - LAMP", "ON", "across_v", 0.0), ("B - LAMP", "DIM", "across_v", 12.0),
    ]
)  # fmt: skip


def ways(diagnosis, evidence, mode="ON"):
    return answer(diagnosis.posterior(evidence), mode)["otherwise"]


def test_while_volts_teach_nothing_else_is_proposed(diagnosis):
    said = answer(diagnosis.posterior(()), "ON")
    assert said["next"][0]["gain_bits"] >= ENOUGH_BITS
    assert said["otherwise"] == []


def test_two_shorts_side_by_side_are_told_apart_by_lifting_one_and_by_heat(diagnosis):
    """C2 and D1 lie across the same two nets: no volts, no current and no ohms in circuit part them."""
    found = ways(diagnosis, SHORT)
    assert {each["quantity"] for each in found} <= {"heat", "part_good"}
    assert {each["point"] for each in found if each["quantity"] == "part_good"} == {"C2", "D1"}
    lifted = next(each for each in found if each["quantity"] == "part_good")
    assert lifted["gain_bits"] > 0.5 and "one end lifted" in lifted["reason"]
    assert DISCHARGE in lifted["caution"] and "C2 (up to about" in lifted["caution"]
    assert "not with a finger" in next(each for each in found if each["quantity"] == "heat")["caution"]


def test_the_current_of_the_supply_is_proposed_where_it_parts_an_open_part_from_a_short():
    """20 V through 101 ohm are 0.2 A with a short, and none flow with R1 open: no volts of one mode tell which."""
    one_mode = Diagnosis(parse_drawing(LAMP.replace('modes = ["ON", "DIM"]', 'modes = ["ON"]'), "lamp.toml"))
    found = ways(one_mode, (*DEAD[:2], Seen("LAMP", "ON", "dc_v", 0.02)))
    current = next(each for each in found if each["quantity"] == "current_a")
    assert current["point"] == "V1" and "R1" in current["reason"]
    ohms = next(each for each in found if each["quantity"] == "ohm_off")
    assert DISCHARGE in ohms["caution"]
    assert found.index(current) < found.index(ohms)


def test_where_all_volts_are_right_ripple_and_the_switch_on_are_proposed(diagnosis):
    found = ways(diagnosis, SOUND)
    assert {"ripple_vpp", "kick"} <= {each["quantity"] for each in found}
    ripple = next(each for each in found if each["quantity"] == "ripple_vpp")
    assert ripple["point"] == "B" and "C2" in ripple["reason"] and SCOPE in ripple["caution"]
    after = diagnosis.posterior((*SOUND, Seen("B", "ON", "ripple_vpp", 0.5))).by_part["C2"]
    assert after > 1.5 * diagnosis.posterior(SOUND).by_part["C2"]


@pytest.mark.parametrize("kind", ["zener", "load", "npn", "diode"])
def test_no_link_is_proposed_across_what_may_lie_between_a_rail_and_0_v(kind):
    """A wire across an open zener or load is a short across the supply."""
    assert "link" not in bypass_words("X1", Part("X1", kind, ("a", "0"))).split(",")[0]


def test_nearly_sure_is_not_proved(diagnosis):
    found = ways(diagnosis, (Seen("A", "ON", "dc_v", 0.0), Seen("RAW - A", "ON", "across_v", 20.0)))
    assert {each["quantity"] for each in found} == {"bypassed", "part_good"}
    assert all(each["reason"].startswith("proof of F1") for each in found)
    assert "never a link" in found[0]["reason"]  # a fuse that blew has blown for a reason


def test_what_is_proposed_can_be_written_into_the_readings_file(diagnosis, lamp):
    """Every quantity is one that the file takes, with a point, part or source that it knows."""
    head = "point,mode,condition,quantity,value,uncertainty\n"
    for evidence in (DEAD, SHORT, SOUND):
        for each in ways(diagnosis, evidence):
            row = f"{each['point']},{each['mode']},isolation,{each['quantity']},1,\n"
            assert len(parse_readings(head + row, "r.csv", lamp)) == 1


def test_the_words_propose_it_with_its_caution(diagnosis):
    posterior = diagnosis.posterior(SHORT)
    words = in_words(answer(posterior, "ON"), posterior)
    assert "What would tell instead:" in words and "one end lifted" in words and DISCHARGE in words


def test_bits_of_two_values_far_apart_and_of_two_alike():
    """Mutual information by definition: one bit where two equally likely parts read apart, none where they read alike;
    the 3 in 100 at a wrong point take a little of it."""
    part, weights = np.array([0, 1]), np.array([0.5, 0.5])
    assert bits_of_values(np.array([[0.0, 100.0]]), part, weights) == pytest.approx(1.0, abs=0.15)
    assert bits_of_values(np.array([[5.0, 5.0]]), part, weights) == pytest.approx(0.0, abs=1e-9)


def test_where_only_printed_volts_are_known_ohms_tell_a_pull_from_a_feed():
    bare = Diagnosis(parse_drawing(THREE, "three.toml"))
    dead = (Seen("B12", "PLAY", "dc_v", 12.0), Seen("PBD", "PLAY", "dc_v", 0.0))
    low = bare.posterior((*dead, Seen("PBD", "", "ohm_off", 0.5)))
    high = bare.posterior((*dead, Seen("PBD", "", "ohm_off", 5e4)))

    def pulled(posterior):
        named = [each.part == "PBD" and each.fault == "pulled down" for each in posterior.table.hypotheses]
        return float(posterior.by_hypothesis[named].sum())

    assert pulled(low) > 2 * pulled(high)


def test_where_only_printed_volts_are_known_ohms_across_a_way_tell_whether_it_is_open():
    bare = Diagnosis(parse_drawing(THREE, "three.toml"))
    dead = (Seen("B12", "PLAY", "dc_v", 12.0), Seen("PBD", "PLAY", "dc_v", 0.0))
    sound_ohm = float(np.median(bare.table.ohms("B12", "PBD")[:, bare.table.of == 0]))
    whole = bare.posterior((*dead, Seen("B12 - PBD", "", "ohm_off", sound_ohm)))
    broken = bare.posterior((*dead, Seen("B12 - PBD", "", "ohm_off", 5e5)))

    def is_open(posterior):
        named = [each.part == "PBD" and each.fault == "feed open" for each in posterior.table.hypotheses]
        return float(posterior.by_hypothesis[named].sum())

    assert is_open(broken) > 2 * is_open(whole), sound_ohm


# Cautions: never a point that is hazardous to reach without its caution.


def test_a_rail_that_only_an_unlikely_fault_lifts_above_the_touch_limit_is_cautioned():
    """90 V behind 10 kohm, held at 12 V by a zener: with the zener open the point has far more than 60 V."""
    text = LAMP.replace("value = 20", "value = 90").replace('value = "100R"', 'value = "10k"')
    high = Diagnosis(parse_drawing(text, "high.toml"))
    table, drawing = high.table, high.drawing
    usual = float(np.median(np.abs(table.volts[:, table.nodes["b"]][:, table.of == 0])))
    assert usual < 60 < highest_v(table, drawing, [table.nodes["b"]])
    sound = [Seen("B", "DIM", "dc_v", 12.0), Seen("A", "ON", "dc_v", 90.0)]
    for probe in rank(high.posterior(sound), "ON", most=50):
        assert (TOUCH in probe.reason) == (probe.candidate.point != "LAMP"), probe.candidate.point
    kills = [each["kill"] for each in answer(high.posterior(sound), "ON")["suspects"] if each["kill"]]
    assert kills and all((TOUCH in kill) == (not kill.startswith("LAMP")) for kill in kills)


def test_two_rails_make_more_than_the_touch_limit_between_them(lamp, diagnosis):
    """44 V and -44 V make 88 V: each by itself is below the limit."""
    volts = diagnosis.table.bare.copy()
    one, other = diagnosis.table.nodes["raw"], diagnosis.table.nodes["lamp"]
    volts[:, one], volts[:, other] = 44.0, -44.0
    table = replace(diagnosis.table, bare=volts, memory={})
    assert touch_caution(table, lamp, [one]) == touch_caution(table, lamp, [other]) == ""
    assert touch_caution(table, lamp, [one, other]) == TOUCH


def test_printed_volts_alone_are_cautioned_and_points_without_any_are_not_proposed():
    text = THREE.replace("PLAY = 12.0", "PLAY = 72.0") + '[[point]]\nname = "X9"\nfed_by = ["B12"]\n'
    bare = Diagnosis(parse_drawing(text, "three.toml"))
    probes = rank(bare.posterior(()), "PLAY", most=50)
    assert all(TOUCH in probe.reason for probe in probes if probe.candidate.point == "B12")
    assert any(probe.candidate.point == "B12" for probe in probes)
    assert "X9" not in {probe.candidate.point for probe in probes}


def test_the_mains_are_never_proposed_without_their_caution():
    """A point called mains has no DC volts to judge it by, and is the most dangerous of all."""
    text = THREE.replace('"B12"', '"mains"').replace("PLAY = 12.0", "PLAY = 24.0")
    bare = Diagnosis(parse_drawing(text, "three.toml"))
    assert touch_caution(bare.table, bare.drawing, [bare.table.nodes["mains"]]) == TOUCH
    assert touch_caution(bare.table, bare.drawing, [bare.table.nodes["PBD"]]) == ""


def test_a_reservoir_far_from_the_part_is_named_where_its_charge_is_dangerous(diagnosis):
    """Ohms across the lamp's switch: with 20 V on C1 nothing is said of it; with 90 V it is, two nets away."""
    high = Diagnosis(parse_drawing(LAMP.replace("value = 20", "value = 90"), "high.toml"))
    assert "C1" not in discharge_caution(diagnosis.table, diagnosis.drawing, ["lamp"])
    assert "C1 (up to about" in discharge_caution(high.table, high.drawing, ["lamp"])


def test_of_many_ways_the_best_of_each_kind_comes_before_a_second_of_any():
    told = [("current_a", 0.9), ("heat", 0.3), ("ohm_off", 0.8), ("ohm_off", 0.7), ("ohm_off", 0.6), ("kick", 0.2)]
    told += [("ripple_vpp", 0.25), ("part_good", 0.1), ("part_good", 0.09)]
    found = _best_of(Way(f"P{n}", "", kind, bits, 1.0, "", "") for n, (kind, bits) in enumerate(told))
    assert [way.gain_bits for way in found] == [0.9, 0.8, 0.3, 0.25, 0.2, 0.1]
    found = _best_of(Way(f"P{n}", "", kind, bits, 1.0, "", "") for n, (kind, bits) in enumerate(told[:5]))
    assert [way.gain_bits for way in found] == [0.9, 0.8, 0.7, 0.3]


def test_other_ways_above_the_touch_limit_say_so():
    high = Diagnosis(parse_drawing(LAMP.replace("value = 20", "value = 90"), "high.toml"))
    dead = (Seen("A", "ON", "dc_v", 90.0), Seen("B", "ON", "dc_v", 0.02), Seen("B", "DIM", "dc_v", 0.02))
    found = ways(high, (*dead, Seen("A - B", "DIM", "across_v", 90.0)))
    assert {"heat", "part_good"} <= {each["quantity"] for each in found}
    assert all(TOUCH in each["caution"] for each in found)
