"""The drawing as a graph: every net has a place of its own, and chains run away from the sources."""

import pytest

from daemon.circuit import circuit
from daemon.drawing import parse_drawing
from tests.suspects.networks import TEXTS, drawing_of
from tests.suspects.test_printed_only import THREE


@pytest.mark.parametrize("name", sorted(TEXTS))
def test_no_two_nets_share_a_place_and_every_part_is_drawn(name):
    drawing = drawing_of(name)
    drawn = circuit(drawing)
    places = [(net["column"], net["row"]) for net in drawn["nets"]]
    assert len(set(places)) == len(places)
    assert {part["name"] for part in drawn["parts"]} == {part.name for part in drawing.parts}
    nets = {net["net"] for net in drawn["nets"]}
    for part in drawn["parts"]:
        assert {part["from"], *part["also"]} - {"0"} <= nets and part["from"] != "0"


@pytest.mark.parametrize("columns", [2, 3, 5])
@pytest.mark.parametrize("name", sorted(TEXTS))
def test_it_folds_to_the_columns_there_are_and_no_row_is_empty(name, columns):
    nets = {net["net"]: net for net in circuit(drawing_of(name), columns)["nets"]}
    places = {(net["column"], net["row"]) for net in nets.values()}
    assert len(places) == len(nets)
    assert {column for column, _ in places} <= set(range(columns))
    assert {row for _, row in places} == set(range(max(row for _, row in places) + 1))
    for net in nets.values():
        if net["parent"]:
            parent = nets[net["parent"]]
            assert net["column"] in (0, parent["column"] + 1)
            assert net["row"] >= parent["row"]


def test_a_chain_runs_in_a_straight_line_away_from_its_source(lamp):
    nets = {net["net"]: (net["column"], net["row"]) for net in circuit(lamp)["nets"]}
    assert nets == {"raw": (0, 0), "a": (1, 0), "b": (2, 0), "lamp": (3, 0)}


def test_without_a_network_the_arrows_are_drawn():
    drawn = circuit(parse_drawing(THREE, "three.toml"))
    assert [(part["from"], part["to"], part["kind"]) for part in drawn["parts"]] == [
        ("B12", "PBD", "feeds"),
        ("PBD", "Q302", "feeds"),
    ]
    assert [net["column"] for net in drawn["nets"]] == [0, 1, 2]
