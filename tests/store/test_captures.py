"""Kept traces come back code by code."""

import numpy as np
import pytest

from daemon.records import open_session
from daemon.store import schema
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
