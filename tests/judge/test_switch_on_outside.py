"""The switch-on judging against what others measured and derived: seismic pickers, step responses, real appliances."""

import gzip
import math
import os
import warnings
from pathlib import Path

import numpy as np
import pytest

from daemon.judge.course import course_of, later_steps
from daemon.judge.onset import aic_of_halves
from daemon.judge.switch_on import judge_switch_on

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # while it is imported obspy looks its plug-ins up in a way that Python deprecates
    import obspy
    from obspy.signal.trigger import aic_simple, ar_pick, pk_baer

RECORDINGS = Path(obspy.__file__).parent / "signal" / "tests" / "data"
WITHIN_S = 0.02
RATE_HZ = 200.0
# Damping, overshoot in per cent, 2 % settling x natural frequency of a second-order step response (K. Ogata, Modern
# Control Engineering, ch. 5; settling where the response itself is within 2 % for good, not 4 / zeta).
BY_FORMULA = [
    (0.2, 52.6621, 19.602),
    (0.5, 16.3034, 8.076),
    (0.7, 4.5988, 5.979),
]


def our_onset_s(volts, rate_hz, around_s, before_s, after_s):
    """Onset in a cut around a moment, seconds of the whole recording; where it is within the cut is not told."""
    first = round((around_s - before_s) * rate_hz)
    cut = volts[first : round((around_s + after_s) * rate_hz)].astype(np.float64)
    middle_s = len(cut) / rate_hz / 2
    told = judge_switch_on(cut, 1 / rate_hz, on_s=middle_s, on_uncertainty_s=middle_s)
    return first / rate_hz + middle_s + told.onset_s


@pytest.mark.parametrize(("before_s", "after_s"), [(2, 0.5), (2, 1), (3, 2), (5, 2)])
def test_an_onset_is_where_baer_and_kradolfer_s_picker_has_it(before_s, after_s):
    """obspy's ``pk_baer`` on its own recording gives sample 17545 (so says its own test)."""
    with gzip.open(RECORDINGS / "manz_waldk.a01.gz") as file:
        volts = np.loadtxt(file, dtype=np.float32)
    pick, _ = pk_baer(volts, RATE_HZ, 20, 60, 7.0, 12.0, 100, 100)
    assert pick == 17545
    assert our_onset_s(volts, RATE_HZ, pick / RATE_HZ, before_s, after_s) == pytest.approx(pick / RATE_HZ, abs=WITHIN_S)


@pytest.mark.parametrize(("before_s", "after_s"), [(2, 0.5), (2, 1), (3, 2)])
def test_an_onset_is_where_an_autoregressive_picker_has_it(before_s, after_s):
    """obspy's ``ar_pick`` on its own recording of three components; ours sees the vertical one alone."""
    z, n, e = (np.loadtxt(RECORDINGS / f"loc_RJOB20050801145719850.{c}", dtype=np.float32) for c in "zne")
    pick_s, _ = ar_pick(z, n, e, RATE_HZ, 1.0, 20.0, 1.0, 0.1, 4.0, 1.0, 2, 8, 0.1, 0.2)
    assert our_onset_s(z, RATE_HZ, pick_s, before_s, after_s) == pytest.approx(pick_s, abs=WITHIN_S)


def test_the_criterion_is_that_of_a_reference_library():
    """obspy's ``aic_simple``, N. Maeda (1985); it leaves the two ends out."""
    series = np.random.default_rng(0).normal(size=200) * np.repeat([1.0, 4.0], [120, 80])
    np.testing.assert_allclose(aic_of_halves(series)[1:-1], aic_simple(series)[1:-2], rtol=1e-6)


def settled_and_peak(response, dt_s):
    """What the course reads off a response: settling time to 2 % of its final value, and its peak."""
    course = course_of(response, dt_s, 0, 0.0, (0.0, 0.0))
    return course.settled_at * dt_s, course.peak_v, course.final_v


@pytest.mark.parametrize("tau_s", [0.02, 0.1])
def test_a_first_order_step_settles_after_its_time_constants(tau_s):
    """1 - exp(-t / tau) is within 2 % at ln(50) tau = 3.912 tau."""
    dt_s = tau_s / 200
    times_s = np.arange(0, 30 * tau_s, dt_s)
    settled_s, _, final_v = settled_and_peak(10 * (1 - np.exp(-times_s / tau_s)), dt_s)
    assert settled_s == pytest.approx(math.log(50) * tau_s, abs=2 * dt_s)
    assert final_v == pytest.approx(10, rel=1e-3)


