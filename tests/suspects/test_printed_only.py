"""A drawing of which only printed volts and arrows are known, and one of which only three points are."""

from functools import cache

import numpy as np
import pytest

from daemon.drawing import parse_drawing
from daemon.suspects.answer import answer, in_words
from daemon.suspects.diagnosis import Diagnosis
from daemon.suspects.marks import named_parts
from daemon.suspects.readings import Seen
from drivers.errors import DrawingError
from tests.suspects.networks import drawing_of, printed_only

THREE = """
[drawing]
unit = "unknown deck"
modes = ["PLAY"]

[[point]]
name = "B12"
printed_v = { PLAY = 12.0 }

[[point]]
name = "PBD"
printed_v = { PLAY = 10.6 }
fed_by = ["B12"]

[[point]]
name = "Q302"
leg = "C"
printed_v = { PLAY = 6.54 }
fed_by = ["PBD"]
"""


def test_the_third_reading_of_an_unknown_drawing_names_where_to_look():
    drawing = parse_drawing(THREE, "three.toml")
    read = [Seen("B12", "PLAY", "dc_v", 12.0), Seen("Q302 C", "PLAY", "dc_v", 0.0), Seen("PBD", "PLAY", "dc_v", 0.01)]
    posterior = Diagnosis(drawing).posterior(read)
    assert next(iter(posterior.by_part)) == "PBD"
    assert posterior.by_part["PBD"] > 0.6
    words = in_words(answer(posterior), posterior)
    assert "what lies between B12 and PBD" in words


def test_before_the_third_reading_it_is_said_which_one_halves_what_is_left():
    drawing = parse_drawing(THREE, "three.toml")
    said = answer(Diagnosis(drawing).posterior([Seen("Q302 C", "PLAY", "dc_v", 0.0)]))
    assert said["next"][0]["point"] in ("PBD", "B12")
    assert "halves what is left" in said["next"][0]["reason"] and "likely Q302" in said["next"][0]["reason"]


def test_without_a_network_places_share_the_chances_and_not_parts():
    drawing = parse_drawing(THREE, "three.toml")
    posterior = Diagnosis(drawing).posterior([Seen("PBD", "PLAY", "dc_v", 0.01), Seen("B12", "PLAY", "dc_v", 12.0)])
    said = answer(posterior)
    assert said["named"] == "places"
    many = in_words(said | {"credible_set": ["B12"] * 9}, posterior)
    assert many.startswith("Still open: 9 places share nine chances")
    assert in_words(said | {"credible_set": ["PBD"]}, posterior).startswith("Most likely at PBD.")


NONE = "nothing that DC volts show"
HEADLINES = [
    (["PBD"], "places", "Most likely at PBD."),
    ([NONE], "places", "Most likely nothing that DC volts show."),
    (["PBD", "B12"], "places", "Nine chances in ten: at PBD or B12."),
    (["-15", "VN", NONE], "places", "Nine chances in ten: at -15 or VN, or nothing that DC volts show."),
    (["-15", NONE, "VN", "VP"], "places", "Nine chances in ten: at -15, VN or VP, or nothing that DC volts show."),
    ([NONE, "-15"], "places", "Nine chances in ten: nothing that DC volts show, or at -15."),
    (["R1", "C2", NONE], "parts", "Nine chances in ten: R1 or C2, or nothing that DC volts show."),
    (
        [*["B12"] * 8, NONE],
        "places",
        "Still open: 8 places, or nothing that DC volts show, share nine chances in ten.",
    ),
]


@pytest.mark.parametrize(("credible", "named", "words"), HEADLINES)
def test_nothing_that_dc_volts_show_is_no_place_among_places(credible, named, words):
    posterior = Diagnosis(parse_drawing(THREE, "three.toml")).posterior([Seen("PBD", "PLAY", "dc_v", 0.01)])
    said = in_words(answer(posterior) | {"credible_set": credible, "named": named}, posterior)
    assert said.splitlines()[0] == words


def test_printed_volts_and_the_network_name_the_same_dead_branch():
    diagnosis = Diagnosis(drawing_of("cassette"))
    bare = Diagnosis(printed_only(diagnosis.drawing, diagnosis.table))
    read = [Seen("VR", "STOP", "dc_v", 17.0), Seen("B12", "STOP", "dc_v", 12.0), Seen("PRE", "STOP", "dc_v", 0.0)]
    assert next(iter(bare.posterior(read).by_part)) == "PRE"
    nets = {part.name: part.nets for part in diagnosis.drawing.parts}
    assert "pre" in nets[next(iter(diagnosis.posterior(read).by_part))]


