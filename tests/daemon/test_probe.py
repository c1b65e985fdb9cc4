"""Marks and stays joined: which readings belong to which placement."""

import math
import random

import pytest

from daemon.keeper.probe import Probe, StayBegan, StayEnded, StayGrew, StayRenamed
from drivers.readings import Flag, Quantity, Reading

STEP_US = 100_000


class Bench:
    """Feeds a probe ten readings a second and keeps what it says of its stays."""

    def __init__(self):
        self.probe = Probe("red", "meter", "")
        self.now_us = 1_000_000_000
        self.changes = []
        self.random = random.Random(7)

    def read(self, value, quantity=Quantity.DC_V, flags=Flag.NONE, resolution=0.001):
        self.now_us += STEP_US
        reading = Reading(self.now_us, value, quantity, flags=flags, range=60.0, resolution=resolution)
        self.changes += self.probe.feed(reading)

    def hold(self, volts, seconds=2.0):
        for _ in range(round(seconds * 10)):
            self.read(round(volts + self.random.gauss(0, 0.0005), 3))

    def float_lead(self, seconds=1.5):
        for _ in range(round(seconds * 10)):
            self.read(round(self.random.gauss(0.02, 0.06), 3))

    def open_lead_on_ohms(self, seconds=1.5):
        for _ in range(round(seconds * 10)):
            self.read(math.nan, Quantity.OHM, Flag.OVERLOAD)

    def mark(self, point):
        self.changes += self.probe.mark(point, "", self.now_us)

    def told(self, kind):
        return [change for change in self.changes if isinstance(change, kind)]


@pytest.fixture
def bench():
    return Bench()


def test_a_landing_under_a_mark_is_a_stay_that_ends_when_the_probe_lifts(bench):
    bench.float_lead()
    bench.mark("VPH")
    bench.float_lead()
    landed_us = bench.now_us
    bench.hold(9.108)
    last_good_us = bench.now_us
    bench.float_lead()
    (began,), (ended,) = bench.told(StayBegan), bench.told(StayEnded)
    assert landed_us < began.from_us <= landed_us + 3 * STEP_US
    assert last_good_us - STEP_US <= ended.at_us < last_good_us + 2 * STEP_US
    assert ended.settled.value == pytest.approx(9.108, abs=0.002)


def test_a_floating_lead_is_no_stay_even_under_a_mark(bench):
    bench.mark("VPH")
    bench.float_lead(30)
    assert not bench.changes


def test_a_new_mark_on_a_resting_probe_splits_the_stay_at_once(bench):
    bench.mark("A")
    bench.hold(5.0)
    marked_us = bench.now_us
    bench.mark("B")
    bench.hold(5.0, 0.1)
    first, second = bench.told(StayBegan)
    (ended,) = bench.told(StayEnded)
    assert ended.at_us < marked_us == second.from_us
    bench.hold(5.0)
    assert bench.probe.settled is not None and first.from_us < second.from_us


def test_a_point_named_late_names_the_stay_under_way(bench):
    bench.mark("A")
    bench.hold(5.0)
    bench.float_lead()
    bench.hold(7.0)
    bench.mark("B")
    assert bench.told(StayRenamed) and not bench.told(StayEnded)[1:]
    assert bench.probe.point == "B"


def test_a_drifting_value_under_a_mark_is_tagged_without_being_settled(bench):
    bench.mark("C301+")
    for i in range(60):
        bench.read(1.0 + 0.3 * i)
    (began,) = bench.told(StayBegan)
    assert began.settled is None
    assert bench.probe.phase == "settling"


def test_an_open_lead_on_ohms_counts_only_under_a_fresh_mark(bench):
    bench.open_lead_on_ohms()
    assert not bench.told(StayBegan)
    bench.mark("S301g common-PLAY")
    marked_us = bench.now_us
    bench.open_lead_on_ohms()
    (began,) = bench.told(StayBegan)
    assert began.settled.overload and began.from_us >= marked_us
    bench.mark("")
    bench.open_lead_on_ohms(5)
    assert len(bench.told(StayBegan)) == 1


def test_another_function_ends_the_stay(bench):
    bench.mark("VN")
    bench.hold(-19.83)
    for _ in range(3):
        bench.read(330.0, Quantity.OHM)
    assert len(bench.told(StayEnded)) == 1


@pytest.mark.parametrize("value", [-19.83, -7.2, math.nan])
def test_a_reading_taken_while_function_or_range_changed_is_not_part_of_the_stay_that_goes_on(bench, value):
    bench.mark("VN")
    bench.hold(-19.83)
    before = bench.told(StayGrew)[-1].settled.count
    bench.read(value, flags=Flag.CHANGING)
    bench.hold(-19.83, 0.5)
    assert not bench.told(StayEnded)
    assert bench.told(StayGrew)[-1].settled.count == before + 5


@pytest.mark.parametrize("on_the_way", [[], [-7.236], [-7.236, -7.236]])
@pytest.mark.parametrize("caught", [-7.236, -0.092])
def test_a_lift_is_seen_where_the_range_changes_with_it(bench, on_the_way, caught):
    bench.mark("VN")
    bench.hold(-19.83)
    last_good_us = bench.now_us
    for value in on_the_way:
        bench.read(value)
    bench.read(caught, flags=Flag.CHANGING)
    bench.float_lead()
    (ended,) = bench.told(StayEnded)
    assert ended.lifted
    assert last_good_us - STEP_US <= ended.at_us < last_good_us + 2 * STEP_US


