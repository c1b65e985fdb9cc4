"""The unit goes on and off: from amperes, from a person, and never twice for one switch."""

import pytest

from daemon.keeper.unit_power import UnitPower

SECOND = 1_000_000


def feed(power, *amperes, start_us=0, step_us=100_000, half_width_us=5_000):
    """Feed readings 0.1 s apart; returns the switches that were seen."""
    seen = [power.feed(start_us + i * step_us, half_width_us, a) for i, a in enumerate(amperes)]
    return [switched for switched in seen if switched]


def test_a_switch_on_is_dated_between_the_last_reading_before_and_the_first_after():
    (switched,) = feed(UnitPower(0.01), 0.0, 0.0, 0.4, 0.2)
    assert switched.on
    # Between 0.1 s - 5 ms and 0.2 s + 5 ms: the middle, and half of the distance.
    assert (switched.t_us, switched.half_width_us) == (150_000, 55_000)


def test_one_reading_above_is_a_glitch_and_not_a_switch():
    assert feed(UnitPower(0.01), 0.0, 0.0, 0.4, 0.0, 0.0) == []


def test_a_unit_found_on_was_not_seen_being_switched():
    power = UnitPower(0.01)
    assert feed(power, 0.2, 0.2, 0.2) == []
    assert power.on is True


def test_off_needs_a_fall_below_half_of_the_threshold():
    power = UnitPower(0.01)
    feed(power, 0.0, 0.0, 0.2, 0.2)
    assert feed(power, 0.008, 0.007, 0.008, start_us=SECOND) == []
    (switched,) = feed(power, 0.004, 0.004, start_us=2 * SECOND)
    assert not switched.on


def test_a_mark_tells_where_no_current_is_measured():
    power = UnitPower(0.01)
    switched = power.mark(True, 7 * SECOND)
    assert switched is not None
    assert (switched.on, switched.half_width_us, switched.seen_by) == (True, SECOND, "mark")


@pytest.mark.parametrize("mark_first", [True, False])
def test_one_switch_seen_by_both_is_told_once(mark_first):
    power = UnitPower(0.01)
    feed(power, 0.0, 0.0)
    if mark_first:
        assert power.mark(True, SECOND) is not None
        assert feed(power, 0.4, 0.4, start_us=SECOND + 200_000) == []
    else:
        assert len(feed(power, 0.4, 0.4, start_us=SECOND)) == 1
        assert power.mark(True, SECOND + 500_000) is None
    assert power.on is True


def test_a_backward_current_counts_by_its_size():
    """A clamp put on the wrong way round reads negative (common practice, no source)."""
    assert len(feed(UnitPower(0.01), 0.0, 0.0, -0.4, -0.4)) == 1


def test_a_supply_that_says_that_its_output_is_on_is_believed_at_once():
    power = UnitPower(0.01)
    assert power.state(0, 5_000, False) is None
    switched = power.state(200_000, 5_000, True)
    assert (switched.on, switched.seen_by) == (True, "supply output")
    assert (switched.t_us, switched.half_width_us) == (100_000, 105_000)
    assert power.state(400_000, 5_000, True) is None


def test_an_output_that_is_found_on_was_not_seen_being_switched():
    power = UnitPower(0.01)
    assert power.state(0, 5_000, True) is None
    assert power.on is True


def test_a_mark_and_the_supply_s_word_are_one_switch():
    power = UnitPower(0.01)
    power.state(0, 0, False)
    assert power.mark(True, 150_000) is not None
    assert power.state(200_000, 0, True) is None
