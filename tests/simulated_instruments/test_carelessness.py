"""A hand that slips: how often, what it does to the lead, and that the script is otherwise the same."""

import pytest

from simulated_instruments.technician.acting import Hand, Hold, Wait
from simulated_instruments.technician.carelessness import LIFT, SLIP, TWO_LEGS, CarelessHand
from simulated_instruments.technician.script import script
from simulated_instruments.unit.scenario import load

SCENARIOS = ("amplifier", "mixer", "cassette")




def without_hands(actions):
    return [a for a in actions if not isinstance(a, Hand | Wait | Hold)]


@pytest.mark.parametrize("name", SCENARIOS)
def test_a_careless_hand_says_the_same_and_holds_at_every_line(name):
    scenario = load(name)
    steady, careless = script(scenario), script(scenario, CarelessHand(seed=3))
    assert without_hands(careless) == without_hands(steady)
    assert [a.line for a in careless if isinstance(a, Hold)] == list(range(len(scenario.log)))
    assert careless == script(scenario, CarelessHand(seed=3)) != script(scenario, CarelessHand(seed=4))


def test_slips_bridges_and_lifts_are_as_frequent_as_stated():
    hand, count = CarelessHand(seed=1), 4000
    slips = bridges = lifts = drifts = 0
    for _ in range(count):
        requests = [a.request for a in hand.land("red", "A", ["B", "C"]) if isinstance(a, Hand)]
        requests += [a.request for a in hand.linger("red", "A", ["B", "C"]) if isinstance(a, Hand)]
        slips += any(r["do"] == "touch" and r["thing"] != "A" for r in requests)
        bridges += any(r["do"] == "bridge" for r in requests)
        lifts += any(r["do"] == "lift" for r in requests)
        drifts += any("tau_s" in r for r in requests)
        assert requests[-1]["thing"] == "A"
    for found, stated in ((slips, SLIP), (bridges, TWO_LEGS), (lifts, LIFT), (drifts, 0.1)):
        assert found / count == pytest.approx(stated, abs=0.02)


def test_a_bridge_reads_between_both_legs_and_never_rests(bench):
    bench.ask(do="power", on=True)
    bench.turn(20.0)
    bench.ask(do="bridge", probe="red", thing="+15", other="VP")
    bench.turn(2.0)
    volts = []
    for _ in range(10):
        bench.turn(0.1)
        volts.append(bench.ask(ask="probe", probe="red", t_s=bench.clock.now_s())["volts"])
    assert 15.0 < min(volts) < max(volts) < 23.9
    assert max(volts) - min(volts) > 0.5


def test_a_capacitor_comes_from_where_it_was_said_to_be(bench):
    """First order (exact): of 20 % beside, 20 / e % are left after tau and 20 / e^5 % after five."""
    bench.ask(do="power", on=True)
    bench.turn(20.0)
    bench.ask(do="touch", probe="scope A", thing="+15", away=0.2, tau_s=1.0)
    for after_s, left in ((1.0, 0.2 * 0.36788), (5.0, 0.2 * 0.0067379)):
        volts = bench.ask(ask="probe", probe="scope A", t_s=bench.clock.now_s() + after_s)["volts"]
        assert volts == pytest.approx(14.99 * (1 + left), rel=2e-3)
