"""What a meter reads, where it loads what it reads: our worlds against ngspice with the meter in place."""

import numpy as np
import pytest

from daemon.suspects.cautions import highest_v
from daemon.suspects.diagnosis import Diagnosis
from daemon.suspects.loading import places_of
from daemon.suspects.readings import Seen
from daemon.suspects.weighing import expected
from daemon.suspects.worlds import Unit
from tests.suspects import spice
from tests.suspects.cases import drawn_cases
from tests.suspects.chance_networks import chance_drawing
from tests.suspects.networks import drawing_of, drawing_text, parse_drawing

METER_OHM = 1e7
LEAK = 5e-3  # every node leaks 1 Gohm to 0 V


def unit_of(lines):
    return Diagnosis(parse_drawing(drawing_text(lines), "loaded.toml"))


@pytest.fixture(scope="module", params=["cassette", "chance"])
def compared(request, ngspice, tmp_path_factory):
    """Every fault of a network's parts: its net, what we and ngspice read at every place, and with no meter there."""
    drawing = drawing_of("cassette") if request.param == "cassette" else chance_drawing(3)
    net, _faults, theta = drawn_cases(drawing, seed=5)
    unit = Unit(drawing)
    start = unit.solver.solve(net.nominal.copy(), ohms=False).volts
    start = np.repeat(start.T[:, :, None], theta.shape[2], axis=2)
    ours = unit.solving.solved(theta, [np.zeros_like(theta)], start)
    mode = len(net.modes) - 1
    told = np.concatenate([ours["volts"][mode], ours["across"][mode]]).T
    folder = tmp_path_factory.mktemp(request.param)
    cases = list(theta[mode].T)
    theirs = spice.read(net, cases, places_of(net), folder, spice.QUICK_OPTIONS)
    found = np.isfinite(theirs).all(axis=1)
    assert found.mean() > 0.95
    return net, told[found], theirs[found], ours["bare"][mode].T[found]


def test_ngspice_finds_the_same_reading_with_the_meter_in_place(compared):
    """Reference: ngspice (Debian package), operating point, 10 Mohm at one place at a time."""
    net, ours, theirs, _bare = compared
    apart, nodes = np.abs(ours - theirs), len(net.nodes)
    assert np.percentile(apart[:, :nodes], 99) < 0.1e-3 and apart[:, :nodes].max() < 10e-3
    # Between two nodes a meter that would take less than 10 mV by what feeds them is not put in place.
    assert np.percentile(apart[:, nodes:], 99) < 0.1e-3 and apart[:, nodes:].max() < 50e-3


def test_it_would_be_missed_if_the_meter_were_left_out(compared):
    net, _ours, theirs, bare = compared
    assert (np.abs(bare - theirs[:, : len(net.nodes)]) > 10e-3).any()


def test_a_divider_of_megohms_reads_what_ohm_s_law_says():
    """Exact: 3 Mohm over 6 Mohm from 9 V, 2 Mohm inside; a meter takes its share at a node, and between two."""
    diagnosis = unit_of("modes ON\nV1 source a 0 value=9\nR1 resistor a b value=3e6\nR2 resistor b 0 value=6e6")
    table = diagnosis.table
    sound = np.flatnonzero(table.of == 0)
    a, b = table.nodes["a"], table.nodes["b"]
    share = METER_OHM / (METER_OHM + 2e6)
    assert table.read(0, b)[sound] == pytest.approx(6 * share, rel=LEAK)
    assert table.read(0, a, b)[sound] == pytest.approx(3 * share, rel=LEAK)
    assert table.read(0, b, a)[sound] == pytest.approx(-3 * share, rel=LEAK)
    assert table.read(0, -1, b)[sound] == pytest.approx(-6 * share, rel=LEAK)
    assert table.bare[0, b, sound] == pytest.approx(6, rel=1e-2)


def test_a_node_behind_a_diode_that_only_the_meter_loads_reads_the_diode_s_drop_less():
    """Exact: 0.9 uA through a junction of n 1.8 that drops 0.65 V at 10 mA (the law of Shockley, 25.85 mV)."""
    parts = "R1 resistor a 0 value=1e4\nD1 diode a b\nC1 capacitor b 0 value=1e-6"
    diagnosis = unit_of(f"modes ON\nV1 source a 0 value=9\n{parts}")
    table = diagnosis.table
    sound = np.flatnonzero(table.of == 0)
    read = float(table.read(0, table.nodes["b"])[sound][0])
    drop = 0.65 - 1.8 * 0.02585 * np.log(10e-3 / (read / METER_OHM))
    assert read == pytest.approx(9 - drop, abs=0.02)


def test_a_reading_across_two_points_expects_what_a_meter_between_them_reads():
    diagnosis = unit_of("modes ON\nV1 source a 0 value=9\nR1 resistor a b value=3e6\nR2 resistor b 0 value=6e6")
    now = np.arange(len(diagnosis.table.of))
    seen = Seen("A - B", "ON", "across_v", 2.5)
    found = expected(diagnosis.table, diagnosis.drawing, seen, now)
    assert found.mean[diagnosis.table.of == 0] == pytest.approx(2.5, rel=LEAK)


def test_a_caution_counts_volts_before_a_meter_pulls_them_down():
    """A tip of 200 V behind 90 Mohm reads 20 V on a meter: what is touched is what is there."""
    diagnosis = unit_of("modes ON\nV1 source a 0 value=200\nR1 resistor a b value=9e7\nC1 capacitor b 0 value=1e-6")
    table = diagnosis.table
    sound = table.of == 0
    assert abs(float(table.read(0, table.nodes["b"])[sound][0])) < 30
    assert highest_v(table, diagnosis.drawing, [table.nodes["b"]]) > 150
