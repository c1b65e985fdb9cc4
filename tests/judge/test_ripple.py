import json
import math

import numpy as np
import pytest

from daemon.command_line import main
from daemon.judge.hum import fit_hum, mains_frequency
from daemon.judge.noise import noise_sigma, robust_sigma
from daemon.judge.ripple import hum_of, peak_to_peak, ripple
from daemon.trace_file import ripple_of_file
from drivers.errors import TraceFileError
from drivers.readings import Trace

DT_S = 1 / 5000


def wave(kind, hz, seconds=0.4, peak_to_peak_v=1.0):
    phase = (np.arange(round(seconds / DT_S)) * DT_S * hz + 0.1) % 1
    return peak_to_peak_v * {"sine": np.sin(2 * np.pi * phase) / 2, "saw": phase, "square": (phase < 0.5) * 1.0}[kind]


def trace(codes, scale_v=0.01):
    return Trace(0, DT_S, np.asarray(codes, np.int16), scale_v, 0.0, "1")


@pytest.mark.parametrize(
    ("kind", "rms", "fundamental"),
    [("sine", 1 / math.sqrt(8), 0.5), ("saw", 1 / math.sqrt(12), 1 / math.pi), ("square", 0.5, 2 / math.pi)],
)
def test_rms_and_amplitude_at_twice_the_mains_are_those_of_fourier(kind, rms, fundamental):
    """Fourier series: a sawtooth of 1 V peak to peak has 1/pi V at its frequency and 1/sqrt(12) V rms."""
    found = ripple(wave(kind, 100.0), DT_S)
    assert found.rms_v == pytest.approx(rms, rel=0.01)
    assert found.at_2f_v == pytest.approx(fundamental, rel=0.02)
    assert found.at_f_v < 0.01
    assert found.peak_to_peak_v == pytest.approx(1.0, rel=0.05)


@pytest.mark.parametrize("hz", [49.8, 50.0, 50.13, 59.9, 60.0])
def test_the_mains_frequency_is_found(hz):
    volts = wave("saw", 2 * hz, 1.0) + np.random.default_rng(1).normal(0, 0.05, 5000)
    assert mains_frequency(volts, DT_S, np.ones(5000, bool)) == pytest.approx(hz, abs=0.02)


def test_one_diode_open_shows_at_the_mains_frequency_itself():
    hum = fit_hum(wave("sine", 50.0) + np.linspace(0, 3, 2000), DT_S)
    assert hum.strongest_hz == pytest.approx(50.0, abs=0.05)
    assert hum.strongest_v == pytest.approx(0.5, rel=0.02)


def test_the_uncertainty_of_an_amplitude_is_the_cramer_rao_bound():
    """Sine amplitude in white noise (IEEE Std 1057): var A = 2 sigma^2 / N."""
    rng = np.random.default_rng(2)
    t = np.arange(1000) * 1e-3
    found = [fit_hum(np.sin(2 * np.pi * 100 * t) + rng.normal(0, 0.1, 1000), 1e-3, mains_hz=50.0) for _ in range(200)]
    assert np.std([hum.at_2f_v for hum in found]) == pytest.approx(0.1 * math.sqrt(2 / 1000), rel=0.15)
    assert found[0].uncertainty_v == pytest.approx(0.1 * math.sqrt(2 / 1000), rel=0.1)


def test_less_than_a_mains_period_has_no_ripple():
    assert ripple(wave("saw", 100.0, 0.015), DT_S) is None


def test_peak_to_peak_passes_over_a_single_wild_sample():
    codes = np.tile([0, 0, 0, 50, 50, 50], 50)
    assert peak_to_peak(trace(codes)) == (pytest.approx(0.5), 0.01)
    codes[100] = 127
    assert peak_to_peak(trace(codes))[0] == pytest.approx(0.5)


def test_peak_to_peak_of_no_samples_is_no_number():
    assert math.isnan(peak_to_peak(trace([]))[0])


