"""What the generic scope does beyond its conformance suite."""


import numpy as np
import pytest

from drivers.errors import DriverError
from tests.drivers import scripted
from tests.drivers.instruments import two_channel_scope


def test_a_record_is_stopped_read_and_run_again(bench):
    instrument = two_channel_scope()
    scope = bench("scope", instrument)
    instrument.heard.clear()
    first, second = scope.record()
    assert (first.channel, second.channel, second.coupling) == ("1", "2", "AC")
    assert instrument.heard.index(":STOP") < instrument.heard.index(":WAV:DATA?")
    scope.poll()
    assert ":RUN" in instrument.heard


def test_a_scope_that_was_stopped_stays_stopped_and_its_record_is_of_unknown_age(bench):
    instrument = two_channel_scope()
    instrument.answers["TRIG:STAT?"] = "STOP"
    scope = bench("scope", instrument)
    traces = scope.record()
    assert ":RUN" not in instrument.heard
    assert traces[0].t0_half_width_us >= 3_600_000_000
    assert any("how old" in remark for remark in scope.poll().remarks)


def test_a_scope_is_run_again_when_reading_it_failed(bench):
    instrument = two_channel_scope()
    scope = bench("scope", instrument)
    instrument.fault("WAV:DATA?", scripted.replaced_by(b"nonsense\n"))
    with pytest.raises(DriverError):
        scope.record()
    scope.poll()
    assert ":RUN" in instrument.heard


def test_volts_follow_from_codes_and_ends_of_the_converter_count_as_clipped(bench):
    """volts = (code - reference) * increment + origin: 0, 64, 128, 255 -> -5.12, -2.56, 0, 5.08 V."""
    trace = bench("scope", two_channel_scope()).poll().traces[0]
    np.testing.assert_allclose(trace.volts, [-5.12, -2.56, 0.0, 5.08])
    assert (trace.lowest_code, trace.highest_code, trace.clipped) == (0, 255, True)
    assert trace.dt_s == 1e-3


def test_when_the_time_base_rolls_the_last_sample_is_of_the_moment_of_the_stop(bench, clock):
    scope = bench("scope", two_channel_scope())
    before_us = clock.now_us()
    trace = scope.record()[0]
    assert trace.rolling
    assert before_us - trace.t0_half_width_us <= trace.t1_us <= clock.now_us()


def test_around_a_trigger_the_half_width_covers_a_record_of_earlier_by_its_own_length(bench, clock):
    instrument = two_channel_scope()
    instrument.answers["TIM:MODE?"] = "MAIN"
    instrument.answers["WAV:PRE?"] = "0,0,4,1,1.0,0,0,4.0E-2,0,128"  # four seconds long
    scope = bench("scope", instrument)
    trace = scope.poll().traces[0]
    assert not trace.rolling
    assert 2_000_000 <= trace.t0_half_width_us <= 2_500_000
    assert trace.t1_us + trace.t0_half_width_us >= clock.now_us() - 1_000_000


def test_only_shown_channels_are_read_unless_the_bench_file_names_them(bench):
    instrument = two_channel_scope()
    instrument.answers["CHAN1:DISP?"] = "0"
    assert [trace.channel for trace in bench("scope", instrument).poll().traces] == ["2"]
    assert [trace.channel for trace in bench("scope", instrument, channels=[1]).poll().traces] == ["1"]


def test_a_garbled_answer_that_looks_like_a_word_is_not_believed(bench):
    """Noise of a few bytes can spell a word: it counts when it comes twice, or when the dialect knows it."""
    instrument = two_channel_scope()
    instrument.answers["TRIG:STAT?"] = "RUN"
    scope = bench("scope", instrument)
    scope.poll()
    instrument.fault("TRIG:STAT?", scripted.replaced_by(b"QL:\n"))
    poll = scope.poll()
    assert poll.traces and any("TRIG:STAT? was answered QL:" in remark for remark in poll.remarks)


def test_a_word_that_no_dialect_lists_is_believed_when_it_comes_again(bench):
    instrument = two_channel_scope()
    instrument.answers["TRIG:STAT?"] = "HOLDOFF"
    scope = bench("scope", instrument)
    assert scope.poll().traces
    instrument.heard.clear()
    poll = scope.poll()
    assert poll.traces and not poll.remarks
    assert sum("STAT?" in heard for heard in instrument.heard) == 1
