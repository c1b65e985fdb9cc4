import json

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.trace_file import judge_trace_file, read_trace_csv
from drivers.errors import TraceFileError
from tests.judge.conftest import DATA


def csv_of(times_s, volts):
    return "t_s,volt\n" + "\n".join(f"{t:.6f},{v:.6g}" for t, v in zip(times_s, volts, strict=True))


def test_further_columns_blank_lines_and_a_mark_at_the_start_are_passed_over():
    rows = "\n".join(f"{n / 1000:.4f},{n},7,x" for n in range(60))
    times_s, volts = read_trace_csv(f"\ufefft_s,main_out,rail,note\r\n\n{rows}\n\n", "a.csv")
    assert volts.tolist() == list(range(60))
    assert times_s[-1] == pytest.approx(0.059)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "line 1: the first column must be headed t_s, not nothing"),
        ("time,volt\n0,1\n", "not 'time': write t_s,volts there"),
        ("t_s\n0\n", "line 1: a second column"),
        ("t_s,v\n" + "0,1\n" * 3, "3 samples are too few"),
        (csv_of(np.arange(60) / 1000, np.ones(60)).replace("0.004000,1", "0.004000,abc"), "line 6: '0.004000', 'abc'"),
        (csv_of(np.arange(60) / 1000, np.ones(60)).replace("0.004000,1", "0.004000"), "line 6: time and volts"),
        (csv_of(np.arange(60) / 1000, np.ones(60)).replace("0.004000,1", "0.004000,nan"), "line 6: not a finite"),
        (csv_of(np.arange(60)[::-1] / 1000, np.ones(60)), "line 3: time does not go on"),
        (csv_of(np.sort(np.r_[np.arange(60), 10.1]) / 1000, np.ones(61)), "write the record with even steps"),
    ],
)
def test_each_mistake_names_its_line_and_the_cure(text, says):
    with pytest.raises(TraceFileError, match=r"a\.csv") as caught:
        read_trace_csv(text, "a.csv")
    assert says in str(caught.value)


def test_jittering_times_are_brought_to_even_steps():
    rng = np.random.default_rng(1)
    times_s = (np.arange(500) + rng.uniform(-0.2, 0.2, 500)) / 1000
    even_s, even_v = read_trace_csv(csv_of(times_s, np.sin(20 * times_s)), "a.csv")
    assert np.ptp(np.diff(even_s)) < 1e-9
    assert np.abs(even_v - np.sin(20 * even_s)).max() < 1e-3


def test_a_gap_is_kept_as_a_gap():
    times_s = np.concatenate([np.arange(100), np.arange(200, 300)]) / 1000
    even_s, even_v = read_trace_csv(csv_of(times_s, np.ones(200)), "a.csv")
    assert len(even_s) == 300
    assert np.isnan(even_v[101:199]).all()
    assert np.isfinite(even_v[:99]).all()


@given(st.text(max_size=300))
def test_any_text_is_a_record_or_a_trace_file_error(text):
    try:
        times_s, volts = read_trace_csv("t_s,v\n" + text, "a.csv")
        assert len(times_s) == len(volts)
    except TraceFileError as error:
        assert "a.csv" in str(error)


@pytest.mark.parametrize(
    ("trace", "reference", "verdict", "ratio"),
    [
        ("s1_recout_before", "s1_recout_after", "missing", 0.0363),
        ("s4_before", "s4_after", "missing", 0.0486),
        ("s2_before", "s2_after", "hum follows", 1.0),
        ("s1_recout_after", "s1_recout_after", "same", 1.0),
        ("s2_after", "s2_after", "same", 1.0),
        ("s4_after", "s4_after", "same", 1.0),
    ],
)
def test_the_verdict_on_files_that_begin_at_the_switch_on(trace, reference, verdict, ratio):
    answer = judge_trace_file(DATA / f"{trace}.csv", DATA / f"{reference}.csv")
    assert answer["verdict"] == verdict
    assert answer["ratio"] == pytest.approx(ratio, abs=0.01 if ratio == 1 else 0.0006)
    assert "does not say when the unit was switched on" in answer["why"]
    keys = {"verdict", "also", "ratio", "onset_s", "final_v", "hum_v", "coverage", "why"}
    assert keys <= json.loads(json.dumps(answer, allow_nan=False)).keys()


