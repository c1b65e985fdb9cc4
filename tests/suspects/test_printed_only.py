"""A drawing of which only printed volts and arrows are known, and one of which only three points are."""

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

    assert pulled_down(before) > 0.15 > 0.05 > pulled_down(after)  # what pulls it down would pull the other feed too
