import math
import re

import pytest

from daemon.drawing import Drawing, Point
from daemon.judge.neighbours import also_fits
from daemon.judge.objections import object_to
from daemon.judge.stays import Stay
from drivers.readings import Quantity

QUANTITIES = {
    "DC V": Quantity.DC_V,
    "DC V across": Quantity.DC_V,
    "20 V through 1 k": Quantity.DC_V,
    "scope AC": Quantity.RIPPLE,
    "scope": Quantity.RIPPLE,
    "ohm": Quantity.OHM,
    "ohm (left on)": Quantity.OHM,
    "capacitance": Quantity.CAPACITANCE,
    "continuity": Quantity.CONTINUITY,
}
SCALES = {"mVpp": 1e-3, "uF": 1e-6}
REPAIRED_AT = {"S1": ("11:30", "14:00", "19:10"), "S2": ("11:20", "18:00"), "S4": ("10:00", "21:00")}
WANTED = {
    ("S1", "01:40"): "other mode",
    ("S1", "05:20"): "two values",
    ("S2", "02:10"): "other mode",
    ("S2", "04:40"): "two values",
    ("S2", "06:30"): "function",
    ("S4", "01:10"): "other mode",
    ("S4", "03:10"): "two values",
}
MAY_BE = {("S4", "02:00")}


def seconds(clock):
    minutes, rest = clock.split(":")
    return int(minutes) * 60 + int(rest)


def plain(label):
    return label.split(" (")[0].split(" / ")[0]


def drawing_of(repair):
    points = tuple(Point(plain(label), printed_v=dict(v)) for label, v in repair["printed"].items())
    return Drawing(repair["name"], tuple(repair["modes"]), nominal_mains_v=230, points=points)


def stays_of(repair):
    for number, line in enumerate(repair["log"], 1):
        figures = re.search(r"-?[\d.]+(e-?\d+)?", str(line["reading"]))
        value = float(figures[0]) * SCALES.get(line["unit"], 1.0) if figures else math.nan
        mode = plain(line["mode"])
        quantity = QUANTITIES[line["function"]]
        stay = Stay(
            number,
            seconds(line["t"]) * 1_000_000,
            plain(line["tagged"]),
            "",
            mode,
            "off" if mode == "off" else "direct",
            quantity,
            value,
            overload=math.isnan(value),
        )
        yield line, stay


def replay(repair, strike_at_once):
    """What is objected to, line by line; the repairs are noted just before the line that shows them."""
    drawing, earlier, found = drawing_of(repair), [], {}
    repairs_us = [seconds(t) * 1_000_000 - 1 for t in REPAIRED_AT[repair["name"]]]
    for line, stay in stays_of(repair):
        objections = object_to(stay, earlier, drawing, stay.mode != "off", repairs_us)
        if objections:
            found[repair["name"], line["t"]] = [o.kind for o in objections]
        if not (strike_at_once and objections and line["trap"]):
            earlier.append(stay)
    return found


@pytest.mark.parametrize("strike_at_once", [False, True], ids=["nothing struck", "mistakes struck"])
@pytest.mark.parametrize("name", ["S1", "S2", "S4"])
def test_the_logs_of_three_repairs_are_objected_to_where_a_colleague_would(repairs, name, strike_at_once):
    found = replay(repairs[name], strike_at_once)
    wanted = {place: [kind] for place, kind in WANTED.items() if place[0] == name}
    assert {place: kinds for place, kinds in found.items() if place not in MAY_BE} == wanted


def test_the_logs_have_47_lines(repairs):
    assert sum(len(repair["log"]) for repair in repairs.values()) == 47


DRAWING = Drawing(
    "deck",
    ("STOP", "PLAY"),
    points=(
        Point("PBV", printed_v={"STOP": 0.0, "PLAY": 12.0}),
        Point("E", printed_v={"STOP": 0.0, "PLAY": 0.12}),
        Point("B12", printed_v={"STOP": 12.0, "PLAY": 12.0}),
    ),
)


def stay(number, value, *, point="PBV", mode="PLAY", quantity=Quantity.DC_V, condition="direct", **more):
    return Stay(number, number * 10_000_000, point, "", mode, condition, quantity, value, **more)


def kinds(*stays, on=True, repairs=()):
    *earlier, last = stays
    return [o.kind for o in object_to(last, earlier, DRAWING, on, repairs)]


def test_two_values_are_named_with_both_readings_and_both_placements():
    (objection,) = object_to(stay(2, 5.0), [stay(1, 12.0)], DRAWING, True)
    assert objection.about == (2, 1)
    assert "5 V" in objection.text
    assert "12 V" in objection.text
    assert "10 s ago" in objection.text
    assert "the probe was elsewhere" in objection.text


