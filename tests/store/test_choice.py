"""What is asked for by name is what a filter of the whole would leave, and little else is read."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.records import open_session
from daemon.store import codec
from daemon.store.choice import overlap, those_there_are
from drivers.errors import SessionError
from drivers.readings import Quantity, Trace
from tests.benchmarks.long_session import write_long_session
from tests.store.conftest import stay, write

TAGS = ("point", "leg", "mode", "condition", "hypothesis")


@pytest.fixture
def unpacked(monkeypatch):
    """One entry for each chunk that is unpacked."""
    found, decode = [], codec.decode_planes
    monkeypatch.setattr(codec, "decode_planes", lambda *planes: found.append(1) or decode(*planes))
    return found


@pytest.fixture(scope="module")
def long(tmp_path_factory):
    """Ten minutes with 40 placements."""
    path = tmp_path_factory.mktemp("choice") / "long.session"
    write_long_session(path, hours=1 / 6, placements=40, captures=3)
    return path


@pytest.fixture(scope="module")
def whole(long):
    with open_session(long) as records:
        return records.readings()


def same(found, expected):
    """As text where tags are concerned: which other words a session knows is no part of the rows."""
    words = ["instrument", "series", "unit", "flags", *TAGS]
    left, right = (frame.reset_index(drop=True).astype(dict.fromkeys(words, object)) for frame in (found, expected))
    pd.testing.assert_frame_equal(left, right)


@pytest.mark.parametrize("tag", TAGS)
def test_readings_of_a_tag_are_those_of_the_whole_that_carry_it(tag, long, whole):
    with open_session(long) as records:
        for word in whole[tag].unique():
            same(records.readings(**{tag: word}), whole[whole[tag] == word])


def test_every_placement_has_the_readings_that_name_it(long, whole):
    with open_session(long) as records:
        for number in records.placements()["id"]:
            same(records.readings(placement=number), whole[(whole["placement"] == number).fillna(False)])


def test_several_wishes_are_all_met(long, whole):
    some = whole[(whole["instrument"] == "second meter") & (whole["leg"] == "C")]
    middle = some["time"].iloc[len(some) // 2]
    with open_session(long) as records:
        by_name = records.readings("second meter dc_v", leg="C", end_us=middle.value // 1000)
        by_number = records.readings(2, leg="C", end_us=middle.value // 1000)
        both = records.readings("dc_v")
    same(by_name, some[some["time"] <= middle])
    same(by_number, by_name)
    assert set(both["instrument"]) == {"bench meter", "second meter"}


def test_a_placement_inside_of_another_takes_its_readings_from_it(writer, series, clock, path):
    """The one that began last counts; nothing counts after its end, though the one before lasts."""
    times = write(writer, clock, series, [float(n) for n in range(10)])
    outer = stay(writer, times[1], times[9], hypothesis="a")
    inner = stay(writer, times[3], times[5], hypothesis="b")
    writer.commit()
    with open_session(path) as records:
        assert records.readings(placement=outer)["value"].tolist() == [1.0, 2.0]
        assert records.readings(placement=inner)["value"].tolist() == [3.0, 4.0, 5.0]
        assert records.readings(hypothesis="a")["value"].tolist() == [1.0, 2.0]
        assert len(records.readings(placement=inner, hypothesis="a")) == 0


def test_one_placement_is_read_without_unpacking_other_chunks(unpacked, writer, series, clock, path):
    times = write(writer, clock, series, [1.0] * 50_000)
    number = stay(writer, times[20_000], times[20_500])
    writer.commit()
    with open_session(path) as records:
        assert len(records.readings(placement=number)) == 501
    assert len(unpacked) == 1


def test_the_last_chunks_stay_unpacked_and_are_nobodys_to_write_to(unpacked, writer, series, clock, path, monkeypatch):
    monkeypatch.setattr("daemon.store.reader._KEPT_CHUNKS", 2)
    times = write(writer, clock, series, [1.0] * 30_000)
    writer.commit()
    with open_session(path) as records:
        for place in (0, 100, 9000, 9100):
            found = records.readings(start_us=times[place], end_us=times[place])
            assert found["value"].tolist() == [1.0]
            found.loc[0, "value"] = 2.0
            records.tail(series, times[place] - 1).v[0] = 2.0
        assert records.tail(series, times[0] - 1).v.tolist() == [1.0] * 30_000
        kept = len(unpacked)
        records.readings(start_us=times[-7000], end_us=times[-7000])
        assert len(unpacked) == kept and len(records._reader._loaded) == 2
        records.readings(start_us=times[0], end_us=times[0])
        assert len(unpacked) == kept + 1


def test_what_is_not_there_is_answered_with_what_is(writer, series, clock, path):
    other = writer.series("supply", "2", Quantity.SUPPLY_CURRENT)
    writer.append(other, clock.now_us(), 0.1, 0)
    for number in range(3):
        stay(writer, clock.now_us() + number, point=f"TP{number}", hypothesis="dry joint")
    writer.set_context("hypothesis", "regulator dead", clock.now_us())
    writer.add_capture(
        Trace(1, 1e-3, np.zeros(3, np.int16), 1.0, 0.0, "1"), role="kept", point="", leg="", mode="", condition=""
    )
    writer.commit()
    with open_session(path) as records:
        for ask, said in (
            (lambda: records.readings(placement=9), "has no placement 9. It has 1 to 3"),
            (lambda: records.readings("ac_v"), "'ac_v'. It has 1 (meter dc_v), 2 (supply 2 current_a)"),
            (lambda: records.readings(hypothesis="dry"), "'dry'. It has dry joint, regulator dead"),
            (lambda: records.readings(point="TP7"), "'TP7'. It has TP0, TP1, TP2"),
            (lambda: records.readings(leg="C"), "no leg 'C'. It has none"),
            (lambda: records.trace(2), "has no capture 2. It has 1"),
        ):
            with pytest.raises(SessionError) as error:
                ask()
            assert said in str(error.value) and str(path) in str(error.value)
        with pytest.raises(SessionError, match="'healthy': it is one of switch-on, reference, kept"):
            records.captures("healthy")


def test_long_lists_are_cut():
    assert those_there_are(f"TP{n}" for n in range(25)).endswith("TP19 and 5 more")
    assert those_there_are([1, 2, 4]) == "It has 1, 2, 4"


def test_a_trace_is_two_arrays(writer, path):
    codes = np.array([0, 10, -20], np.int16)
    number = writer.add_capture(
        Trace(5, 0.25, codes, 0.1, 1.0, "1"), role="kept", point="", leg="", mode="", condition=""
    )
    writer.commit()
    with open_session(path) as records:
        trace = records.trace(number)
    assert trace.seconds.tolist() == [0.0, 0.25, 0.5] and trace.volts.tolist() == [1.0, 2.0, -1.0]


spans = st.lists(st.integers(0, 60), unique=True).map(sorted).map(lambda ends: list(zip(ends[::2], ends[1::2])))  # noqa: B905 because an odd end is left over


@given(spans, spans)
def test_overlaps_are_what_lies_in_both(one, other):
    def inside(found):
        return {moment for start, end in found for moment in range(start, end + 1)}

    assert inside(overlap(one, other)) == inside(one) & inside(other)
