import json
import math

import numpy as np
import pytest

from daemon.judge.switch_on import ORDER, judge_switch_on

LSB_V = {"s1": 0.16, "s2": 0.016, "s4": 0.08}
AFTER = {"s1": "s1_recout_after", "s2": "s2_after", "s4": "s4_after"}
BEFORE = {"s1": "s1_recout_before", "s2": "s2_before", "s4": "s4_before"}


@pytest.fixture
def judged(waveform, through_a_scope):
    """Judge a changed waveform as a scope would have caught it, against the healthy one."""

    def judge(repair, change=lambda v: v, *, of=AFTER, lsb_v=None, cut=slice(None), thin=1, **more):
        step_v = lsb_v or LSB_V[repair]
        healthy, dt_s = waveform(AFTER[repair])
        volts = change(waveform(of[repair])[0])
        reference = through_a_scope(healthy, dt_s, LSB_V[repair], seed=1), dt_s, 1.0
        record = through_a_scope(volts, dt_s, step_v, seed=2)[cut][::thin]
        on_s = 1.0 - (cut.start or 0) * dt_s
        more = {"on_uncertainty_s": 0.2, "reference": reference} | more
        return judge_switch_on(
            record, dt_s * thin, on_s=on_s, lowest_v=-128 * step_v, highest_v=127 * step_v, lsb_v=step_v, **more
        )

    return judge


@pytest.mark.parametrize(("repair", "ratio"), [("s1", 0.036), ("s4", 0.049)])
def test_a_starved_stage_is_missing_its_kick(judged, repair, ratio):
    """S1: 0.64 V instead of 17.7 V; S4: 0.30 V instead of 6.2 V."""
    verdict = judged(repair, of=BEFORE)
    assert verdict.verdict == "missing"
    assert verdict.ratio == pytest.approx(ratio, abs=0.004)
    assert verdict.ratio_low < ratio + 0.002
    assert verdict.ratio_high > ratio - 0.002
    assert verdict.probability > 0.99


@pytest.mark.parametrize("lsb_v", [0.016, 0.02])
def test_ripple_that_stays_after_a_healthy_kick_is_hum_that_follows(judged, lsb_v):
    """S2: 100 Hz, 10 mV peak to peak, less than one step of the converter: the noise dithers it."""
    verdict = judged("s2", of=BEFORE, lsb_v=lsb_v)
    assert (verdict.verdict, verdict.also) == ("hum follows", ("same",))
    assert verdict.hum_hz == pytest.approx(100, abs=0.6)
    assert verdict.hum_v == pytest.approx(0.0031, abs=0.0012)


def test_hum_is_seen_on_a_range_too_narrow_for_the_kick(judged):
    """4 mV steps: the kick of 1.5 V clips, so its size stays open, the hum does not."""
    verdict = judged("s2", of=BEFORE, lsb_v=0.004)
    assert (verdict.verdict, verdict.also) == ("hum follows", ("size uncertain",))
    assert "clipped" in verdict.why


@pytest.mark.parametrize("repair", ["s1", "s2", "s4"])
def test_a_repaired_unit_that_differs_a_little_is_the_same(judged, repair):
    def a_little_slower_and_smaller(volts):
        n = np.arange(len(volts))
        return 0.93 * np.interp(n / 1.04, n, volts)

    assert judged(repair).verdict == "same"
    verdict = judged(repair, a_little_slower_and_smaller)
    assert (verdict.verdict, verdict.also) == ("same", ())


@pytest.mark.parametrize("repair", ["s1", "s2", "s4"])
def test_half_is_smaller_twice_is_larger_and_nothing_is_missing(judged, repair):
    wide = 2.5 * LSB_V[repair]
    assert judged(repair, lambda v: v / 2).verdict == "smaller"
    assert judged(repair, lambda v: v * 2, lsb_v=wide).verdict == "larger"
    nothing = judged(repair, lambda v: v * 0)
    assert nothing.verdict == "missing"
    assert "would have stood out" in nothing.why


def test_a_size_between_the_limits_is_uncertain(judged):
    verdict = judged("s4", lambda v: v * 0.695, lsb_v=0.32)
    assert verdict.verdict == "size uncertain"
    assert verdict.ratio_low < 0.7 < verdict.ratio_high


@pytest.mark.parametrize("repair", ["s1", "s2", "s4"])
def test_a_record_that_ends_before_the_switch_on_has_observed_nothing(judged, repair):
    verdict = judged(repair, cut=slice(0, 900))
    assert (verdict.verdict, verdict.ratio) == ("not observed", None)
    assert verdict.coverage == 0


def test_a_record_that_begins_after_the_kick_has_not_observed_it_but_hears_the_hum(judged):
    """Dead time: the kick of S2 lasts 1.5 ms."""
    verdict = judged("s2", of=BEFORE, cut=slice(2400, None))
    assert (verdict.verdict, verdict.also) == ("not observed", ("hum follows",))
    assert "dead time" in verdict.why


def test_silence_on_a_range_too_coarse_is_not_observed(judged):
    """Half of 1.55 V for 1.5 ms in steps of 1.2 V: not to be seen."""
    verdict = judged("s2", lambda v: v * 0, lsb_v=1.2)
    assert verdict.verdict == "not observed"
    assert "noise" in verdict.why


