from collections.abc import Callable

import pytest

from daemon.drawing import Drawing, parse_drawing
from daemon.suspects.diagnosis import Diagnosis
from tests.suspects import spice

LAMP = """
[drawing]
unit = "lamp supply"
modes = ["ON", "DIM"]
nominal_mains_v = 230

[[point]]
name = "RAW"
net = "raw"

[[point]]
name = "A"
net = "a"

[[point]]
name = "B"
net = "b"
ripple_vpp = 0.02

[[point]]
name = "LAMP"
net = "lamp"
access = "hard"

[[part]]
name = "V1"
kind = "source"
nets = ["raw", "0"]
value = 20
inner_ohm = 1
follows_mains = true

[[part]]
name = "F1"
kind = "fuse"
nets = ["raw", "a"]
value = 1

[[part]]
name = "C1"
kind = "capacitor"
nets = ["a", "0"]
value = 1e-3

[[part]]
name = "R1"
kind = "resistor"
nets = ["a", "b"]
value = "100R"

[[part]]
name = "C2"
kind = "capacitor"
nets = ["b", "0"]
value = 100e-6

[[part]]
name = "D1"
kind = "zener"
nets = ["0", "b"]
value = 12

[[part]]
name = "S1"
kind = "switch"
nets = ["b", "lamp"]
closed_in = ["ON"]

[[part]]
name = "L1"
kind = "load"
nets = ["lamp", "0"]
current_a = 0.03
"""


@pytest.fixture(scope="session")
def ngspice() -> None:
    if spice.ngspice() is None:
        pytest.fail(spice.MISSING)


@pytest.fixture(scope="session")
def lamp() -> Drawing:
    """A small invented supply: fuse, dropping resistor, zener, two capacitors, a switch and a lamp."""
    return parse_drawing(LAMP, "lamp.toml")


@pytest.fixture(scope="session")
def diagnosis(lamp: Drawing) -> Diagnosis:
    return Diagnosis(lamp)


@pytest.fixture
def chance(diagnosis: Diagnosis) -> Callable[..., float]:
    """Probability of a part after some evidence."""
    return lambda part, *evidence: diagnosis.posterior(evidence).by_part.get(part, 0.0)
