import math

import numpy as np
import pytest
from scipy import stats

from daemon.judge.open_lead import lull_chance
from daemon.judge.settle import Lifted, Settled, StayDetector
from daemon.judge.window import range_factor
from drivers.readings import Flag, Quantity

MV = 0.001


def feed(detector, values, rate_hz, *, resolution=MV, start_s=0.0, flags=Flag.NONE):
    """Feed readings rounded to the meter's step; returns what happened."""
    happened = []
    for number, value in enumerate(values):
        shown = round(float(value) / resolution) * resolution if math.isfinite(value) else value
        t_us = round((start_s + number / rate_hz) * 1e6)
        happened += detector.feed(t_us, shown, flags, resolution)
    return happened


def open_lead(rng, seconds, rate_hz, sigma_v=0.03):
    return rng.normal(0.0, sigma_v, round(seconds * rate_hz))


def landing(rng, value_v, tau_s, seconds, rate_hz, noise_v=MV, from_v=0.0):
    times_s = np.arange(1, round(seconds * rate_hz) + 1) / rate_hz
    return value_v + (from_v - value_v) * np.exp(-times_s / tau_s) + rng.normal(0, noise_v, len(times_s))


def stays(happened):
    """The last word on each stay, and when each lifted."""
    last = {h.from_us: h for h in happened if isinstance(h, Settled)}
    return list(last.values()), [h.at_us for h in happened if isinstance(h, Lifted)]


@pytest.mark.parametrize("n", [4, 5, 6, 7, 8, 10, 12, 15, 20, 30, 50, 100])
def test_the_range_factor_is_the_studentised_range(n):
    """scipy.stats.studentized_range with infinite freedom, 99 % point (4: 4.403, 5: 4.603, 10: 5.157)."""
    assert range_factor(n) == pytest.approx(stats.studentized_range.ppf(0.99, n, np.inf), abs=0.01)


def test_the_chance_of_a_lull_is_the_small_range_limit_of_normal_samples():
    """Against scipy.stats: P(range of n <= r) = n int phi(x) [Phi(x + r) - Phi(x)]^(n - 1) dx."""
    x = np.linspace(-8, 8, 20001)
    for n, r in ((5, 0.1), (8, 0.2)):
        inner = (stats.norm.cdf(x + r) - stats.norm.cdf(x)) ** (n - 1)
        exact = n * np.trapezoid(stats.norm.pdf(x) * inner, x)
        assert lull_chance(n, r) == pytest.approx(exact, rel=0.02)


@pytest.mark.parametrize("rate_hz", [1, 2, 5, 20, 100])
def test_a_landing_is_told_once_settled_and_reaches_back_to_where_the_probe_landed(rate_hz):
    rng = np.random.default_rng(1)
    seconds = max(8 / rate_hz, 6.0)
    lead = open_lead(rng, 20, rate_hz)
    values = np.concatenate([lead, landing(rng, 23.37, 0.1, seconds, rate_hz), open_lead(rng, 5, rate_hz)])
    (stay,), (lifted_us,) = stays(feed(StayDetector(), values, rate_hz))
    assert stay.value == pytest.approx(23.37, abs=0.005)
    assert stay.from_us == pytest.approx(20e6, abs=0.02e6 + 1e6 / rate_hz)
    last_good_s = 20 + seconds - 1 / rate_hz
    assert lifted_us == pytest.approx(last_good_s * 1e6, abs=2)


def test_settled_needs_five_readings_and_as_many_as_cover_one_second():
    rng = np.random.default_rng(2)
    for rate_hz, at_least in ((2, 5), (5, 5), (20, 20), (100, 99)):
        happened = feed(StayDetector(), landing(rng, 9.1, 0.001, 6, rate_hz), rate_hz)
        assert happened[0].count >= at_least


@pytest.mark.parametrize("kind", ["wandering", "slow beat"])
@pytest.mark.parametrize("rate_hz", [1, 5, 20])
@pytest.mark.parametrize("sigma_v", [0.01, 0.03, 0.1])
def test_an_open_lead_never_settles(kind, rate_hz, sigma_v):
    """3,000 readings of pick-up of tens of millivolts, and of mains beating with the meter's own rate."""
    rng = np.random.default_rng(3)
    values = rng.normal(0, sigma_v, 3000)
    if kind == "slow beat":
        values = sigma_v * np.sin(2 * np.pi * 0.1 * np.arange(3000) / rate_hz) + rng.normal(0, 0.0005, 3000)
    assert feed(StayDetector(), values, rate_hz) == []