def test_a_change_of_context_splits_the_stay_on_the_same_lead(bench):
    bench.mark("V24")
    bench.hold(23.4)
    bench.changes += bench.probe.cut(bench.now_us)
    cut_us = bench.now_us
    bench.changes += bench.probe.cut(bench.now_us)
    assert len(bench.told(StayBegan)) == 1, "two changes at once make no stay without a reading"
    bench.hold(23.4)
    assert len(bench.told(StayBegan)) == 2 and bench.told(StayBegan)[1].from_us == cut_us
    assert bench.told(StayGrew)


@pytest.mark.parametrize("said", ["the next point", "another mode"])
@pytest.mark.parametrize("away", [0, 1], ids=["no reading since the lift", "one reading since the lift"])
def test_where_polls_are_slow_a_stay_ends_where_it_was_last_seen_and_not_where_a_word_is_said(bench, said, away):
    bench.mark("PBV")
    bench.hold(12.0)
    last_good_us = bench.now_us
    bench.now_us += 500_000
    if away:
        bench.read(0.012)
    bench.now_us += 300_000
    if said == "the next point":
        bench.mark("RECV")
    else:
        bench.changes += bench.probe.cut(bench.now_us)
    (ended,) = bench.told(StayEnded)
    assert ended.at_us == last_good_us
    bench.float_lead()
    assert len(bench.told(StayBegan)) == 1


def test_a_lead_that_is_elsewhere_after_a_cut_does_not_go_on(bench):
    bench.mark("V24")
    bench.hold(23.4)
    bench.changes += bench.probe.cut(bench.now_us)
    bench.float_lead()
    assert len(bench.told(StayBegan)) == 1


def test_a_scope_s_marks_alone_bound_its_stays(bench):
    def trace_readings(value, count, flags=Flag.NONE):
        for _ in range(count):
            bench.now_us += 400_000
            bench.read(value, Quantity.RIPPLE, flags, resolution=0.016)

    trace_readings(0.094, 8)
    assert not bench.told(StayBegan), "a steady hum in the air is no stay"
    bench.mark("VN")
    trace_readings(0.094, 1)
    trace_readings(12.19, 8)
    assert len(bench.told(StayBegan)) == 1
    assert bench.probe.settled.value == pytest.approx(12.19)
    bench.mark("")
    trace_readings(0.094, 8)
    assert len(bench.told(StayBegan)) == 1 and len(bench.told(StayEnded)) == 1


def test_what_is_clipped_never_settles(bench):
    bench.mark("VN")
    for _ in range(10):
        bench.now_us += 400_000
        bench.read(0.04, Quantity.RIPPLE, Flag.CLIPPED, resolution=0.0002)
    assert not bench.told(StayGrew)


def test_a_slow_approach_below_a_volt_belongs_to_the_stay_and_does_not_split_it(bench):
    """The approach of a hand-held meter's input filter (0.15 s) to a base's 0.6 V, read at ten a second."""
    bench.float_lead()
    bench.mark("Q712 E")
    bench.float_lead(0.5)
    landed_us = bench.now_us
    for volts in (0.39475, 0.50047, 0.55759, 0.58846, 0.58846, 0.61400, 0.61890, 0.62150, 0.62290, 0.62400, 0.62430):
        bench.read(volts, resolution=1e-5)
    for number in range(20):
        bench.read(0.6246 if number % 3 else 0.6245, resolution=1e-5)
    (began,) = bench.told(StayBegan)
    assert landed_us < began.from_us <= landed_us + 2 * STEP_US
    assert bench.probe.settled.value == pytest.approx(0.6246, abs=2e-4)


def test_a_probe_that_stays_for_long_keeps_no_more_of_it_than_it_needs(bench):
    bench.mark("VPH")
    bench.hold(9.108, seconds=100.0)
    assert bench.probe.staying
    kept = (value for value in vars(bench.probe).values() if hasattr(value, "__len__"))
    assert max(map(len, kept)) < 50


def test_a_landing_on_few_ohms_straight_from_an_open_lead_is_read_on(bench):
    """What the open lead read has no value (9.9E37, SCPI-99 vol. 1, 7.2.1.4) to tell the way from."""
    bench.mark("F101")
    bench.open_lead_on_ohms()
    for _ in range(20):
        bench.read(0.04, Quantity.OHM)
    assert bench.now_us - 21 * STEP_US < bench.told(StayBegan)[-1].from_us


def test_a_mark_said_just_after_the_lift_is_for_the_next_point(bench):
    """Before half a second is over the probe might come back; what is said decides it."""
    bench.mark("A")
    bench.hold(9.1)
    lifted_us = bench.now_us
    bench.float_lead(0.4)
    assert not bench.told(StayEnded)
    bench.mark("B")
    (ended,) = bench.told(StayEnded)
    assert ended.at_us <= lifted_us + STEP_US
    bench.float_lead(0.5)
    bench.hold(14.3)
    assert len(bench.told(StayBegan)) == 2 and not bench.told(StayRenamed)
    bench.float_lead(0.2)
    bench.mark("C")
    assert not bench.told(StayRenamed)


def test_a_moment_in_the_air_does_not_end_a_stay_and_belongs_to_it(bench):
    bench.mark("A")
    bench.hold(9.1)
    bench.float_lead(0.3)
    bench.hold(9.1)
    assert len(bench.told(StayBegan)) == 1 and not bench.told(StayEnded)
