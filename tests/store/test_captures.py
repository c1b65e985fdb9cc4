"""Kept traces come back code by code."""

import numpy as np
import pytest

from daemon.records import open_session
from daemon.store import codec, schema
from drivers.readings import Trace

TAGS = {"point": "OUT L", "leg": "", "mode": "PLAY", "condition": "direct"}


@pytest.mark.parametrize("n", [0, 1, 127, 128, schema.PART_SAMPLES, 2 * schema.PART_SAMPLES + 5])
def test_a_trace_comes_back_whole_at_every_length(n, writer, path):
    rng = np.random.default_rng(n)
    codes = rng.integers(-128, 128, n).astype(np.int16)
    trace = Trace(17, 1e-5, codes, -0.04, 0.5, "2", 300, -128, 127, "AC", True)
    event = writer.add_event(17, "switch-on", "")
    number = writer.add_capture(trace, role="switch-on", event=event, note="first", instrument="scope", **TAGS)
    writer.commit()
    with open_session(path) as records:
        back = records.trace(number)
        assert np.array_equal(back.codes, codes) and back.codes.dtype == np.int16
        for name in ("t0_us", "dt_s", "scale_v", "offset_v", "channel", "t0_half_width_us", "coupling", "rolling"):
            assert getattr(back, name) == getattr(trace, name)
        assert (back.lowest_code, back.highest_code, back.clipped) == (-128, 127, trace.clipped)
        (row,) = records.captures("switch-on").to_dict("records")
        assert {name: row[name] for name in TAGS} == TAGS and row["event"] == event and row["instrument"] == "scope"
        assert len(records.captures("reference")) == 0
        seconds, low, high = records.trace_envelope(number)
        assert len(seconds) == -(-n // 128)
        if n:
            assert (low.min(), high.max()) == (trace.volts.min(), trace.volts.max())


def test_codes_of_eight_bits_are_kept_as_they_come(writer, path):
    codes = np.array([-128, 0, 127], np.int8)
    number = writer.add_capture(Trace(1, 1e-3, codes, 1.0, 0.0, "1"), role="kept", **TAGS)
    writer.commit()
    with open_session(path) as records:
        assert records.trace(number).codes.tolist() == [-128, 0, 127]


def test_a_capture_can_become_the_reference(writer, path):
    number = writer.add_capture(Trace(1, 1e-3, np.zeros(3, np.int16), 1.0, 0.0, "1"), role="kept", **TAGS)
    writer.commit()
    writer.set_capture_role(number, "reference")
    writer.commit()
    with open_session(path) as records:
        assert records.captures("reference")["id"].tolist() == [number]


@pytest.mark.parametrize("scale", [0.5, -0.5])
def test_a_long_trace_is_zoomed_without_losing_its_one_odd_sample_or_reading_other_parts(
    scale, writer, path, monkeypatch
):
    """From all 600,000 samples down to the one; a long view unpacks none of them, a short one only its own part."""
    codes = np.zeros(600_000, np.int16)
    codes[300_001] = 77
    number = writer.add_capture(Trace(0, 1e-3, codes, scale, 0.0, "1"), role="kept", **TAGS)
    writer.commit()
    unpacked, decode = [], codec.decode_wave
    monkeypatch.setattr(codec, "decode_wave", lambda body, n: unpacked.append(n) or decode(body, n))
    with open_session(path) as records:
        for reach_s, parts in ((300.001, 0), (100.0, 2), (1.0, 1), (0.002, 1), (0.0, 1)):
            unpacked.clear()
            seconds, low, high = records.trace_view(number, 300.001 - reach_s, 300.001 + reach_s, buckets=2000)
            assert len(unpacked) == parts and 0 < len(seconds) <= 2000
            odd = high if scale > 0 else -low
            step_s = 0.001 if parts else 0.128
            assert odd.max() == 38.5 and abs(seconds[odd.argmax()] - 300.001) <= reach_s * 2 / 2000 + step_s
        assert (seconds.tolist(), low.tolist(), high.tolist()) == ([pytest.approx(300.001)], [77 * scale], [77 * scale])
        assert [len(each) for each in records.trace_view(number, 700.0)] == [0, 0, 0]
        assert records.trace_view(number, 0.0, 0.0045)[0] == pytest.approx([0.0, 0.001, 0.002, 0.003, 0.004])