def test_zero_volts_settle_out_of_an_open_lead_that_reads_around_zero():
    rng = np.random.default_rng(4)
    values = np.concatenate([open_lead(rng, 20, 5), landing(rng, 0.0, 0.1, 5, 5, 0.0005)])
    (stay,), _ = stays(feed(StayDetector(), values, 5))
    assert stay.value == pytest.approx(0.0, abs=MV)
    assert stay.from_us >= 19.5e6


def test_the_mean_and_its_uncertainty_are_refined_as_in_the_gum():
    """JCGM 100:2008 (GUM) 4.2.3 and 4.3.7: u^2 = s^2 / n + resolution^2 / 12."""
    values = 15.0 + np.array([0, 1, -1, 0, 1, -1, 0, 0, 1, -1]) * MV
    happened = feed(StayDetector(), values, 2)
    last = happened[-1]
    assert last.count == 10
    assert last.value == pytest.approx(np.mean(values))
    assert last.uncertainty == pytest.approx(math.sqrt(np.var(values, ddof=1) / 10 + MV**2 / 12))


def test_an_exponential_with_far_to_go_is_still_settling():
    """First order (exact): 1 % is left at 4.6052 tau, 0.1 % at 6.9078 tau. With tau = 4 s nothing may be told early."""
    values = landing(np.random.default_rng(5), 20.0, 4.0, 60, 5, 0.0003, from_v=10.0)
    detector = StayDetector()
    first = next(
        (number / 5, happened[0])
        for number, value in enumerate(values)
        if (happened := detector.feed(number * 200_000, round(value, 3), Flag.NONE, MV))
    )
    at_s, settled = first
    assert at_s > 4.6052 * 4.0
    assert settled.value == pytest.approx(20.0, rel=0.003)


@pytest.mark.parametrize("tau_s", [0.02, 0.1, 0.3, 0.8])
def test_what_is_told_first_is_right(tau_s):
    rng = np.random.default_rng(6)
    wrong = 0
    for _ in range(40):
        value = rng.uniform(0.5, 40)
        happened = feed(StayDetector(), np.concatenate([open_lead(rng, 6, 5), landing(rng, value, tau_s, 8, 5)]), 5)
        assert happened
        wrong += abs(happened[0].value - value) > 0.004 * value + 2 * MV
    assert wrong == 0


def test_moving_to_another_value_lifts_after_two_readings_and_settles_there():
    rng = np.random.default_rng(7)
    values = np.concatenate([landing(rng, 23.37, 0.01, 4, 5), landing(rng, 9.1, 0.01, 4, 5)])
    (first, second), lifts = stays(feed(StayDetector(), values, 5))
    assert (round(first.value, 2), round(second.value, 2)) == (23.37, 9.1)
    assert lifts == [3_800_001]
    assert second.from_us == 4_000_000


def test_one_wild_reading_neither_lifts_nor_counts():
    values = np.full(20, 12.0)
    values[10] = 13.0
    (stay,), lifts = stays(feed(StayDetector(), values, 5))
    assert (stay.value, stay.count, lifts) == (12.0, 19, [])


def test_a_supply_that_creeps_within_its_tolerance_stays_one_stay():
    values = 37.0 + 0.003 * np.arange(150) / 5
    found, lifts = stays(feed(StayDetector(), values, 5))
    assert (len(found), lifts) == (1, [])


def test_an_invalid_reading_is_passed_over_and_half_a_second_of_them_lifts():
    detector = StayDetector()
    feed(detector, np.full(10, 5.0), 5)
    assert detector.feed(2_000_000, math.nan, Flag.NOT_A_NUMBER, MV) == []
    assert detector.feed(2_200_000, 5.0, Flag.NONE, MV)[0].count == 11
    told = [detector.feed(2_400_000 + n * 200_000, math.nan, Flag.NOT_A_NUMBER, MV) for n in range(8)]
    assert [happened for happened in told if happened] == [[Lifted(2_200_001)]]
    assert detector.state == "floating"


