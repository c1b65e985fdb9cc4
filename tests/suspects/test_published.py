"""Published examples of diagnosis and of the order of tests, with their figures; the source beside each."""

import numpy as np
import pytest

from daemon.drawing import parse_drawing
from daemon.suspects import outlook as outlook_room
from daemon.suspects import weighing
from daemon.suspects.diagnosis import Diagnosis
from daemon.suspects.infer import Posterior
from daemon.suspects.outlook import Outlook
from daemon.suspects.probes import outlook_of
from daemon.suspects.readings import Seen
from tests.suspects.networks import drawing_text
from tests.suspects.published import gates, hand_made, left_over


def sets(*words):
    return {frozenset(word.split()) for word in words}


def polybox(outputs):
    """Three multipliers and two adders: X = A C, Y = B D, Z = C E, F = X + Y, G = Y + Z."""
    x, y, z = (outputs.get(part, 6) for part in ("M1", "M2", "M3"))
    return {"X": x, "Y": y, "Z": z, "F": outputs.get("A1", x + y), "G": outputs.get("A2", y + z)}


@pytest.fixture(scope="module")
def box():
    return gates(("M1", "M2", "M3", "A1", "A2"), range(21), polybox, ("X", "Y", "Z", "F", "G"))


def test_the_polybox(box):
    """de Kleer and Williams, Artificial Intelligence 32 (1987) 97-130: A=3 B=2 C=2 D=3 E=3, F=10, G=12."""
    assert left_over(*box, F=10, G=12) == sets("M1", "A1", "M2 M3", "M2 A2")
    assert left_over(*box, F=10, G=12, X=4) == sets("M1")
    assert left_over(*box, F=10, G=12, X=6) == sets("A1", "M2 M3", "M2 A2")


def test_the_polyboxs_first_two_suspects_are_equally_likely(box):
    """The same source's example with p = 0.01 each: M1 and A1 0.4976 each of all sets (own brute force over 32)."""
    found = Posterior(*box, [Seen(n, "ON", "dc_v", v, 0.001) for n, v in (("F", 10), ("G", 12))]).by_part
    assert found["M1"] == pytest.approx(found["A1"], rel=0.01)
    assert found["M1"] == pytest.approx(0.4976, abs=0.02)


def full_adder(outputs):
    """Inputs 1, 0 and carry 1: sum 0, carry 1 when sound."""
    x1 = outputs.get("X1", 1 ^ 0)
    a1, a2 = outputs.get("A1", 1 & 0), outputs.get("A2", x1 & 1)
    return {"SUM": outputs.get("X2", x1 ^ 1), "CARRY": outputs.get("O1", a1 | a2)}


def test_the_full_adder():
    """Reiter, Artificial Intelligence 32 (1987) 57-95: inputs 1, 0, 1 and outputs 1, 0 (from memory)."""
    adder = gates(("X1", "X2", "A1", "A2", "O1"), (0, 1), full_adder, ("SUM", "CARRY"))
    assert left_over(*adder, SUM=1, CARRY=0) == sets("X1", "X2 A2", "X2 O1")


def test_of_three_bulbs_the_two_dark_ones_are_broken():
    """Struss and Dressler, IJCAI 1989: with fault models only "both dark bulbs open" is left (from memory).

    Each bulb has 1 ohm behind it that shows its current: 12 V over 48 ohm are 0.25 A.
    """
    lines = ["modes ON", "V1 source a 0 value=12 inner_ohm=0.1"]
    for number in (1, 2, 3):
        lines += [f"B{number} resistor a b{number} value=47", f"R{number} jumper b{number} s{number}"]
        lines += [f"S{number} resistor s{number} 0 value=1"]
    diagnosis = Diagnosis(parse_drawing(drawing_text("\n".join(lines)), "bulbs.toml"))
    told = [("A", 12.0), ("B1", 0.25), ("B2", 0.0), ("B3", 0.0)]
    told += [("A - B2", 11.97), ("A - B3", 11.97), ("S2", 0.0), ("S3", 0.0)]
    seen = [Seen(name, "ON", "across_v" if " - " in name else "dc_v", value, 0.001) for name, value in told]
    parts = list(diagnosis.posterior(seen).by_part)[:2]
    assert set(parts) == {"B2", "B3"}


