"""Our solver against ngspice, a circuit simulator of others, and against laws that have exact answers."""

import numpy as np
import pytest

from daemon.drawing import parse_drawing
from daemon.part_kinds import KINDS
from daemon.suspects.dc import Solver
from daemon.suspects.elimination import Elimination
from daemon.suspects.net import build_net
from tests.suspects import spice
from tests.suspects.cases import drawn_cases
from tests.suspects.networks import TEXTS, drawing_of, drawing_text


@pytest.fixture(scope="module")
def compared(ngspice, tmp_path_factory):
    """Every fault of every part of the networks: volts apart from ngspice's, and the fault of each row."""
    apart, named = [], []
    for name in sorted(TEXTS):
        net, faults, theta = drawn_cases(drawing_of(name), seed=5)
        solver = Solver(net)
        mode = len(net.modes) - 1
        ours = solver.solve(np.ascontiguousarray(theta[mode]), solver.solve(net.nominal.copy()).volts[:, mode])
        assert not ours.failed.any(), name
        theirs = spice.solve(net, list(theta[mode].T), tmp_path_factory.mktemp(name), spice.QUICK_OPTIONS)
        found = np.isfinite(theirs).all(axis=1)
        apart += list(np.abs(theirs - ours.volts.T)[found])
        named += [(name, net.part(f.part).kind, f) for f, good in zip(faults, found, strict=True) if good]
    return apart, named


def test_ngspice_finds_the_same_volts_in_five_hundred_faulty_networks(compared):
    """Reference: ngspice (Debian package), operating point, gmin 1e-12 S, 1 Gohm at every node."""
    apart, named = compared
    worst = [float(row.max()) for row in apart]
    assert len(apart) >= 500
    assert max(worst) < 10e-3, named[int(np.argmax(worst))]
    assert np.percentile(np.concatenate(apart), 99) < 0.1e-3


def test_every_kind_of_part_is_among_them(compared):
    kinds = {kind for _, kind, _ in compared[1]}
    assert kinds == set(KINDS)


def test_every_fault_of_every_network_is_solved_in_every_mode():
    for name in TEXTS:
        net, _faults, theta = drawn_cases(drawing_of(name), seed=9)
        solver = Solver(net)
        healthy = solver.solve(net.nominal.copy()).volts
        for mode in range(len(net.modes)):
            assert not solver.solve(np.ascontiguousarray(theta[mode]), healthy[:, mode]).failed.any(), name


def ladder(count):
    lines = ["modes ON", "V1 source n0 0 value=100 inner_ohm=1e-3"]
    lines += [f"R{i} resistor n{i} n{i + 1} value=1000" for i in range(count)]
    return parse_drawing(drawing_text("\n".join([*lines, f"RZ resistor n{count} 0 value=1000"])), "ladder.toml")


def test_a_ladder_divides_evenly():
    """Ohm's law: ten equal resistors in a row share the volts evenly (the 1 Gohm leaks take under 50 ppm)."""
    net = build_net(ladder(9))
    volts = Solver(net).solve(net.nominal.copy()).volts[:, 0]
    for i in range(10):
        assert volts[net.nodes[f"n{i}"]] == pytest.approx(100 - 10 * i, abs=5e-3)


def test_what_feeds_a_node_is_the_resistance_seen_into_it():
    """Thevenin: half-way up ten equal resistors, five are parallel to five."""
    net = build_net(ladder(9))
    ohms = Solver(net).solve(net.nominal.copy()).source_ohm[:, 0]
    assert ohms[net.nodes["n5"]] == pytest.approx(2500, rel=1e-4)


def test_elimination_agrees_with_a_dense_solution():
    """Reference: numpy.linalg (LAPACK)."""
    rng = np.random.default_rng(3)
    size, worlds = 12, 5
    pairs = {(int(a), int(b)) for a, b in rng.integers(0, size, (20, 2)) if a != b}
    sparse = Elimination(size, pairs)
    dense = np.zeros((worlds, size, size))
    matrix = np.zeros((sparse.entries, worlds))
    for (i, j), row in sparse.place.items():
        if i == j or (i, j) in pairs or (j, i) in pairs:
            matrix[row] = rng.uniform(-1, 1, worlds) + (20 if i == j else 0)
            dense[:, i, j] = matrix[row]
    right = rng.normal(size=(size, worlds))
    sparse.factor(matrix)
    solved = sparse.solve(matrix, right.copy())
    assert np.allclose(solved.T, np.linalg.solve(dense, right.T[:, :, None])[:, :, 0])
    inverse = np.linalg.inv(dense)
    assert np.allclose(sparse.diagonal_of_inverse(matrix).T, np.diagonal(inverse, axis1=1, axis2=2))


HIGH_TENSION = """
modes ON
V1 source ht 0 value=345 inner_ohm=55
D1 diode ht b1
L1 inductor b1 b2 dc_ohm=90
R1 resistor b2 b3 value=2200
R2 resistor b3 b4 value=10k
R3 resistor b4 0 value=47k
R4 resistor b2 a3 value=180
R5 resistor a3 0 value=6500
R6 resistor b3 g2 value=1000
L2 load g2 0 current_a=0.006
"""


def test_a_high_tension_supply_settles_although_its_diode_is_far_from_its_volts_at_first(ngspice, tmp_path):
    """Reference: ngspice (Debian package)."""
    net = build_net(parse_drawing(drawing_text(HIGH_TENSION), "ht.toml"))
    ours = Solver(net).solve(net.nominal.copy())
    theirs = spice.solve(net, [net.nominal[:, 0]], tmp_path, spice.QUICK_OPTIONS)
    assert not ours.failed.any()
    assert np.abs(theirs[0] - ours.volts[:, 0]).max() < 0.01