def test_a_record_that_is_clipped_throughout_is_out_of_range():
    verdict = judge_switch_on(np.full(2000, 5.0), 1e-3, on_s=1.0, highest_v=5.0, lsb_v=0.04)
    assert verdict.verdict == "not observed"
    assert "range" in verdict.why


def test_an_output_that_ends_at_dc_never_settles(judged):
    verdict = judged("s4", lambda v: v + 5 * (np.arange(len(v)) > 300), lsb_v=0.16)
    assert verdict.verdict == "never settles"
    assert verdict.final_v == pytest.approx(5.0, abs=0.05)
    assert "ends at 5" in verdict.why


def test_motor_boating_never_settles(judged):
    verdict = judged("s4", lambda v: v + 0.8 * np.sin(2 * np.pi * 3 * np.arange(len(v)) * 1e-3), lsb_v=0.08)
    assert verdict.verdict == "never settles"


def test_a_kick_that_comes_late_is_late_and_otherwise_the_same(judged):
    def a_second_later(volts):
        return np.concatenate([np.zeros(1000), volts])

    verdict = judged("s4", a_second_later)
    assert (verdict.verdict, verdict.also) == ("late", ("same",))
    assert verdict.onset_s == pytest.approx(1.02, abs=0.05)
    unsure = judged("s4", a_second_later, on_uncertainty_s=1.0)
    assert unsure.verdict == "same"  # a key press is +-1 s: no late below that


def test_a_relay_that_opens_later_is_told(judged):
    verdict = judged("s4", lambda v: v + 0.6 * (np.arange(len(v)) > 2000))
    assert len(verdict.steps) == 1
    at_s, step_v = verdict.steps[0]
    assert (at_s, step_v) == (pytest.approx(2.0, abs=0.03), pytest.approx(0.6, abs=0.05))


def test_a_kick_the_other_way_round_is_said(judged):
    verdict = judged("s4", lambda v: -v)
    assert verdict.verdict == "same"
    assert "other way round" in verdict.why


@pytest.mark.parametrize("thin", [2, 3])
@pytest.mark.parametrize("repair", ["s1", "s4"])
def test_another_sampling_rate_than_the_references_makes_no_difference(judged, repair, thin):
    assert judged(repair, thin=thin).verdict == "same"
    assert judged(repair, of=BEFORE, thin=thin).verdict == "missing"


def test_hum_picked_up_by_the_leads_all_along_is_not_the_units(waveform, through_a_scope):
    volts, dt_s = waveform("s4_after")
    reference = through_a_scope(volts, dt_s, 0.08, seed=1), dt_s, 1.0
    record = through_a_scope(volts, dt_s, 0.08, seed=2)
    record = record + 0.1 * np.sin(2 * np.pi * 50.02 * np.arange(len(record)) * dt_s)
    verdict = judge_switch_on(record, dt_s, on_s=1.0, on_uncertainty_s=0.1, reference=reference, lsb_v=0.08)
    assert verdict.verdict == "same"
    assert verdict.hum_v == pytest.approx(0.1, rel=0.05)


def test_a_clipped_reference_gives_no_size(waveform, through_a_scope):
    volts, dt_s = waveform("s2_after")
    narrow = through_a_scope(volts, dt_s, 0.004, seed=1), dt_s, 1.0
    record = through_a_scope(volts, dt_s, 0.016, seed=2)
    verdict = judge_switch_on(
        record, dt_s, on_s=1.0, on_uncertainty_s=0.1, reference=narrow, reference_clipped=True, lsb_v=0.016
    )
    assert verdict.verdict == "size uncertain"
    assert "reference itself is clipped" in verdict.why


def test_without_a_reference_silence_is_never_called_missing(judged):
    verdict = judged("s4", lambda v: v * 0, reference=None)
    assert verdict.verdict == "not observed"
    assert "without a reference" in verdict.why


def test_without_a_reference_a_kick_is_told_but_not_judged(judged):
    verdict = judged("s2", reference=None)
    assert (verdict.verdict, verdict.ratio) == ("size uncertain", None)
    assert "no reference" in verdict.why
    assert judged("s2", of=BEFORE, reference=None).verdict == "hum follows"


def test_a_relays_delay_counts_where_there_is_no_reference(judged):
    verdict = judged("s2", reference=None, relay_delay_s=1.0)
    assert verdict.verdict == "not observed"
    assert "keeps this point quiet for 1 s" in verdict.why
    assert "look at a point before it" in verdict.why


def test_the_verdict_is_plain_json_and_the_first_that_is_true(judged):
    verdict = judged("s2", of=BEFORE)
    content = json.loads(json.dumps(verdict.as_dict(), allow_nan=False))
    assert content["verdict"] in ORDER
    assert ORDER.index(content["verdict"]) < min(ORDER.index(name) for name in content["also"])
    assert not math.isnan(content["coverage"])


def test_a_long_record_is_thinned_and_judged_all_the_same(waveform, through_a_scope):
    volts, dt_s = waveform("s1_recout_before")
    fine = np.interp(np.arange(len(volts) * 10) * dt_s / 10, np.arange(len(volts)) * dt_s, volts)
    record = through_a_scope(fine, dt_s / 10, 0.16, seed=3)
    healthy = through_a_scope(waveform("s1_recout_after")[0], dt_s, 0.16, seed=1)
    verdict = judge_switch_on(record, dt_s / 10, on_s=1.0, reference=(healthy, dt_s, 1.0), lsb_v=0.16)
    assert verdict.verdict == "missing"