def test_a_drawing_that_says_nothing_of_volts_is_refused_with_the_cure():
    with pytest.raises(DrawingError, match="give points one of them"):
        Diagnosis(parse_drawing('[drawing]\nunit = "u"\nmodes = ["ON"]\n[[point]]\nname = "A"\n', "bare.toml"))


def test_nodes_are_named_in_marks_as_parts_are():
    """Where only points are known a bypass leads past a point's feed; "a" is a word, and "A" a point."""
    drawing = parse_drawing(THREE.replace('"B12"', '"A"'), "three.toml")
    found = [
        named_parts(text, drawing) for text in ("feed of pbd bypassed", "a link at A", "a link", "Q302 and PBD2", "")
    ]
    assert found == [["PBD"], ["A"], [], ["Q302"], []]
    dead = (Seen("A", "PLAY", "dc_v", 12.0), Seen("PBD", "PLAY", "dc_v", 4.0))
    fed = (Seen("PBD", "PLAY", "bypassed"), Seen("PBD", "PLAY", "dc_v", 10.6))
    before, after = (Diagnosis(drawing).posterior(told) for told in (dead, dead + fed))

    def pulled_down(posterior):
        named = [each.fault == "pulled down" for each in posterior.table.hypotheses]
        return float(posterior.by_hypothesis[named].sum())

    assert pulled_down(before) > 0.1  # what pulls it down would pull the other feed too
    assert pulled_down(after) < pulled_down(before) / 2


AMPLIFIER_STAGE = """
[drawing]
unit = "stage"
modes = ["ON"]

[[point]]
name = "B12"
printed_v = { ON = 12.0 }

[[point]]
name = "Q1B"
printed_v = { ON = 1.9 }
fed_by = ["B12"]

[[point]]
name = "Q1C"
printed_v = { ON = 6.0 }
fed_by = ["B12"]

[[point]]
name = "Q1E"
printed_v = { ON = 1.25 }
fed_by = ["Q1C"]

[[point]]
name = "AUX"
printed_v = { ON = 9.0 }
fed_by = ["B12"]
"""


@cache
def solved_stage():
    diagnosis = Diagnosis(parse_drawing(AMPLIFIER_STAGE, "stage.toml"))
    assert diagnosis.table.nodes
    return diagnosis


def stage(**volts):
    return solved_stage().posterior([Seen(name, "ON", "dc_v", value) for name, value in volts.items()])


def test_a_stage_whose_base_is_dead_has_its_collector_at_the_supply_and_the_base_is_named():
    # Common practice, no source: without base current a transistor is off, and nothing falls across its collector load.
    assert next(iter(stage(B12=12.0, Q1C=12.0, Q1B=0.0, Q1E=0.0).by_part)) == "Q1B"


def test_a_collector_and_an_emitter_at_the_same_volts_are_a_shorted_transistor():
    posterior = stage(B12=12.0, Q1C=2.05, Q1E=2.05, Q1B=1.9)
    likeliest = posterior.table.hypotheses[int(np.argmax(posterior.by_hypothesis))]
    assert likeliest.fault == "transistor shorted C-E" and set(likeliest.parts) == {"Q1C", "Q1B", "Q1E"}
    assert "the transistor at Q1E, Q1C, Q1B" in in_words(answer(posterior), posterior)


def test_a_supply_that_is_dead_takes_all_with_it_and_its_feed_is_named():
    posterior = stage(B12=0.0, Q1C=0.0, AUX=0.0)
    assert next(iter(posterior.by_part)) == "B12"


def test_a_point_that_is_low_behind_a_good_feeder_is_told_to_be_either_side_of_the_way():
    words = in_words(answer(stage(B12=12.0, AUX=0.05)), stage(B12=12.0, AUX=0.05))
    assert "what lies between B12 and AUX" in words and "what hangs on AUX" in words


def test_a_reading_that_no_fault_explains_still_leads_to_its_point():
    # Higher than its supply: nothing on the drawing can do that, and yet it was read twice.
    read = [Seen("AUX", "ON", "dc_v", 15.5), Seen("AUX", "ON", "dc_v", 15.5), Seen("B12", "ON", "dc_v", 12.0)]
    assert next(iter(solved_stage().posterior(read).by_part)) == "AUX"