@pytest.mark.parametrize("noise_lsb", [0.4, 0.5, 1.0, 3.0])
def test_noise_about_as_large_as_the_steps_is_not_underrated(noise_lsb):
    """Quantisation adds 1/12 of a step squared: sigma^2 = noise^2 + LSB^2 / 12 (dithered quantiser)."""
    rng = np.random.default_rng(3)
    stepped = np.round(rng.normal(0, noise_lsb, 4000))
    truth = math.sqrt(noise_lsb**2 + 1 / 12)
    assert robust_sigma(stepped, 1.0, 0.0) == pytest.approx(truth, rel=0.1)
    assert noise_sigma(stepped, 1.0) == pytest.approx(truth, rel=0.1)


def test_a_third_of_foreign_samples_does_not_pass_for_noise():
    rng = np.random.default_rng(4)
    values = np.concatenate([rng.normal(0, 1, 2000), rng.uniform(20, 80, 900)])
    assert robust_sigma(values, 0.0, 0.0) < 2.5


def test_noise_is_never_below_what_the_steps_make():
    """LSB / sqrt(12) (uniform quantisation error)."""
    assert noise_sigma(np.zeros(100), 0.1) == pytest.approx(0.1 / math.sqrt(12))


def test_a_kick_does_not_hide_the_frequency_of_small_hum():
    """1.5 V for 1.5 ms in the middle, 100 Hz of 3 mV, noise of 9 mV, 5 s at 2 kS/s: the kick holds all frequencies."""
    t = np.arange(10_000) * 5e-4
    for seed in range(5):
        volts = np.random.default_rng(seed).normal(0, 0.009, 10_000) + 0.0032 * np.sin(2 * np.pi * 100 * t) * (t > 2.5)
        volts[5000:5003] = -1.5
        assert mains_frequency(volts, 5e-4, np.ones(10_000, bool)) == pytest.approx(50.0, abs=0.1)


def test_the_harmonics_of_a_file_are_those_of_fourier(tmp_path, capsys):
    """A square wave has 4 / (n pi) of its amplitude at odd harmonics: of 1 Vpp 0.4502, 0.1501, 0.0900 V rms."""
    volts = wave("square", 50.0, 1.0)
    path = tmp_path / "square.csv"
    path.write_text("t_s,v\n" + "\n".join(f"{n * DT_S:.6f},{v:.4f}" for n, v in enumerate(volts)))
    assert main(["ripple", str(path), "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    odd = [found["harmonics_rms_v"][n] for n in (0, 2, 4)]
    assert odd == pytest.approx([math.sqrt(2) / (n * math.pi) for n in (1, 3, 5)], rel=0.02)
    assert max(found["harmonics_rms_v"][n] for n in (1, 3, 5)) < 0.01
    assert main(["ripple", str(path)]) == 0
    assert "50.00 Hz: 450" in capsys.readouterr().out


def test_a_file_shorter_than_a_mains_period_says_so(tmp_path):
    path = tmp_path / "short.csv"
    path.write_text("t_s,v\n" + "\n".join(f"{n * 1e-5:.6f},{n}" for n in range(100)))
    with pytest.raises(TraceFileError, match="shorter than one period"):
        ripple_of_file(path)


def test_the_end_of_a_trace_is_enough_for_the_screen():
    volts = wave("sine", 100.0, 4.0, 0.5)
    found = hum_of(trace(np.round(volts / 0.01)))
    assert found.harmonics_rms_v[1] == pytest.approx(0.25 / math.sqrt(2), rel=0.02)
    assert found.harmonics_rms_v[0] < 0.005
    assert hum_of(trace([1, 2, 3])) is None


@pytest.mark.parametrize("seed", range(20))
def test_noise_has_no_mains_frequency(seed):
    assert hum_of(trace(np.round(np.random.default_rng(seed).normal(0, 3, 4000)))) is None