def test_a_long_silence_of_the_meter_ends_the_stay_at_its_last_reading():
    detector = StayDetector()
    feed(detector, np.full(10, 5.0), 5)
    assert detector.feed(20_000_000, 5.0, Flag.NONE, MV) == [Lifted(1_800_001)]


def test_overload_on_ohms_settles_as_such_and_on_volts_never():
    ohms, volts = StayDetector.of(Quantity.OHM), StayDetector.of(Quantity.DC_V)
    told = [ohms.feed(n * 250_000, math.nan, Flag.OVERLOAD, None) for n in range(8)]
    assert told[3] == []
    (settled,) = told[4]
    assert (settled.from_us, settled.count, settled.overload) == (0, 5, True)
    assert math.isnan(settled.value)
    assert told[7][0].count == 8
    assert ohms.feed(2_000_000, 330.0, Flag.NONE, 0.1) == [Lifted(1_750_001)]
    assert not any(volts.feed(n * 250_000, math.nan, Flag.OVERLOAD, None) for n in range(40))


def test_in_circuit_ohms_settle_out_of_an_open_lead():
    detector = StayDetector.of(Quantity.OHM)
    for n in range(20):
        detector.feed(n * 250_000, math.nan, Flag.OVERLOAD, None)
    found, _ = stays(feed(detector, np.full(10, 330.2), 4, resolution=0.1, start_s=5.0))
    assert [round(stay.value, 1) for stay in found if not stay.overload] == [330.2]


def test_a_new_mark_on_the_same_lead_settles_again_within_a_second():
    detector = StayDetector()
    feed(detector, np.full(20, 12.0), 5)
    detector.reset()
    assert detector.state != "settled"
    (settled, *_) = feed(detector, np.full(7, 12.0), 5, start_s=4.0)
    assert settled.from_us == 4_000_000
    assert settled.value == 12.0


def test_0_v_that_scatters_settles_as_soon_when_the_point_was_named_in_the_air():
    """What the lead did in the air is still known after the tags changed; forgotten, 27 of these 50 settle."""
    settled = 0
    for seed in range(50):
        rng, detector = np.random.default_rng(seed), StayDetector()
        feed(detector, open_lead(rng, 3, 10), 10)
        detector.reset()
        found, _ = stays(feed(detector, rng.normal(0, 2.5 * MV, 40), 10, start_s=3))
        settled += bool(found)
    assert settled >= 36


def test_a_mark_on_a_resting_probe_does_not_make_its_point_an_open_lead():
    rng, detector = np.random.default_rng(3), StayDetector()
    for start_s in range(3):
        feed(detector, rng.normal(0.4, 2 * MV, 8), 10, start_s=start_s)
        detector.reset()
    assert stays(feed(detector, rng.normal(0.4, MV, 20), 10, start_s=3))[0]


def test_after_a_mark_for_the_next_point_the_old_one_is_not_believed_again():
    detector = StayDetector()
    feed(detector, np.full(20, 12.0), 5)
    detector.reset(after_lift=True)
    assert feed(detector, np.full(30, 12.0), 5, start_s=4.0) == []
    (settled, *_) = feed(detector, np.full(10, 5.0), 5, start_s=10.0)
    assert settled.value == 5.0


def test_peak_to_peak_of_a_scope_settles_with_the_scatter_of_a_few_steps():
    rng = np.random.default_rng(8)
    lsb = 0.0156
    values = 0.77 + lsb * rng.integers(-2, 3, 12)
    happened = feed(StayDetector.of(Quantity.RIPPLE), values, 2, resolution=lsb)
    assert happened
    assert happened[-1].value == pytest.approx(0.77, abs=lsb)


def test_states_are_told_apart():
    rng = np.random.default_rng(9)
    detector = StayDetector()
    feed(detector, open_lead(rng, 10, 5), 5)
    assert detector.state == "floating"
    feed(detector, [23.3], 5, start_s=10.0)
    assert detector.state == "settling"
    feed(detector, np.full(8, 23.37), 5, start_s=10.2)
    assert detector.state == "settled"


