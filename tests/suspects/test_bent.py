"""What a world of volts that do not go in straight lines loses by being looked at, and how far readings are trusted."""

from dataclasses import replace

import numpy as np
import pytest

from daemon.drawing import parse_drawing
from daemon.suspects.infer import Posterior
from daemon.suspects.readings import Seen
from daemon.suspects.worlds import NOTHING, Hypothesis, Table

POINTS = ("A", "B", "C", "D")
DRAWING = parse_drawing(
    '[drawing]\nunit = "u"\nmodes = ["ON"]\n'
    + "".join(f'[[point]]\nname = "{name}"\nprinted_v = {{ ON = 5 }}\n' for name in POINTS),
    "four.toml",
)
VOLTS = (5.0, 10.0, 15.0, 20.0)
FAR_V, NEAR_V = 1.5, 0.1  # by which all four points move together in a world that may go far, and in one that may not


@pytest.fixture
def table():
    """Two worlds of the same volts, which in the first one may as well be 1.5 V more or less at all points together."""
    sway = np.zeros((2, len(POINTS), 2), dtype=np.float32)
    sway[0, :, 1], sway[1, :, 1] = FAR_V, NEAR_V
    return Table(
        ("ON",),
        {name: number for number, name in enumerate(POINTS)},
        (Hypothesis("A", "goes far", 0.5, ("A",)), Hypothesis("B", NOTHING, 0.5, ("B",))),
        np.repeat(np.array(VOLTS)[None, :, None], 2, axis=2),
        sway,
        np.arange(2),
        np.full(2, 0.5),
        np.arange(2),
        np.ones(2),
        0.03,
        (0.03, 0.04),
        bent=0.2,
    )


def told(table, more_v=0.0):
    """How much each reading in turn speaks for the world that may go far (natural logarithm)."""
    read = [Seen(name, "ON", "dc_v", volts + more_v) for name, volts in zip(POINTS, VOLTS, strict=True)]
    posterior = Posterior(table, DRAWING, read)
    return [float(each.logs[0] - each.logs[1]) for each in posterior.weighed]


def test_a_world_that_may_go_far_loses_once_and_not_with_every_reading_that_finds_it_where_it_is(table):
    first, *others = told(table)
    assert first < -1
    assert first < others[0] < others[1] < others[2] < 0
    assert others[2] > -0.1


def test_a_world_that_has_gone_far_is_not_believed_to_the_digit(table):
    """It is two spreads from where it was solved, and may be off by a fifth of that at every other point."""
    off = [Seen("A", "ON", "dc_v", 8.0), Seen("B", "ON", "dc_v", 14.0)]
    straight, bent = (Posterior(replace(table, bent=share), DRAWING, off).weighed[1].logs[0] for share in (0.0, 0.2))
    assert bent > straight + 0.2


def test_readings_of_networks_that_are_only_likely_count_for_less_and_tests_of_a_part_do_not(table):
    half = replace(table, trust=0.5)
    assert told(half, 0.3) == pytest.approx([each / 2 for each in told(table, 0.3)])
    tested = Seen("A", "", "good", 1.0)
    found = [Posterior(each, DRAWING, [tested]).weighed[0].logs.tolist() for each in (table, half)]
    assert found[0] == found[1]