def test_a_file_with_time_before_zero_is_switched_on_at_zero(tmp_path, waveform, through_a_scope):
    volts, dt_s = waveform("s4_before")
    record = through_a_scope(volts, dt_s, 0.08)
    path = tmp_path / "trace.csv"
    path.write_text(csv_of(np.arange(len(record)) * dt_s - 1.0, record), "utf-8")
    answer = judge_trace_file(path, DATA / "s4_after.csv")
    assert answer["verdict"] == "missing"
    assert "Switch-on taken as t_s = 0." in answer["why"]


def shifted(tmp_path, waveform, through_a_scope):
    """A healthy record on a clock of its own: its first sample is 100 s, the switch-on 101.5 s."""
    volts, dt_s = waveform("s4_after")
    record = through_a_scope(np.concatenate([np.zeros(round(0.5 / dt_s)), volts]), dt_s, 0.5)
    path = tmp_path / "trace.csv"
    path.write_text(csv_of(100 + np.arange(len(record)) * dt_s, record), "utf-8")
    return path


def test_the_switch_on_can_be_told(tmp_path, waveform, through_a_scope):
    path = shifted(tmp_path, waveform, through_a_scope)
    answer = judge_trace_file(path, DATA / "s4_after.csv", 101.5, 0.05)
    assert answer["verdict"] == "same"
    assert "Switch-on as told: t_s = 101.5, +-0.05 s." in answer["why"]
    assert answer["onset_low_s"] - 0.01 <= answer["onset_s"] <= answer["onset_high_s"] + 0.01
    late = judge_trace_file(path, DATA / "s4_after.csv", 100.6, 0.05)
    assert late["verdict"] == "late"
    assert late["late_by_s"] == pytest.approx(0.9, abs=0.02)


def test_what_is_not_known_better_than_that_is_not_called_late(tmp_path, waveform, through_a_scope):
    path = shifted(tmp_path, waveform, through_a_scope)
    assert judge_trace_file(path, DATA / "s4_after.csv", 100.6, 1.0)["verdict"] == "same"


def test_a_switch_on_told_after_the_end_was_not_observed(tmp_path, waveform, through_a_scope):
    path = shifted(tmp_path, waveform, through_a_scope)
    answer = judge_trace_file(path, DATA / "s4_after.csv", 200.0, 0.05)
    assert answer["verdict"] == "not observed"
    assert "ends before the switch-on" in answer["why"]


def test_a_switch_on_told_long_before_the_record_was_not_observed(tmp_path, waveform, through_a_scope):
    path = shifted(tmp_path, waveform, through_a_scope)
    assert judge_trace_file(path, DATA / "s4_after.csv", 50.0, 0.05)["verdict"] == "not observed"


def test_without_a_reference_nothing_is_missing():
    assert judge_trace_file(DATA / "s1_recout_before.csv")["verdict"] == "size uncertain"


def test_a_gap_over_the_kick_is_not_observed(tmp_path, waveform):
    volts, dt_s = waveform("s2_after")
    times_s = np.arange(-400, len(volts)) * dt_s
    kept = (times_s < -0.15) | (times_s > 0.15)
    path = tmp_path / "gap.csv"
    path.write_text(csv_of(times_s[kept], np.concatenate([np.zeros(400), volts])[kept]), "utf-8")
    assert judge_trace_file(path, DATA / "s2_after.csv")["verdict"] == "not observed"


def test_a_file_that_is_not_there_is_one_of_our_errors(tmp_path):
    with pytest.raises(TraceFileError, match="cannot be read"):
        judge_trace_file(tmp_path / "none.csv")