@pytest.mark.parametrize(("zeta", "overshoot_percent", "settling"), BY_FORMULA)
def test_a_second_order_step_overshoots_and_settles_as_the_formulas_say(zeta, overshoot_percent, settling):
    wn = 20.0
    wd = wn * math.sqrt(1 - zeta**2)
    dt_s = 1e-4
    times_s = np.arange(0, 6, dt_s)
    envelope = np.exp(-zeta * wn * times_s)
    response = 1 - envelope * (np.cos(wd * times_s) + zeta / math.sqrt(1 - zeta**2) * np.sin(wd * times_s))
    settled_s, peak_v, final_v = settled_and_peak(10 * response, dt_s)
    assert 100 * (peak_v / final_v - 1) == pytest.approx(overshoot_percent, abs=0.02)
    # Settled is within 2 % of the peak, which stands higher than the final value by the overshoot.
    share = 0.02 * peak_v / 10
    by_envelope_s = times_s[np.flatnonzero(np.abs(response - 1) > share)[-1]]
    assert settled_s == pytest.approx(by_envelope_s, abs=2 * dt_s)
    if overshoot_percent < 10:
        assert settled_s * wn == pytest.approx(settling, rel=0.02)


def test_a_later_step_is_told_by_its_states_and_its_middle():
    """IEEE Std 181: a transition leads from state level to state level; its instant is that of the 50 % reference."""
    dt_s = 1e-3
    times_s = np.arange(0, 6, dt_s)
    ramp_s, middle_s, low_v, high_v = 0.02, 3.5, 0.1, 0.8
    volts = np.interp(times_s, [0, middle_s - ramp_s / 2, middle_s + ramp_s / 2, 6], [low_v, low_v, high_v, high_v])
    volts += np.random.default_rng(2).normal(0, 1e-3, len(volts))
    course = course_of(volts - low_v, dt_s, 0, 1e-3, (0.0, 0.0))
    ((at_s, step_v),) = later_steps(course, dt_s, 500, 600)
    assert at_s == pytest.approx(middle_s - 0.5, abs=ramp_s / 2)
    assert step_v == pytest.approx(high_v - low_v, abs=0.01)


OPEN_DATA = os.environ.get("PROBETRAIL_OPEN_DATA")
needs_open_data = pytest.mark.skipif(
    OPEN_DATA is None, reason="PROBETRAIL_OPEN_DATA names no folder with the open data of real appliances"
)


def appliance(name, around, before_s, after_s):
    """Active power around a moment of the day, watts at even seconds; seconds without a reading are not a number."""
    watts = {}
    (path,) = Path(OPEN_DATA, "switch-on-power").glob(f"*{name}*.csv")
    for line in path.read_text().splitlines():
        when, one_s, _ = line.split(";")
        hours, minutes, seconds = map(int, when.split()[1].split(":"))
        watts[3600 * hours + 60 * minutes + seconds] = float(one_s)
    hours, minutes, seconds = map(int, around.split(":"))
    middle = 3600 * hours + 60 * minutes + seconds
    return np.array([watts.get(second, math.nan) for second in range(middle - before_s, middle + after_s)])


@needs_open_data
@pytest.mark.parametrize(
    ("name", "around", "least_w"),
    [("complete_Amplifier", "10:45:27", 60), ("CRT", "17:12:36", 60), ("HifiAmplifier", "13:54:30", 40)],
)
def test_a_real_appliance_s_switch_on_is_seen_when_it_was(name, around, least_w):
    """Tracebase (A. Reinhardt et al., SustainIT 2012; Open Database License 1.0), one reading a second."""
    watts = appliance(name, around, 60, 60)
    told = judge_switch_on(watts, 1.0, on_s=60, on_uncertainty_s=20)
    assert told.verdict != "not observed"
    assert told.onset_s == pytest.approx(0, abs=3)
    assert told.ratio is None  # nothing to compare with
    assert np.nanmax(watts) >= least_w


@needs_open_data
def test_a_real_appliance_that_stayed_off_is_never_said_to_have_come_on():
    """An hour earlier the amplifier draws nothing; its own switch-on is the reference."""
    kick = appliance("complete_Amplifier", "10:45:27", 5, 60)
    told = judge_switch_on(
        appliance("complete_Amplifier", "09:30:00", 60, 60),
        1.0,
        on_s=60,
        on_uncertainty_s=5,
        reference=(np.nan_to_num(kick, nan=0.0), 1.0, 5.0),
    )
    assert told.verdict in ("missing", "not observed", "never settles")
    assert not {"same", "smaller", "larger"} & {told.verdict, *told.also}
