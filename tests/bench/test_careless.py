"""A whole repair by a careless hand, over the wire: is every reading found, with its value, and none invented?"""

import math

import pytest

from daemon.records import open_session
from tests.bench.played import play

CARELESS = ("--careless", "4")


@pytest.fixture(scope="module")
def careless(tmp_path_factory):
    return play("amplifier", tmp_path_factory.mktemp("careless"), *CARELESS)


def placements_of(repair):
    with open_session(repair.session) as records:
        return records.placements().astype(object).to_dict("records")


def lines_of(repair):
    lands = {act["line"]: act for act in repair.acts if act["action"] == "lands"}
    read = {act["line"]: act for act in repair.acts if act["action"] == "has read"}
    return [(lands[line], read[line]) for line in lands]


def agrees(row, act):
    if act["expected"] is None or row["value"] is None or math.isnan(row["value"]):
        return act["expected"] is None
    return abs(row["value"] - act["expected"]) <= math.sqrt(3) * row["uncertainty"] + 0.005 + 5e-4 * abs(row["value"])


def test_the_hand_was_careless(careless):
    done = [act["do"] for act in careless.acts if act["action"] == "does"]
    assert "bridge" in done
    slips = [act for act in careless.acts if act.get("do") == "touch" and "tau_s" in act]
    assert slips or done.count("touch") > len(lines_of(careless)) + 2


def test_every_line_is_a_placement_with_its_point_and_its_value(careless):
    rows = {row["id"]: row for row in placements_of(careless)}
    for lands, read in lines_of(careless):
        row = rows.get(read["placement"])
        assert row is not None, f"line {lands['line']} became no placement"
        assert (row["point"], row["mode"]) == (lands["point"], lands["mode"]), lands["line"]
        assert agrees(row, lands), (lands["line"], row["value"], lands["expected"])


def test_no_value_is_kept_that_no_line_has(careless):
    """A line may be there twice, before and after a slip; another value nowhere."""
    settled = [row for row in placements_of(careless) if row["probe"] == "red" and row["count"]]
    for row in settled:
        same = [lands for lands, _ in lines_of(careless) if lands["point"] == row["point"]]
        assert any(agrees(row, lands) for lands in same), (row["point"], row["value"])
