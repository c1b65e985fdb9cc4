"""What printed volts and arrows are taken to mean. All of it is common practice, no source."""

import numpy as np
import pytest

from daemon.drawing import parse_drawing
from daemon.suspects.dc import Solver
from daemon.suspects.diagnosis import Diagnosis
from daemon.suspects.likely_net import likely_nets
from daemon.suspects.likely_parts import has_zener, is_behind_diode, is_led, node_net
from daemon.suspects.printed_faults import ways_of
from daemon.suspects.stages import named_apart, stages_of
from tests.suspects.chance_networks import chance_drawing
from tests.suspects.networks import TEXTS, drawing_of, printed_only

HEAD = '[drawing]\nunit = "deck"\nmodes = ["STOP", "PLAY"]\n'


def point(name, stop, play, fed_by="", more=""):
    fed = f'fed_by = ["{fed_by}"]\n' if fed_by else ""
    return f'[[point]]\nname = "{name}"\nprinted_v = {{ STOP = {stop}, PLAY = {play} }}\n{fed}{more}\n'


DECK = HEAD + "".join(
    [
        point("RAW", 19.0, 18.8, more="follows_mains = true"),
        point("F1", 19.0, 18.8, "RAW", "follows_mains = true"),
        point("VR", 18.3, 18.0, "F1", "follows_mains = true"),
        point("Q1B", 12.6, 12.6, "VR"),
        point("B12", 11.9, 11.9, "VR"),
        point("PB", 0, 11.9, "B12"),
        point("LED", 0, 2.0, "PB"),
        point("Q2B", 1.87, 1.87, "B12"),
        point("Q2C", 5.9, 5.9, "B12"),
        point("Q2E", 1.21, 1.21, "Q2C"),
        point("P5", 5.0, 5.0, "VR", "tolerance_percent = 4"),
        point("IN", 0, 0, "B12"),
    ]
)


@pytest.fixture(scope="module")
def stages():
    return stages_of(parse_drawing(DECK, "deck.toml"))


def of(stages, name):
    return stages.names.index(name)


def test_equal_volts_are_one_conductor_and_a_narrow_tolerance_behind_a_rail_is_a_regulator(stages):
    fed = dict(zip(stages.names, stages.feed, strict=True))
    assert fed["RAW"] == "source"
    assert fed["F1"] == "joined" and fed["PB"] == "joined"
    assert fed["P5"] == "regulator"
    assert fed["Q2C"] == "resistor" and fed["Q2B"] == "resistor"
    assert fed["Q1B"] == "shunt"  # steady behind a rail that follows the mains


def test_a_point_that_is_dead_in_one_mode_behind_a_live_one_is_behind_a_contact(stages):
    assert stages.contact[of(stages, "PB")].tolist() == [True, False]
    assert not stages.contact[of(stages, "LED")].any()  # dead because its feeder is


def test_base_and_emitter_are_found_by_the_names_of_their_legs_or_by_065_volts(stages):
    found = {tuple(stages.names[n] for n in (t.collector, t.base, t.emitter)) for t in stages.transistors}
    assert found == {("VR", "Q1B", "B12"), ("Q2C", "Q2B", "Q2E")}
    assert all(each.sign == 1 for each in stages.transistors)


def legs_of(stages):
    """Collector, base and emitter of each, by name."""
    return {tuple(stages.names[leg] for leg in (t.collector, t.base, t.emitter)) for t in stages.transistors}


FOLLOWED = {
    "RAIL": (12.0, ""), "COL": (7.49, "RAIL"), "EM": (1.82, "COL"), "BASE": (2.51, "RAIL"), "OUT": (6.8, "RAIL"),
}  # fmt: skip
LED_BESIDE = {"LED": (2.02, "RAIL")}  # 0.49 V from the base: hardly its emitter
SATURATED = {
    "RAIL": (24.0, ""), "BASE": (2.3, "RAIL"), "COL": (11.3, "RAIL"), "EM": (1.63, "COL"),
    "TOP": (12.0, "RAIL"), "OUT": (11.9, "TOP"),
}  # fmt: skip


@pytest.mark.parametrize(
    ("volts", "there"),
    [
        (FOLLOWED | LED_BESIDE, {("COL", "BASE", "EM"), ("RAIL", "COL", "OUT")}),
        (SATURATED, {("COL", "BASE", "EM"), ("OUT", "COL", "TOP")}),
    ],
)
def test_without_names_of_legs_those_transistors_are_taken_that_go_best_together(volts, there):
    """A common-emitter stage drives a follower; one drives a second of the other kind, which is saturated."""
    text = HEAD + "".join(point(name, v, v, fed) for name, (v, fed) in volts.items())
    assert legs_of(stages_of(parse_drawing(text, "stage.toml"))) == there