@pytest.fixture
def exact(monkeypatch):
    """The published tables know no probe on a wrong point."""
    monkeypatch.setattr(weighing, "WRONG_POINT", 1e-12)
    monkeypatch.setattr(outlook_room, "WRONG_POINT", 1e-12)


PRIORS = (0.70, 0.01, 0.02, 0.10, 0.05, 0.12)
ROWS = ("00000", "01001", "00110", "10011", "11000", "11110")


def needed_after(posterior: Posterior, choose) -> float:
    """Mean number of exact tests until one hypothesis is left."""
    weights = posterior.by_hypothesis
    left = np.flatnonzero(weights > 0.001 * weights.sum() / len(weights))
    if len(left) == 1:
        return 0.0
    outlook = outlook_of(posterior)
    number = choose(posterior, outlook)
    place = outlook.listed[number].point
    mean = 1.0
    for share, group in outlook.outcomes(number):
        level = float(group.mean[number] @ group.weights)
        mean += share * needed_after(posterior.after(Seen(place, "ON", "dc_v", level, 0.001)), choose)
    return mean


def greedy(_posterior: Posterior, outlook: Outlook) -> int:
    return int(np.argmax(outlook.gains()))


def test_greedy_gain_on_the_published_table_of_six_failures_and_five_tests(exact):
    """Pattipati and Alexandridis, IEEE Trans. SMC 20(4) 1990 (rows from memory): greedy 2.86, optimal 2.18 tests."""
    told = enumerate(zip(PRIORS, ROWS, strict=True))
    worlds = [((f"S{n}",), chance, [10.0 * int(bit) for bit in row]) for n, (chance, row) in told]
    table, drawing = hand_made([f"T{n}" for n in range(1, 6)], worlds)
    start = Posterior(table, drawing)
    assert needed_after(start, greedy) == pytest.approx(2.86, abs=0.005)
    assert optimal(frozenset(range(6))) == pytest.approx(2.18, abs=0.005)

    def ahead(posterior: Posterior, outlook: Outlook) -> int:
        """The least sum of this test and the mean number of greedy tests after it."""
        useful = np.flatnonzero(outlook.gains() > 0.01)
        costs = [
            sum(s * needed_after(_after(posterior, outlook, n, group), greedy) for s, group in outlook.outcomes(n))
            for n in useful
        ]
        return int(useful[int(np.argmin(costs))])

    assert needed_after(start, ahead) < 2.5


def _after(posterior: Posterior, outlook: Outlook, number: int, group: Outlook) -> Posterior:
    level = float(group.mean[number] @ group.weights)
    return posterior.after(Seen(outlook.listed[number].point, "ON", "dc_v", level, 0.001))


def optimal(left: frozenset) -> float:
    """Least mean number of tests, by trying all."""
    if len(left) == 1:
        return 0.0
    whole, best = sum(PRIORS[n] for n in left), np.inf
    for test in range(5):
        ones = frozenset(n for n in left if ROWS[n][test] == "1")
        if ones and ones != left:
            parts = [(sum(PRIORS[n] for n in each) / whole, each) for each in (ones, left - ones)]
            best = min(best, 1 + sum(share * optimal(each) for share, each in parts))
    return best


@pytest.mark.parametrize(("links", "mean"), [(8, 3.0), (16, 4.0), (29, 4.897)])
def test_a_chain_is_halved(links, mean, exact):
    """Half-splitting a chain of N equally likely parts: log2 N, for 29 parts (26 x 5 + 3 x 4) / 29 = 4.897.

    The rule: US Army IT0338 A, Introduction to Logical Troubleshooting (1996), frames 16 and 25.
    """
    places = [f"P{n}" for n in range(1, links)]
    worlds = [((f"L{n}",), 1.0, [10.0 if place < n else 0.0 for place in range(links - 1)]) for n in range(links)]
    assert needed_after(Posterior(*hand_made(places, worlds)), greedy) == pytest.approx(mean, abs=0.001)
