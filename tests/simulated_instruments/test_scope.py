"""The scope: preamble and block agree, both channels are of one instant, and records are the unit's own waveforms."""

import numpy as np
import pytest

from simulated_instruments.instruments.digitising import noise_lsb

FIELDS = (
    "format", "type", "points", "count", "xincrement",
    "xorigin", "xreference", "yincrement", "yorigin", "yreference",
)  # fmt: skip


@pytest.fixture
def scope(bench):
    return bench.instrument("scope")


def turn(bench, **knobs):
    names = {"s_div": "s/div", "v1": "V/div 1", "v2": "V/div 2", "c1": "coupling 1", "c2": "coupling 2"}
    for knob, position in knobs.items():
        bench.ask(do="knob", instrument="scope", knob=names[knob], position=position)


def preamble(scope, channel):
    text = scope(f":WAV:SOUR CHAN{channel};PRE?")
    return dict(zip(FIELDS, (float(field) for field in text.split(",")), strict=True))


def codes(scope):
    block = scope.raw(":WAVeform:DATA?")
    digits = int(block[1:2])
    count = int(block[2 : 2 + digits])
    assert block[:1] == b"#" and block[-1:] == b"\n" and len(block) == 2 + digits + count + 1
    return np.frombuffer(block[2 + digits : -1], np.uint8)


def record(scope, channel):
    """(seconds from the stop, volts) of one channel."""
    p = preamble(scope, channel)
    data = codes(scope)
    assert len(data) == p["points"]
    seconds = (np.arange(len(data)) - p["xreference"]) * p["xincrement"] + p["xorigin"]
    return seconds, (data - p["yreference"]) * p["yincrement"] + p["yorigin"]


def test_a_block_is_as_long_as_its_preamble_says(bench, scope):
    """IEEE 488.2, 8.7.9: the count is exact, whatever bytes are inside."""
    bench.turn(6.0)
    seconds, _ = record(scope, 1)
    assert len(seconds) == 10_000
    assert scope(":TIM:MODE?;:ACQ:POIN?;:ACQ:SRAT?") == "ROLL;10000;+2.000000E+03"


def test_a_rolling_record_ends_at_the_moment_of_stop(bench, scope):
    bench.turn(6.0)
    scope(":STOP")
    bench.turn(3.0)
    seconds, _ = record(scope, 1)
    assert -0.0005 < seconds[-1] <= 0
    assert seconds[0] == pytest.approx(-5.0, abs=0.001)


def test_after_stop_both_channels_belong_to_one_instant(bench, scope):
    turn(bench, v1=2.0, v2=2.0)
    for probe in ("scope A", "scope B"):
        bench.ask(do="touch", probe=probe, thing="MAIN OUT")
    bench.turn(6.0)
    bench.ask(do="power", on=True)
    bench.turn(0.5)
    scope(":STOP")
    one = record(scope, 1)
    bench.turn(2.0)
    two = record(scope, 2)
    assert np.array_equal(one[0], two[0])
    assert one[1].argmin() == pytest.approx(two[1].argmin(), abs=2)
    assert scope(":TRIG:STAT?") == "STOP"


def test_the_switch_on_kick_is_where_and_as_high_as_the_waveform_says(bench, scope):
    turn(bench, v1=0.5)
    bench.ask(do="touch", probe="scope A", thing="MAIN OUT")
    bench.turn(6.0)
    bench.ask(do="power", on=True)
    bench.turn(2.0)
    scope(":STOP")
    seconds, volts = record(scope, 1)
    kick = volts < -0.7
    assert seconds[kick][0] == pytest.approx(-2.0, abs=0.002)
    assert kick.sum() in (3, 4)
    assert volts.min() == pytest.approx(-1.55, abs=0.06)
    assert np.std(volts[:4000]) < 0.02


def test_running_again_shows_the_new_record(bench, scope):
    bench.turn(6.0)
    scope(":STOP")
    before = codes(scope)
    bench.ask(do="touch", probe="scope A", thing="+15")
    bench.ask(do="power", on=True)
    bench.turn(1.0)
    assert np.array_equal(codes(scope), before)
    scope(":RUN")
    assert not np.array_equal(codes(scope), before)


def test_overlapping_records_have_the_same_samples(bench, scope):
    """Noise belongs to a sample, not to the asking: a record can be joined to the next one."""
    turn(bench, v1=0.5)
    bench.turn(6.0)
    first = codes(scope)
    bench.turn(0.5)
    second = codes(scope)
    assert np.array_equal(first[1000:], second[:-1000])