def test_most_transistors_of_networks_by_chance_are_found_by_their_printed_volts_and_few_that_are_none():
    there, found = set(), set()
    for seed in range(2000, 2012):
        drawing = chance_drawing(seed)
        stages = stages_of(named_apart(printed_only(drawing, Diagnosis(drawing).table)))
        found |= {(seed, *legs) for legs in legs_of(stages)}
        there |= {(seed, *p.nets) for p in drawing.parts if p.kind in ("npn", "pnp")}
    assert len(there) > 30
    assert len(found & there) >= 0.85 * len(there) and len(found - there) <= 0.15 * len(there)


def test_a_diode_and_an_indicator_are_known_by_their_forward_volts(stages):
    assert is_behind_diode(stages, of(stages, "VR")) and not is_behind_diode(stages, of(stages, "F1"))
    assert is_led(stages, of(stages, "LED")) and not is_led(stages, of(stages, "Q2B"))


BIASED = HEAD + "".join(
    [
        point("RAW", 19.0, 18.8),
        point("Q1B", 12.6, 12.6, "RAW"),
        point("Q1E", 11.9, 11.9, "RAW"),
        point("Q2B", 4.0, 4.0, "Q1E"),
        point("Q2C", 8.0, 8.0, "Q1E"),
        point("Q2E", 3.35, 3.35, "Q2C"),
    ]
)


def test_the_base_of_what_passes_a_supply_may_have_a_zener_and_legs_of_others_have_resistors():
    drawing = parse_drawing(BIASED, "biased.toml")
    biased = stages_of(drawing)
    assert [has_zener(biased, of(biased, name)) for name in ("Q1B", "Q2B", "Q2E")] == [True, False, False]
    ones = np.ones((len(biased.names), 1))
    likely = likely_nets(biased, drawing, 10, 1)(ones, ones)
    steady_a = {name: np.abs(likely.theta[:, likely.row("load", of(biased, name), "i")]).max() for name in biased.names}
    assert steady_a["Q2B"] == steady_a["Q2E"] == 0 < steady_a["RAW"]


def test_what_pulls_a_chain_down_hangs_where_more_than_the_chain_goes_on_from(stages):
    """Nothing but a fuse hangs on RAW; on F1 the rectified supply, on PB an indicator."""
    weight = {stages.names[way.nodes[0]]: way.weight for way in ways_of(stages) if way.fault == "pulled down"}
    assert weight["RAW"] < weight["F1"] / 2
    assert weight["F1"] == weight["PB"] == weight["B12"]


def test_a_loop_of_arrows_is_cut_and_what_is_not_printed_for_a_mode_is_filled_in():
    text = HEAD + (
        '[[point]]\nname = "A"\nprinted_v = { STOP = 12.0, PLAY = 12.0 }\nfed_by = ["B"]\n'
        '[[point]]\nname = "B"\nprinted_v = { PLAY = 11.0 }\nfed_by = ["A"]\n'
    )
    found = stages_of(parse_drawing(text, "loop.toml"))
    assert -1 in found.feeder
    assert found.volts.tolist() == [[12.0, 12.0], [11.0, 11.0]]
    assert found.printed.tolist() == [[True, True], [False, True]]


def test_legs_of_one_name_are_points_of_their_own():
    text = HEAD + "".join(
        point("Q1", volts, volts, fed, f'leg = "{leg}"')
        for leg, volts, fed in (("C", 6.0, "VCC"), ("B", 1.9, "VCC"), ("E", 1.25, ""))
    )
    drawing = named_apart(parse_drawing(text + point("VCC", 12.0, 12.0), "legs.toml"))
    assert [p.net for p in drawing.points] == ["Q1 C", "Q1 B", "Q1 E", None]
    table = Diagnosis(drawing).table
    assert set(table.nodes) == {"Q1 C", "Q1 B", "Q1 E", "VCC"}
    assert any(each.fault == "transistor open" for each in table.hypotheses)


@pytest.mark.parametrize("name", TEXTS)
def test_every_version_of_the_network_reads_as_printed_when_nothing_is_broken(name):
    full = Diagnosis(drawing_of(name))
    bare = printed_only(full.drawing, full.table)
    table = Diagnosis(bare).table
    sound = table.volts[:, :, table.of == 0]
    told = np.array([[point.printed_v[mode] for point in bare.points] for mode in bare.modes])
    off = np.abs(sound - told[:, :, None])
    assert (off < 0.02 * np.abs(told[:, :, None]) + 0.12).all()


def test_the_network_itself_comes_within_a_few_per_cent_of_what_is_printed():
    drawing = parse_drawing(DECK, "deck.toml")
    stages = stages_of(drawing)
    alike = np.ones((len(stages.names), 1))
    likely = likely_nets(stages, drawing, 8, 1)(alike, alike)
    for mode in range(2):
        found = Solver(likely.net).solve(likely.theta[mode])
        assert not found.failed.any()
        for node, name in enumerate(stages.names):
            volts = found.volts[likely.net.nodes[node_net(node)]]
            told = stages.volts[node, mode]
            assert np.abs(volts - told).max() < 0.03 * abs(told) + 0.08, name