@pytest.mark.parametrize(
    ("first", "second", "objected"),
    [(12.0, 11.9, False), (12.0, 11.5, True), (1.0, 0.96, False), (1.0, 0.94, True), (0.01, 0.05, False)],
)
def test_both_three_per_cent_and_fifty_millivolts_must_be_exceeded(first, second, objected):
    """Common practice, no source."""
    assert (kinds(stay(1, first, point="X"), stay(2, second, point="X")) == ["two values"]) == objected


def test_scatter_alone_is_no_contradiction():
    assert kinds(stay(1, 12.0), stay(2, 11.0, uncertainty=0.5)) == []


def test_another_mode_leg_condition_or_quantity_is_no_contradiction():
    for other in (
        stay(1, 3.0, mode="STOP"),
        stay(1, 3.0, condition="series lamp 60 W"),
        stay(1, 3.0, quantity=Quantity.RIPPLE),
    ):
        assert kinds(other, stay(2, 12.0)) == []


def test_a_repair_in_between_explains_another_value():
    assert kinds(stay(1, 5.0), stay(2, 12.0), repairs=[15_000_000]) == []
    assert kinds(stay(1, 5.0), stay(2, 12.0), repairs=[5_000_000]) == ["two values"]


def test_a_contradiction_is_named_once():
    assert kinds(stay(1, 5.0), stay(2, 12.0), stay(3, 5.0)) == []


def test_zero_is_also_the_value_in_another_mode():
    (objection,) = object_to(stay(1, 0.0), [], DRAWING, True)
    assert objection.kind == "other mode"
    assert "also the value in STOP" in objection.text
    assert "wrong" not in objection.text


def test_a_value_that_fits_its_own_mode_is_left_alone():
    assert kinds(stay(1, 11.9)) == []
    assert kinds(stay(1, 0.0, mode="STOP")) == []


def test_a_small_faulty_value_is_not_taken_for_another_modes_zero():
    assert kinds(stay(1, 0.041, point="E")) == []


def test_only_zero_is_another_modes_value_behind_the_lamp():
    assert kinds(stay(1, 12.0, mode="STOP", condition="series lamp 60 W")) == []
    assert kinds(stay(1, 0.0, condition="series lamp 60 W")) == ["other mode"]


def test_the_mode_is_asked_about_once_until_it_is_selected_anew():
    assert kinds(stay(1, 0.0), stay(2, 0.0, point="E")) == []
    assert kinds(stay(1, 0.0), stay(2, 12.0, point="B12", mode="STOP"), stay(3, 0.0, point="E")) == ["other mode"]


def test_ohms_on_a_unit_that_is_on_are_no_resistance():
    (objection,) = object_to(stay(1, math.nan, quantity=Quantity.OHM, overload=True), [], DRAWING, True)
    assert objection.text == "Unit is on. This is not a resistance."
    assert kinds(stay(1, 0.3, quantity=Quantity.DC_A)) == ["function"]


@pytest.mark.parametrize("on", [False, None])
def test_ohms_are_let_be_where_the_unit_is_off_or_nobody_knows(on):
    assert kinds(stay(1, 330.0, quantity=Quantity.OHM), on=on) == []


def test_ac_volts_where_the_drawing_prints_dc():
    assert kinds(stay(1, 0.02, point="B12", quantity=Quantity.AC_V)) == ["ac"]
    assert kinds(stay(1, 12.0, point="B12"), stay(2, 0.02, point="B12", quantity=Quantity.AC_V)) == []
    assert kinds(stay(1, 0.02, point="PBV", mode="STOP", quantity=Quantity.AC_V)) == []


def test_stays_may_arrive_out_of_order_and_hold_the_stay_itself():
    second = stay(2, 12.0)
    assert [o.kind for o in object_to(second, [stay(3, 4.0), second, stay(1, 5.0)], DRAWING, True)] == ["two values"]


def test_nothing_is_objected_to_without_a_point_and_little_without_a_drawing():
    assert object_to(stay(1, 0.0, point=""), [], DRAWING, True) == []
    assert object_to(stay(1, 0.0), [], None, True) == []
    assert [o.kind for o in object_to(stay(2, 5.0), [stay(1, 0.0)], None, True)] == ["two values"]