def test_a_meter_that_tells_no_resolution_settles_all_the_same():
    detector = StayDetector()
    rng = np.random.default_rng(10)
    values = [round(float(v), 3) for v in 5.0 + rng.normal(0, 0.0008, 20)]
    happened = [h for n, v in enumerate(values) for h in detector.feed(n * 200_000, v, Flag.NONE, None)]
    assert happened[-1].value == pytest.approx(5.0, abs=0.001)


def lifts_for(seconds, rate_hz=10, back_v=12.0):
    """12 V for 3 s, an open lead for so long, then ``back_v`` for 3 s, through a filter of 0.05 s."""
    rng = np.random.default_rng(11)
    air = open_lead(rng, seconds, rate_hz)
    values = [landing(rng, 12.0, 0.05, 3, rate_hz), air, landing(rng, back_v, 0.05, 3, rate_hz)]
    return stays(feed(StayDetector(), np.concatenate(values), rate_hz))


@pytest.mark.parametrize("rate_hz", [5, 10, 50])
def test_a_probe_that_lifts_for_a_moment_has_not_left(rate_hz):
    found, lifts = lifts_for(0.4, rate_hz)
    assert (len(found), lifts) == (1, [])
    assert found[0].value == pytest.approx(12.0, abs=MV)


def test_a_probe_that_lifts_for_longer_or_lands_elsewhere_has():
    assert len(lifts_for(1.5)[0]) == 2
    (first, second), lifts = lifts_for(0.3, back_v=5.0)
    assert (round(first.value, 2), round(second.value, 2)) == (12.0, 5.0)
    assert lifts == [2_900_001]


def test_nothing_is_waited_for_when_something_else_is_said():
    detector = StayDetector()
    feed(detector, np.full(20, 12.0), 10)
    feed(detector, [0.02, -0.01, 0.03], 10, start_s=2.0)
    assert detector.let_go() == [Lifted(1_900_001)]
    assert detector.let_go() == []


def test_a_meter_that_shows_more_digits_than_it_resolves_settles_all_the_same():
    """Steps of 30 uV on a display of 10 uV: noise of a step looks like three."""
    rng = np.random.default_rng(12)
    values = np.round(rng.normal(0, 2e-5, 40) / 3e-5) * 3e-5
    (stay,), _ = stays(feed(StayDetector(), values, 10, resolution=1e-5))
    assert stay.value == pytest.approx(0.0, abs=1e-5)


def test_the_end_of_an_approach_does_not_stay_in_the_mean():
    """1 % of 20 V is left at the beginning, tau 0.8 s: over 20 s it would shift a plain mean by 8 mV."""
    values = 20.0 + 0.2 * np.exp(-np.arange(200) / 10 / 0.8) + np.random.default_rng(13).normal(0, 3e-4, 200)
    told = [h for h in feed(StayDetector(), values, 10) if isinstance(h, Settled)]
    assert told[-1].value == pytest.approx(20.0, abs=5e-4)


@pytest.mark.parametrize("rate_hz", [5, 10, 50])
def test_a_lead_that_does_not_wander_is_not_taken_for_0_v_again_and_again(rate_hz):
    """It reads 0.000 in the air: the first time nobody can know."""
    rng = np.random.default_rng(14)
    pieces = [np.zeros(2 * rate_hz)]
    for value in (12.0, 5.0, 3.3, 23.4, 9.1, 1.2):
        pieces += [landing(rng, value, 0.01, 3, rate_hz), np.zeros(3 * rate_hz)]
    found, _ = stays(feed(StayDetector(), np.concatenate(pieces), rate_hz))
    assert sorted(round(stay.value, 1) for stay in found)[-6:] == [1.2, 3.3, 5.0, 9.1, 12.0, 23.4]
    assert sum(abs(stay.value) < 0.1 for stay in found) <= 2


def test_a_slow_capacitor_is_not_taken_for_an_open_lead():
    """tau 4 s from 0.9 V to 0.6 V: the approach lasts for longer than what is remembered."""
    rng = np.random.default_rng(15)
    values = np.concatenate([open_lead(rng, 10, 10), landing(rng, 0.6, 4.0, 40, 10, 0.0002, from_v=0.9)])
    (stay,), _ = stays(feed(StayDetector(), values, 10, resolution=1e-4))
    assert stay.value == pytest.approx(0.6, abs=1e-3)