def test_noise_is_half_a_step_and_the_same_for_the_same_sample():
    """Mean and spread of a normal sample of n: within 4 sigma / sqrt(n)."""
    noise = noise_lsb(1, 1, 5000, 40_000)
    assert abs(noise.mean()) < 4 * 0.5 / 200
    assert abs(noise.std() - 0.5) < 4 * 0.5 / 283
    assert np.array_equal(noise_lsb(1, 1, 5500, 100), noise[500:600])


def test_volts_beyond_the_screen_clip_at_the_ends_of_the_codes(bench, scope):
    bench.ask(do="touch", probe="scope A", thing="+15")
    bench.ask(do="touch", probe="scope B", thing="-15")
    bench.ask(do="power", on=True)
    turn(bench, v1=1.0, v2=1.0)
    bench.turn(6.0)
    scope(":STOP")
    preamble(scope, 1)
    assert set(codes(scope)[-100:]) == {255}
    preamble(scope, 2)
    assert set(codes(scope)[-100:]) == {0}


@pytest.mark.parametrize(
    ("thing", "v_div", "vpp"),
    [("MAIN OUT", 0.005, 0.0113), ("VP", 0.5, 0.7683), ("VN", 5.0, 12.07), ("-15", 1.0, 3.76)],
)
def test_ripple_on_a_coupled_channel_is_the_log_s_within_three_per_cent_of_range(bench, scope, thing, v_div, vpp):
    bench.ask(do="power", on=True)
    bench.turn(5.0)
    turn(bench, s_div=0.005, v2=v_div, c2="AC")
    bench.ask(do="touch", probe="scope B", thing=thing)
    bench.turn(1.0)
    scope(":STOP")
    assert scope(":TIM:MODE?;:CHAN2:COUP?") == "MAIN;AC"
    _, volts = record(scope, 2)
    assert np.ptp(volts) == pytest.approx(vpp, abs=0.03 * 8 * v_div)
    assert abs(volts.mean()) < 0.03 * 8 * v_div


def test_the_ripple_is_at_twice_the_mains(bench, scope):
    bench.ask(do="power", on=True)
    bench.ask(do="touch", probe="scope B", thing="VN")
    turn(bench, s_div=0.5, v2=2.0, c2="AC")
    bench.turn(8.0)
    _, volts = record(scope, 2)
    spectrum = np.abs(np.fft.rfft(volts - volts.mean()))
    assert np.fft.rfftfreq(len(volts), 0.0005)[spectrum.argmax()] == pytest.approx(100.0, abs=0.2)


def test_an_open_lead_picks_up_the_mains_and_is_never_still(bench, scope):
    """Five looks always spread by a good part of their mean: nobody takes it for ripple on a rail."""
    turn(bench, s_div=0.005, v2=0.02)
    seen = []
    for _ in range(40):
        bench.turn(0.5)
        seen.append(np.ptp(record(scope, 2)[1]))
    assert min(seen) > 0.01 and max(seen) < 0.13
    assert min(max(seen[i : i + 5]) - min(seen[i : i + 5]) for i in range(36)) > 0.2 * np.mean(seen)


def test_the_bias_oscillator_is_seen_at_a_fast_sweep(bench_of):
    bench = bench_of("cassette")
    scope = bench.instrument("scope")
    bench.ask(do="power", on=True)
    bench.ask(do="touch", probe="scope B", thing="Q305 C")
    turn(bench, s_div=5e-6, v2=5.0, c2="AC")
    bench.turn(2.0)
    seconds, volts = record(scope, 2)
    crossings = np.flatnonzero((volts[:-1] < 0) & (volts[1:] >= 0))
    rising_s = seconds[crossings[np.diff(crossings, prepend=-100) > 50]]
    assert (len(rising_s) - 1) / (rising_s[-1] - rising_s[0]) == pytest.approx(88200, rel=0.02)
    assert np.ptp(volts) == pytest.approx(21.7, abs=1.2)


def test_a_turned_knob_clears_the_record(bench, scope):
    bench.turn(6.0)
    turn(bench, v1=1.0)
    bench.turn(0.25)
    assert preamble(scope, 1)["points"] == pytest.approx(500, abs=2)


def test_a_channel_that_is_not_there_is_a_suffix_out_of_range(scope):
    """SCPI-99 vol. 2, 21.8.9 (from memory): -114."""
    assert scope(":CHAN3:COUP?") == ""
    assert scope("SYST:ERR?").startswith("-114,")


def test_each_waveform_sent_is_counted_by_channel(bench, scope):
    bench.turn(1.0)
    scope(":STOP")
    for channel in (1, 2, 2):
        scope(f":WAV:SOUR CHANnel{channel}")
        scope.instrument.count_sent(scope.instrument.answer(b":WAV:DATA?").sent)
    assert scope("DIAG:COUN?") == '"1 ripple_vpp",1,"2 ripple_vpp",2'