def test_a_corrected_mode_is_no_contradiction_though_another_probe_settled_in_between():
    doubted, other = stay(1, 0.0, probe="red"), stay(2, 12.0, point="B12", probe="blue")
    assert kinds(doubted, other, stay(3, 12.0, probe="red")) == []
    went_on = stay(2, 12.0, point="B12", probe="red")
    assert kinds(doubted, went_on, stay(3, 12.0, probe="red")) == ["two values"]


def test_a_negative_zero_is_shown_as_zero():
    (objection,) = object_to(stay(1, -0.0001), [], DRAWING, True)
    assert objection.text.startswith("0.00 V at PBV")


LEGS = Drawing(
    "amplifier",
    ("PHONO", "AUX"),
    nominal_mains_v=230,
    points=(
        Point("RAW", printed_v={"PHONO": 36.5, "AUX": 36.6}, follows_mains=True),
        Point("V24S", "R703 upstream leg", net="a", printed_v={"PHONO": 23.4, "AUX": 0.0}),
        Point("VPH", "R703 downstream leg, C704+", net="b", printed_v={"PHONO": 21.7, "AUX": 0.0}),
        Point("Q302", "C", printed_v={"PHONO": 6.54, "AUX": 0.0}),
        Point("Q302", "E", printed_v={"PHONO": 0.63, "AUX": 0.0}),
        Point("X", net="a", printed_v={"PHONO": 12.0}),
        Point("Y", net="b", printed_v={"PHONO": 5.0}),
    ),
)


def seen(number, value, point, leg="", mode="PHONO", **more):
    return Stay(number, number * 10_000_000, point, leg, mode, "direct", Quantity.DC_V, value, **more)


def test_two_legs_that_the_drawing_tells_apart_and_that_read_the_same_are_objected_to():
    (objection,) = object_to(seen(2, 6.51, "Q302", "E"), [seen(1, 6.52, "Q302", "C")], LEGS, True)
    assert (objection.kind, objection.about) == ("alike", (2, 1))
    assert "Q302 (E) and Q302 (C) both read 6.51 V" in objection.text
    assert "on one leg of Q302 twice, or nothing drops across it" in objection.text


@pytest.mark.parametrize(
    ("first", "second"),
    [
        (seen(1, 6.52, "Q302", "C"), seen(2, 0.63, "Q302", "E")),  # as it should be
        (seen(1, 0.001, "Q302", "C"), seen(2, 0.0, "Q302", "E")),  # a dead stage
        (seen(1, 6.52, "Q302", "C", mode="AUX"), seen(2, 6.51, "Q302", "E")),
        (seen(1, 22.0, "V24S"), seen(2, 22.01, "VPH")),  # printed within their tolerances of each other
        (seen(1, 12.0, "X"), seen(2, 12.0, "RAW")),  # no part between them
    ],
)
def test_other_legs_are_let_be(first, second):
    assert [o for o in object_to(second, [first], LEGS, True) if o.kind == "alike"] == []


def test_a_leg_whose_own_readings_contradict_each_other_says_nothing_of_another():
    earlier = [seen(1, 0.7, "Q302", "C"), seen(2, 6.52, "Q302", "C")]
    assert object_to(seen(3, 6.52, "Q302", "E"), earlier, LEGS, True) == []
    assert object_to(seen(3, 6.52, "Q302", "E"), earlier[1:], LEGS, True)[0].kind == "alike"


def test_a_repair_in_between_explains_legs_that_read_the_same():
    earlier = [seen(1, 6.52, "Q302", "C")]
    assert object_to(seen(2, 6.52, "Q302", "E"), earlier, LEGS, True, [15_000_000]) == []


def test_what_also_fits_is_named_where_it_fits_three_times_closer():
    """23.37 V at a point of 21.7 V, the other leg of the part printed 23.4 V: +7.7 % looks fine and is not."""
    assert also_fits(seen(1, 23.37, "VPH"), LEGS, None) == (
        "23.37 V at VPH also fits V24S (R703 upstream leg) (23.4 V expected)."
    )
    assert also_fits(seen(1, 22.2, "VPH"), LEGS, None) is None  # 0.5 and 1.2 V away
    assert also_fits(seen(1, 23.0, "VPH"), LEGS, None) is not None  # 1.3 and 0.4 V away
    assert also_fits(seen(1, 22.97, "VPH"), LEGS, None) is None  # 1.27 and 0.43 V away: less than three times


def test_what_also_fits_follows_the_mains_and_stays_within_the_other_tolerance():
    assert "RAW" in also_fits(seen(1, 37.6, "VPH"), LEGS, 237.0)
    assert also_fits(seen(1, 30.0, "VPH"), LEGS, 237.0) is None