ODD = {
    "nothing but 0 V": [("X", {"A": 0.0, "B": 0.0}, [])],
    "a feeder of 0 V": [("X", {"A": 0.0}, []), ("Y", {"A": 12.0, "B": 12.0}, ["X"])],
    "a loop": [("X", {"A": 12.0}, ["Z"]), ("Y", {"A": 11.0, "B": 10.0}, ["X"]), ("Z", {"B": 9.0}, ["Y"])],
    "itself": [("X", {"A": 12.0, "B": 12.0}, ["X"])],
    "higher than its feeder": [("X", {"A": 5.0, "B": 5.0}, []), ("Y", {"A": 15.0, "B": 0.0}, ["X"])],
    "of the other sign": [("N", {"A": -24.0, "B": -24.0}, []), ("Y", {"A": 6.0}, ["N"]), ("Z", {"A": -5.0}, ["N"])],
    "one point": [("X", {"A": 310.0}, [])],
}


@pytest.mark.parametrize("points", ODD.values(), ids=ODD)
def test_an_odd_drawing_is_answered_all_the_same(points):
    text = '[drawing]\nunit = "odd"\nmodes = ["A", "B"]\n'
    for name, volts, fed_by in points:
        printed = ", ".join(f"{mode} = {value}" for mode, value in volts.items())
        fed = ", ".join(f'"{feeder}"' for feeder in fed_by)
        text += f'[[point]]\nname = "{name}"\nprinted_v = {{ {printed} }}\nfed_by = [{fed}]\n'
    diagnosis = Diagnosis(parse_drawing(text, "odd.toml"))
    last = points[-1][0]
    posterior = diagnosis.posterior([Seen(last, mode, "dc_v", 0.0) for mode in ("A", "B")])
    assert np.isclose(posterior.by_hypothesis.sum(), 1)
    assert answer(posterior)["parts"]


def test_without_arrows_the_highest_rail_feeds_the_rest_and_a_single_dead_point_is_named():
    # Common practice, no source: lower supplies are made from higher ones of the same sign.
    text = '[drawing]\nunit = "bare"\nmodes = ["ON"]\n' + "".join(
        f'[[point]]\nname = "{name}"\nprinted_v = {{ ON = {volts} }}\n'
        for name, volts in (("R24", 24.0), ("P15", 15.0), ("P6", 6.2), ("N24", -24.0), ("N12", -12.0))
    )
    diagnosis = Diagnosis(parse_drawing(text, "bare.toml"))
    assert diagnosis.table.hypotheses
    dead = [Seen("R24", "ON", "dc_v", 24.0), Seen("P6", "ON", "dc_v", 0.0), Seen("P15", "ON", "dc_v", 15.0)]
    assert next(iter(diagnosis.posterior(dead).by_part)) == "P6"
    all_dead = [Seen(name, "ON", "dc_v", 0.0) for name in ("P15", "P6", "R24")]
    assert next(iter(diagnosis.posterior(all_dead).by_part)) == "R24"


def test_a_large_drawing_has_no_more_worlds_than_a_reading_can_wait_for():
    full = Diagnosis(drawing_of("console"))
    table = Diagnosis(printed_only(full.drawing, full.table)).table
    assert len(table.nodes) == 36 and len(table.hypotheses) > 150
    assert len(table.of) < 1600  # and yet every suspect has worlds of its own
    assert (np.bincount(table.of, minlength=len(table.hypotheses)) > 0).all()


def test_a_transistor_that_was_replaced_at_one_leg_is_replaced_at_all_of_them():
    read = {"B12": 12.0, "Q1C": 2.05, "Q1E": 2.05, "Q1B": 1.9}
    evidence = [Seen(name, "ON", "dc_v", value) for name, value in read.items()]
    evidence += [Seen("Q1C", "ON", "mended"), Seen("Q1C", "ON", "dc_v", 6.0), Seen("Q1E", "ON", "dc_v", 1.25)]
    posterior = solved_stage().posterior(evidence)
    likeliest = posterior.table.hypotheses[int(np.argmax(posterior.by_hypothesis))]
    assert likeliest.fault == "transistor shorted C-E"
