"""Networks that nobody chose: the solver must not depend on the handful that it was built beside."""

import numpy as np
import pytest

from daemon.suspects.dc import Solver
from tests.suspects import spice
from tests.suspects.cases import drawn_cases
from tests.suspects.chance_networks import chance_drawing

FED_OHM = 1e8  # what nothing feeds but leaks is 0 V to any meter, whatever a solver says


@pytest.mark.parametrize("first", range(0, 40, 10))
def test_every_fault_of_every_unit_is_solved_in_every_mode(first):
    for seed in range(first, first + 10):
        net, faults, theta = drawn_cases(chance_drawing(seed), seed)
        solver = Solver(net)
        healthy = solver.solve(net.nominal.copy())
        assert not healthy.failed.any(), seed
        for mode in range(len(net.modes)):
            failed = solver.solve(np.ascontiguousarray(theta[mode]), healthy.volts[:, mode]).failed
            assert not failed.any(), (seed, [faults[i] for i in np.flatnonzero(failed)])


def test_ngspice_finds_the_same_volts(ngspice, tmp_path):
    """Reference: ngspice (Debian package), operating point, gmin 1e-12 S, 1 Gohm at every node."""
    apart = []
    for seed in range(8):
        net, _faults, theta = drawn_cases(chance_drawing(seed), seed)
        solver = Solver(net)
        ours = solver.solve(np.ascontiguousarray(theta[0]), solver.solve(net.nominal.copy()).volts[:, 0])
        folder = tmp_path / str(seed)
        folder.mkdir()
        theirs = spice.solve(net, list(theta[0].T), folder, spice.QUICK_OPTIONS)
        found = np.isfinite(theirs) & (ours.source_ohm.T < FED_OHM)
        apart += list(np.abs(theirs - ours.volts.T)[found])
    assert len(apart) > 5000
    assert max(apart) < 10e-3
    assert np.percentile(apart, 99) < 0.1e-3


def test_a_supply_of_hundreds_of_volts_behind_a_rectifier_is_solved_from_nothing():
    """Valve gear: Newton's steps may not be cut node by node, which leaves tens of volts across a diode."""
    net, _faults, theta = drawn_cases(chance_drawing(5), 5)
    assert max(part.value for part in net.parts if part.kind == "source") == 250
    assert not Solver(net).solve(np.ascontiguousarray(theta[0])).failed.any()


def test_a_fault_whose_steps_go_to_and_fro_between_two_states_comes_to_rest():
    net, _faults, theta = drawn_cases(chance_drawing(148), 5)
    solver = Solver(net)
    start = solver.solve(net.nominal.copy()).volts
    for mode in range(len(net.modes)):
        assert not solver.solve(np.ascontiguousarray(theta[mode]), start[:, mode]).failed.any()