@pytest.mark.parametrize("value", [0.0, 0.03, -0.04, math.nan])
def test_nothing_is_said_to_fit_around_zero(value):
    assert also_fits(seen(1, value, "VPH"), LEGS, None) is None


def test_nothing_is_said_to_fit_where_the_meter_cannot_tell():
    assert also_fits(seen(1, 23.37, "VPH"), LEGS, None, half_width_v=0.6) is None
    assert also_fits(seen(1, 23.37, "VPH", mode="off"), LEGS, None) is None
    assert also_fits(seen(1, 23.37, "nowhere"), LEGS, None) is None
    assert also_fits(seen(1, 23.37, "VPH"), None, None) is None


def jumping(number, value, marked=False, point="VPH"):
    return seen(number, value, point, probe="red", marked=marked)


def test_values_that_jump_under_one_mark_ask_for_the_marks_that_were_forgotten():
    run = [jumping(1, 12.0, marked=True), jumping(2, 5.0)]
    (objection,) = object_to(jumping(3, 0.6), run, LEGS, True)
    assert (objection.kind, objection.about) == ("forgotten mark", (3, 2, 1))
    assert objection.text == (
        "VPH in PHONO was named 20 s ago, and nothing since, while the probe read 12 V, 5 V, 0.6 V:"
        " say which points these are."
    )
    assert object_to(jumping(4, 5.0), [*run, jumping(3, 0.6)], LEGS, True) == []


def test_values_that_jump_after_a_mark_each_are_two_values():
    run = [jumping(1, 12.0, marked=True), jumping(2, 5.0, marked=True)]
    assert [o.kind for o in object_to(jumping(3, 0.6, marked=True), run, LEGS, True)] == ["two values"]
    between = [jumping(1, 12.0, marked=True), jumping(2, 36.5, marked=True, point="RAW"), jumping(3, 5.0, marked=True)]
    assert [o.kind for o in object_to(jumping(4, 0.6), between, LEGS, True)] == ["two values"]


def test_what_was_read_twice_and_never_otherwise_is_not_asked_about_again():
    """A stuck switch: the point is dead in the mode that is selected, each time."""
    asked = [stay(1, 0.0), stay(2, 12.0, point="B12", mode="STOP"), stay(3, 0.0)]
    assert kinds(*asked) == ["other mode"]
    assert kinds(*asked, stay(4, 12.0, point="B12", mode="STOP"), stay(5, 0.0)) == []
    alive = stay(4, 12.0)
    assert kinds(*asked[:2], asked[2], alive, stay(5, 12.0, point="B12", mode="STOP"), stay(6, 0.0)) == ["other mode"]


OUT = "R5 is lifted"


def test_two_legs_alike_and_what_also_fits_are_not_asked_of_a_unit_that_is_not_as_drawn():
    """A link across a part makes its legs read alike, and that is what it is for."""
    collector, emitter = seen(1, 6.52, "Q302", "C", altered=OUT), seen(2, 6.51, "Q302", "E", altered=OUT)
    assert object_to(emitter, [collector], LEGS, True) == []
    assert object_to(seen(2, 6.51, "Q302", "E"), [collector], LEGS, True) == []
    assert also_fits(seen(1, 23.37, "VPH", altered=OUT), LEGS, None) is None


def test_another_mode_is_not_asked_of_a_unit_that_is_not_as_drawn():
    assert kinds(stay(1, 0.0)) == ["other mode"] and kinds(stay(1, 0.0, altered=OUT)) == []
    assert kinds(stay(1, 0.0, altered=OUT), stay(2, 0.0)) == ["other mode"]  # and it does not count as asked


def test_the_same_point_with_and_without_a_part_has_two_values_rightly():
    assert kinds(stay(1, 5.0, altered=OUT), stay(2, 12.0)) == []
    assert kinds(stay(1, 5.0, altered=OUT), stay(2, 12.0, altered=OUT)) == ["two values"]
    assert kinds(stay(1, 5.0, point="X", altered="R6 is lifted"), stay(2, 12.0, point="X", altered=OUT)) == []


def test_what_does_not_come_from_printed_values_is_objected_to_in_any_unit():
    assert kinds(stay(1, 150.0, quantity=Quantity.OHM, altered=OUT)) == ["function"]
    assert kinds(stay(1, 0.1, quantity=Quantity.AC_V, altered=OUT)) == ["ac"]
    values = [stay(n, volts, marked=n == 1, altered=OUT, point="X") for n, volts in enumerate((12.0, 7.0, 3.0), 1)]
    assert kinds(*values) == ["forgotten mark"]
