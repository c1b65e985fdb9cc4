"""What a reading was measured with comes back with it: stored where it changes, not with every value."""

import math

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from daemon.records import open_session
from daemon.store.settings import Setting, Settings
from daemon.store.writer import SessionWriter
from drivers.readings import Accuracy, Quantity, Reading
from tests.store.conftest import write

per_cents = st.floats(0, 100)
ranges = st.none() | st.floats(0, 1e9)


@given(st.floats(-1e9, 1e9), ranges, per_cents, per_cents)
def test_the_limits_of_error_are_those_that_the_reading_carried(value, range_, of_reading, of_range):
    accuracy = Accuracy(of_reading, of_range)
    reading = Reading(5, value, Quantity.DC_V, range=range_)
    row = {"id": 1, "t": 5, **Setting.of(reading, accuracy)._asdict()}
    (stored,) = Settings([row]).accuracy(np.array([5]), np.array([value]))
    assert stored == accuracy.half_width(value, range_)


def test_a_setting_holds_from_its_reading_until_the_next(writer, series, clock, path):
    """0.1 % of range: 10 mV on the 10 V range, 1 mV on the 1 V range, none while none is stated."""
    times = write(writer, clock, series, [0.5] * 6)
    for place, setting in ((1, Setting(10.0, 1e-4, 0.02, 0.0, 0.1)), (3, Setting(1.0, 1e-5, 0.02, 0.0, 0.1))):
        assert writer.note_setting(series, times[place], setting)
        assert not writer.note_setting(series, times[place + 1], setting)
    writer.note_setting(series, times[5], Setting(1.0, 1e-5, 0.02))
    writer.commit()
    with open_session(path) as records:
        limits = records.readings()["accuracy"].tolist()
        kept = records.settings()
    assert [None if math.isnan(each) else each for each in limits] == [None, 0.01, 0.01, 0.001, 0.001, None]
    assert kept["t_us"].tolist() == [times[1], times[3], times[5]]
    assert kept["range"].tolist() == [10.0, 1.0, 1.0] and kept["integration_s"].tolist() == [0.02] * 3


def test_no_value_has_no_limits_of_error():
    rows = [{"id": 1, "t": 0, **Setting(10.0, None, None, 1.0, 1.0)._asdict()}]
    values = np.array([math.nan, math.inf, 1.0])
    assert np.isnan(Settings(rows).accuracy(np.array([1, 2, 3]), values)).tolist() == [True, True, False]


def test_a_new_start_says_the_setting_anew(path, clock):
    """What was turned while nobody looked must not be taken for what it was before."""
    setting = Setting(10.0, None, None, 0.1, 0.0)
    for _ in range(2):
        writer = SessionWriter.resume(path, clock) if path.exists() else SessionWriter.create(path, clock, {})
        with writer:
            series = writer.series("meter", "", Quantity.DC_V)
            (t_us,) = write(writer, clock, series, [1.0])
            assert writer.note_setting(series, t_us, setting)
    with open_session(path) as records:
        assert records.settings()["series"].tolist() == [1, 1]
