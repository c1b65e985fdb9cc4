import numpy as np
import pytest
from scipy import signal, stats

from daemon.judge.capture import ready_capture, ready_reference
from daemon.judge.chance import threshold
from daemon.judge.course import smooth
from daemon.judge.detector import search
from daemon.judge.evidence import evidence_against, evidence_alone
from daemon.judge.slide import Shape, place_shape
from daemon.judge.trial import Record
from daemon.judge.whiten import Whitener, whitener_of

DT_S, N = 1e-3, 2500
TIMES_S = np.arange(N) * DT_S
RECORDS = 40


def kick(at_s, size):
    return size * np.where(at_s <= TIMES_S, np.exp(-(TIMES_S - at_s) / 0.02), 0.0)


def hum_that_begins(rng):
    mains_hz, on_s = 50 + rng.uniform(-0.2, 0.2), 1 + rng.uniform(-0.3, 0.3)
    tones = [rng.uniform(0.1, 1) * np.sin(2 * np.pi * k * mains_hz * TIMES_S + rng.uniform(0, 6)) for k in (1, 2, 3)]
    return np.where(on_s <= TIMES_S, rng.uniform(3, 15) * np.sum(tones, axis=0), 0.0)


def white(rng):
    return rng.normal(0, 1, N)


def remembering(rng):
    return signal.lfilter([1], [1, -0.5], white(rng))


def found_in(make, *, alone=False, count=RECORDS):
    healthy = ready_reference(kick(1.0, 100.0), DT_S, 1.0, DT_S)
    found = 0
    for seed in range(count):
        volts = np.round(make(np.random.default_rng(seed)))
        capture = ready_capture(volts, DT_S, 1.0, (0.5, 0.5), None, None, 1.0)
        evidence = evidence_alone(capture, 0.0) if alone else evidence_against(capture, healthy, 0.5, 0.1)
        found += evidence.found
    return found


@pytest.mark.parametrize("noise", [white, remembering, lambda rng: white(rng) + hum_that_begins(rng)])
def test_empty_records_raise_no_false_alarm(noise):
    """At one in a thousand, two false alarms in 40 records happen once in 1,300 runs (binomial)."""
    assert stats.binom.sf(1, RECORDS, 1e-3) < 1e-3
    assert found_in(noise) <= 1


def test_empty_records_raise_no_false_alarm_without_a_reference():
    assert found_in(lambda rng: white(rng) + hum_that_begins(rng), alone=True, count=10) == 0


def test_a_kick_of_nine_decibels_is_found_beneath_hum_that_begins():
    """Peak 2.8 sigma, decay 20 ms, hum of 3 to 15 sigma: detectability 9, threshold 5.2, so 999 of 1,000."""
    assert found_in(lambda rng: white(rng) + hum_that_begins(rng) + kick(1.2, 2.8)) >= RECORDS - 2


@pytest.mark.parametrize(("trials", "u"), [(5_000, 5.20), (1, 3.29)])
def test_the_threshold_is_the_two_sided_normal_one_shared_among_all_looks(trials, u):
    """u = Q^-1(Pfa / 2N); scipy.stats.norm is the reference, and 3.29 the tabulated 99.9 % point."""
    assert threshold(trials) == pytest.approx(stats.norm.isf(1e-3 / (2 * trials)), abs=1e-6)
    assert threshold(trials) == pytest.approx(u, abs=0.005)


def test_the_sums_agree_with_a_plain_least_squares_fit_at_one_origin():
    """numpy.linalg.lstsq on the whole model is the slow twin of the FFT route."""
    rng = np.random.default_rng(1)
    shape = Shape(np.concatenate([np.zeros(5), np.exp(-np.arange(200) / 30), [0.0]]), 5)
    volts = 3 * place_shape(shape, 700, 1500) + rng.normal(0, 0.2, 1500) + np.linspace(0, 1, 1500)
    seen = np.ones(1500, bool)
    seen[710:720] = False
    record = Record(volts, DT_S, seen, 0.0, 50.0)
    found = search(record, [shape], np.arange(600, 800), 640)
    hum = record.at_mains(found.mains_hz).tones.view(float)
    begins = np.where(np.arange(1500)[:, None] >= found.hum_begins, hum, 0.0)
    columns = [np.vander(np.linspace(-1, 1, 1500), 3), hum, begins]
    columns.append(place_shape(shape, found.origin, 1500)[:, None])
    weights = np.linalg.lstsq(np.hstack(columns)[seen], volts[seen], rcond=None)[0]
    assert found.origin == 700
    assert found.size == pytest.approx(weights[-1], rel=1e-9)
    assert found.found


def test_the_size_scatters_as_its_uncertainty_says():
    shape = Shape(np.append(np.exp(-np.arange(100) / 20), 0.0), 0)
    sizes, sds = [], []
    for seed in range(60):
        volts = 5 * place_shape(shape, 500, 1000) + np.random.default_rng(seed).normal(0, 1, 1000)
        record = Record(volts, DT_S, np.ones(1000, bool), 0.0, 50.0)
        found = search(record, [shape], np.array([500]), None)
        sizes.append(found.size)
        sds.append(found.sd)
    assert np.mean(sizes) == pytest.approx(5, abs=3 * np.mean(sds) / np.sqrt(60))
    assert np.std(sizes) == pytest.approx(np.mean(sds), rel=0.25)


def test_a_slow_shape_is_not_eaten_by_the_drift(waveform):
    """S1 rises for 0.6 s and decays for 2: a parabola would take most of it."""
    volts, dt_s = waveform("s1_recout_after")
    healthy = ready_reference(volts, dt_s, 0.0, dt_s)
    capture = ready_capture(volts, dt_s, 0.0, (0.0, 0.0), None, None, 0.1)
    evidence = evidence_against(capture, healthy, 0.5, 0.1)
    assert evidence.size.ratio == pytest.approx(1.0, abs=0.001)


def test_whitening_makes_remembering_noise_white():
    """AR(1) with 0.5: the best predictor is half of the neighbour (Yule-Walker), what is left is white."""
    noise = remembering(np.random.default_rng(2))
    whitener = whitener_of(noise)
    assert whitener.weights[1] == pytest.approx(-0.5, abs=0.07)
    left = whitener.apply(noise)[10:]
    assert abs(np.corrcoef(left[:-1], left[1:])[0, 1]) < 0.06
    assert len(whitener_of(white(np.random.default_rng(3))).weights) == 1


def test_whitening_keeps_off_what_was_not_seen():
    whitener = Whitener(np.array([1.0, -0.5, 0.1]))
    seen = np.ones(8, bool)
    seen[3] = False
    assert whitener.clear(seen).tolist() == [False, False, True, False, False, False, True, True]
    series = np.arange(8.0)
    assert whitener.apply(series)[2:].tolist() == np.convolve(series, whitener.weights)[2:8].tolist()


def test_smoothing_keeps_edges_and_quiets_the_rest():
    rng = np.random.default_rng(4)
    volts = np.where(np.arange(1000) >= 500, 10.0, 0.0) + rng.normal(0, 0.5, 1000)
    calm, _ = smooth(volts, 0.5)
    assert np.std(calm[100:450]) < 0.12
    assert calm[503] - calm[496] > 9
