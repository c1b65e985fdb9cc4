"""What each series is measured with is kept as it changes, and seen by a caller: range, time, limits of error."""

import math

import pytest

from drivers.readings import Accuracy, Flag, Quantity, Reading
from tests.daemon.test_keeper import Desk

ACCURACY = Accuracy(0.05, 0.01)  # as the bench of these tests states it


@pytest.fixture
def desk(tmp_path):
    desk = Desk(tmp_path)
    yield desk
    desk.keeper.close()


def read(desk, value, quantity=Quantity.DC_V, **more):
    desk.clock.turn(0.1)
    reading = Reading(desk.clock.now_us(), value, quantity, **({"range": 60.0, "integration_s": 0.02} | more))
    desk.send("meter", reading.within(ACCURACY))


def events(desk, *kinds):
    with desk.records() as records:
        frame = records.events()
    return frame[frame["kind"].isin(kinds)]["text"].tolist()


def test_a_function_that_is_turned_is_an_event_and_a_series_of_its_own(desk):
    read(desk, 12.0)
    read(desk, 4700.0, Quantity.OHM, range=10e3)
    read(desk, 4700.0, Quantity.OHM, range=10e3)
    assert events(desk, "function") == ["meter: turned from DC volts to ohms."]
    assert desk.state()["probes"][0]["quantity"] == "ohm"


def test_an_integration_time_that_is_turned_is_an_event(desk):
    for seconds in (0.02, 0.02, 0.2, None, 0.2):
        read(desk, 12.0, integration_s=seconds)
    assert events(desk, "integration time") == ["meter: looks for 200 ms at each reading, 20 ms before."]


def test_a_range_that_follows_the_value_is_kept_beside_the_readings_and_makes_no_event(desk):
    """Limits of error worked by hand: 0.05 % of 12 V and 0.01 % of 60 V make 12 mV, of 600 V 66 mV."""
    for range_ in (60.0, 600.0, 60.0):
        read(desk, 12.0, range=range_, resolution=range_ / 2**20)
    with desk.records() as records:
        assert records.readings("dc_v")["accuracy"].tolist() == pytest.approx([0.012, 0.066, 0.012])
        kept = records.settings()
        assert kept["range"].tolist() == [60.0, 600.0, 60.0]
        assert kept["t_us"].tolist() == records.readings("dc_v")["time"].astype("int64").tolist()
    assert not events(desk, "function", "integration time")
    probe = desk.state()["probes"][0]
    assert (probe["range"], probe["resolution"], probe["integration_s"]) == (60.0, 60.0 / 2**20, 0.02)
    assert probe["accuracy"] == pytest.approx(0.012)
    assert desk.state()["instruments"][0]["values"] == {"dc_v": 12.0}


def test_a_value_beyond_the_range_has_no_limits_and_does_not_end_those_of_the_others(desk):
    for value, flags in ((12.0, Flag.NONE), (math.nan, Flag.OVERLOAD), (12.0, Flag.NONE)):
        read(desk, value, flags=flags)
    with desk.records() as records:
        assert records.readings("dc_v")["accuracy"].isna().tolist() == [False, True, False]
        assert len(records.settings()) == 1


def test_the_same_setting_is_not_stored_again_and_a_new_session_says_it_once(desk, tmp_path):
    for _ in range(50):
        read(desk, 12.0)
    with desk.records() as records:
        assert len(records.settings()) == 1
    more = {"protection": "earthed", "rated_mains_v": 230.0}
    desk.say("session", do="start", file=str(tmp_path / "t.session"), **more)
    read(desk, 12.0)
    desk.path = tmp_path / "t.session"
    with desk.records() as records:
        (row,) = records.settings().to_dict("records")
    assert (row["range"], row["integration_s"], row["percent_reading"]) == (60.0, 0.02, 0.05)


def test_the_scope_s_stated_accuracy_is_kept_with_its_ripple(desk):
    """8 bits at 0.1 V a step are 25.6 V: 0.01 % of it is 2.56 mV, and 0.05 % of nothing is nothing."""
    desk.send("scope", traces=[desk.rolling_trace()])
    with desk.records() as records:
        assert records.readings("1 ripple_vpp")["accuracy"].tolist() == pytest.approx([2.56e-3])


def test_a_settled_value_keeps_its_limits_and_a_move_is_judged_by_the_same(desk):
    """0.05 % of 6.54 V + 0.01 % of the 60 V range + one step of 1 mV: 10.27 mV, also after a resume."""
    desk.say("condition", condition="direct")
    desk.say("mode", mode="PLAY")
    desk.say("point", probe="red", point="PBV")
    desk.volts(6.54, noise_v=0.0)
    with desk.records() as records:
        (placement,) = records.placements().to_dict("records")
    assert placement["limits"] == pytest.approx(10.27e-3)
    desk.keeper.close()
    desk.keeper = desk.new_keeper()
    desk.keeper.open(desk.path)
    desk.say("move", placement=placement["id"], point="Q302 C")
    with desk.records() as records:
        (moved,) = records.placements().to_dict("records")
    assert moved["judgement"]["verdict"] == "inside" and moved["limits"] == placement["limits"]
