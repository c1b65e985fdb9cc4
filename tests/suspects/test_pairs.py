"""Two faults at once: solved alone, joined to the single ones, and found on networks of the size of a section."""

import numpy as np
import pytest

from daemon.suspects.diagnosis import Diagnosis
from daemon.suspects.infer import Posterior
from daemon.suspects.pairs import Pairs, likely_pairs
from daemon.suspects.probes import ENOUGH_BITS, outlook_of, rank
from daemon.suspects.readings import Seen
from daemon.suspects.worlds import Unit
from tests.suspects import spice
from tests.suspects.networks import drawing_of
from tests.suspects.test_lifted import as_built

TOLD = [Seen("A", "ON", "dc_v", 20.1), Seen("B", "ON", "dc_v", 17.3), Seen("LAMP", "ON", "dc_v", 0.0)] * 2
CHOSEN = [(("D1", "open"), ("S1", "open")), (("D1", "open"), ("R1", "value wrong")), (("F1", "open"), ("S1", "open"))]


@pytest.fixture
def solved(monkeypatch):
    """How many worlds were solved, each time."""
    counts = []
    honest = Unit._solved

    def counted(unit, theta, *rest):
        counts.append(theta.shape[2])
        return honest(unit, theta, *rest)

    monkeypatch.setattr(Unit, "_solved", counted)
    return counts


def test_pairs_joined_to_single_faults_are_as_if_all_were_solved_together(lamp):
    unit = Unit(lamp)
    joined = Pairs(unit, unit.table()).joined(CHOSEN)
    named = {(fault.part, fault.fault): fault for fault in unit.faults}
    groups = [*unit.singles, *((named[one], named[other]) for one, other in CHOSEN)]
    whole = unit.tabled(joined.hypotheses, groups, unit.solution(groups))
    assert [each.part for each in joined.hypotheses[-3:]] == ["D1 + S1", "D1 + R1", "F1 + S1"]
    assert np.array_equal(joined.of, whole.of)
    assert np.allclose(joined.prior, whole.prior)
    assert np.allclose(joined.volts, whole.volts, atol=1e-4)
    assert np.allclose(joined.sway, whole.sway, atol=1e-4)
    assert np.allclose(joined.amps, whole.amps, atol=1e-6)
    assert np.allclose(joined.amps_sway, whole.amps_sway, atol=1e-6)
    assert np.allclose(joined.ohms("b", "0"), whole.ohms("b", "0"))
    ours, theirs = (Posterior(table, lamp, TOLD).by_hypothesis for table in (joined, whole))
    assert np.allclose(ours, theirs, atol=1e-3)


def test_a_start_far_beyond_what_a_junction_holds_settles_on_no_volts_that_are_not_there():
    """R3 shorted and R2 open, begun from where each alone leaves the stage: its base-emitter volts are tens of volts
    there, and Newton then comes to rest on numbers that fit nothing but arithmetic."""
    unit = Unit(drawing_of("console"))
    joined = Pairs(unit, unit.table()).joined([(("R2", "open"), ("R3", "shorted"))])
    pair = joined.of == len(joined.hypotheses) - 1
    assert (joined.prior[pair] > 0).any()
    assert np.abs(joined.bare[:, :, pair]).max() < 60
    assert np.isfinite(joined.sway).all()


def test_only_pairs_are_solved_and_only_those_that_are_new(lamp, solved):
    unit = Unit(lamp)
    pairs = Pairs(unit, unit.table())
    solved.clear()
    pairs.joined(CHOSEN[:2])
    pairs.joined(CHOSEN)
    pairs.joined(CHOSEN[1:])
    assert solved == [1 + 3, 1]  # a resistor's value in three steps, what is open in one


def test_a_pair_is_chosen_for_what_the_two_explain_together(diagnosis):
    """20 V at B, which the zener would hold at 12 V and the lamp pull to 17 V, and none at the lamp: both are open."""
    told = [Seen("A", "ON", "dc_v", 20.0), Seen("B", "ON", "dc_v", 19.9), Seen("LAMP", "ON", "dc_v", 0.0)]
    single = Posterior(diagnosis.table, diagnosis.drawing, told)
    assert {("D1", "open"), ("S1", "open")} in [set(pair) for pair in likely_pairs(single, 5)]
    chosen = likely_pairs(single, 40)
    assert len(chosen) == 40 == len(set(chosen))
    assert all(one[0] != other[0] and one < other for one, other in chosen)


def test_pairs_that_share_a_part_are_told_apart_by_the_next_probe(diagnosis):
    """What tells R1 from S1 beside an open D1 is worth a probe: D1 alone being sure is not the end of the search."""
    found = diagnosis.posterior(TOLD)
    outlook = outlook_of(found)
    pairs = {found.table.hypotheses[n].part for n in found.table.of[outlook.kept]}
    assert len(set(outlook.part)) == len(pairs) > len({each.split(" + ")[0] for each in pairs})


def test_pairs_that_no_longer_count_are_let_go(lamp, monkeypatch):
    monkeypatch.setattr("daemon.suspects.pairs.MOST_KEPT", 2)
    unit = Unit(lamp)
    pairs = Pairs(unit, unit.table())
    assert len(pairs.joined(CHOSEN).of) == len(pairs.joined(CHOSEN).of)
    assert len(pairs.joined(CHOSEN[2:]).hypotheses) == len(unit.faults) + 2
    assert len(pairs._kept) <= 3


TWO = [
    ("console", "FM", ("F2", "open"), ("R9", "open"), ("n12", "oun", "fm2", "q3c")),
    ("console", "TAPE", ("F2", "open"), ("J1", "open"), ("n12", "oun", "tpm", "tpm")),
    ("mixer", "PHANTOM ON", ("F3", "open"), ("R7", "open"), ("pbus", "v48", "p12", "p12")),
    ("receiver", "FM", ("R16", "open"), ("R2", "open"), ("q3c", "q3e", "fm2", "q1c")),
]


@pytest.mark.parametrize(("name", "mode", "one", "other", "symptoms"), TWO)
def test_two_faults_on_branches_apart_are_among_the_first_three(ngspice, tmp_path, name, mode, one, other, symptoms):
    """Two dead rails, read twice, and then the program's own probes, in units that ngspice (Debian package) solves."""
    drawing = drawing_of(name)
    diagnosis = Diagnosis(drawing)
    net, theta = as_built(drawing, (), (), one, other)

    def read(point, in_mode, plus, minus=-1):
        value = spice.read(net, [theta[in_mode]], [(plus, minus)], tmp_path, spice.QUICK_OPTIONS)[0, 0]
        assert np.isfinite(value)
        return Seen(point, drawing.modes[in_mode], "dc_v" if minus < 0 else "across_v", float(value))

    told = [read(node.upper(), drawing.modes.index(mode), diagnosis.table.nodes[node]) for node in symptoms]
    while len(told) < 12:
        probes = rank(diagnosis.posterior(told), mode, most=1, look_ahead=True)
        if not probes or probes[0].gain_bits < ENOUGH_BITS:
            break
        best = probes[0].candidate
        told.append(read(best.point, best.mode, best.plus, best.minus))
    found = diagnosis.posterior(told)
    first = [part for part in found.by_part if part][:3]
    assert {one[0], other[0]} <= set(first), (first, [each.words() for each in told])
