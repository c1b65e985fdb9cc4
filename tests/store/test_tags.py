"""Which tags a reading carries."""

import numpy as np
import pandas as pd
from hypothesis import given
from hypothesis import strategies as st

from daemon.records import READING_COLUMNS, open_session
from daemon.store.tags import TAGS, Tagger
from drivers.readings import Quantity
from tests.store.conftest import stay, write

METER = {"instrument": "meter", "channel": "", "quantity": "dc_v"}


def placement(number, t0, t1, **columns):
    words = {tag: f"{tag}{number}" for tag in TAGS}
    return {"id": number, "t0": t0, "t1": t1, "struck": number % 2, **METER, **words, **columns}


def plainly(placements, contexts, series, t):
    """The rule word by word, one reading at a time."""
    own = [
        row
        for row in placements
        if row["instrument"] == series["instrument"]
        and row["channel"] == series["channel"]
        and row["quantity"] in ("", series["quantity"])
        and row["t0"] <= t
    ]
    last = max(own, key=lambda row: (row["t0"], row["id"]), default=None)
    if last is not None and (last["t1"] is None or t <= last["t1"]):
        return (*(last[tag] for tag in TAGS), last["id"], bool(last["struck"]))
    held = {}
    for kind in ("mode", "condition", "hypothesis"):
        begun = [row for row in contexts if row["kind"] == kind and row["t0"] <= t]
        row = max(begun, key=lambda row: (row["t0"], row["id"]), default=None)
        held[kind] = row["value"] if row and (row["t1"] is None or t <= row["t1"]) else ""
    return ("", "", held["mode"], held["condition"], held["hypothesis"], 0, False)


SPANS = st.tuples(st.integers(0, 100), st.one_of(st.none(), st.integers(0, 40)))
PLACES = st.tuples(SPANS, st.sampled_from(["dc_v", "", "ac_v"]), st.sampled_from(["meter", "other"]))
CONTEXTS = st.tuples(SPANS, st.sampled_from(["mode", "condition", "hypothesis"]))


def end(span):
    return None if span[1] is None else span[0] + span[1]


@given(
    st.lists(PLACES, max_size=12), st.lists(CONTEXTS, max_size=12), st.lists(st.integers(-5, 150), max_size=60)
)
def test_the_fast_join_is_the_plain_rule(places, contexts, times):
    placements = [
        placement(i + 1, span[0], end(span), quantity=quantity, instrument=instrument)
        for i, (span, quantity, instrument) in enumerate(places)
    ]
    held = [
        {"id": i + 1, "kind": kind, "value": f"v{i}", "t0": span[0], "t1": end(span)}
        for i, (span, kind) in enumerate(contexts)
    ]
    tagger = Tagger(placements, held)
    t = np.array(times, np.int64)
    tags = tagger.tags(METER, t)
    words = {tag: list(tagger.words[tag]) for tag in TAGS}
    for i, moment in enumerate(times):
        fast = tuple(words[tag][tags.codes[tag][i]] for tag in TAGS)
        assert (*fast, tags.placement[i], tags.struck[i]) == plainly(placements, held, METER, moment)


@given(st.lists(st.integers(0, 10_000), min_size=1, max_size=30, unique=True), st.lists(st.integers(0, 10_000)))
def test_the_join_agrees_with_pandas_merge_asof(starts, times):
    """Outside check: ``pandas.merge_asof`` joins each reading to the placement that began last."""
    placements = [placement(i + 1, t0, None) for i, t0 in enumerate(sorted(starts))]
    t = np.array(sorted(times), np.int64)
    left = pd.DataFrame({"t0": t})
    right = pd.DataFrame({"t0": np.array(sorted(starts), np.int64), "id": [row["id"] for row in placements]})
    expected = pd.merge_asof(left, right, on="t0")["id"].fillna(0).astype(int).tolist()
    assert Tagger(placements, []).tags(METER, t).placement.tolist() == expected


def test_readings_carry_their_placement_else_the_context(writer, series, clock, path):
    """A floating lead and a series of the whole unit have an empty point; a correction is seen at once."""
    mains = writer.series("mains meter", "", Quantity.MAINS)
    for kind, value in (("mode", "PLAY"), ("condition", "direct"), ("hypothesis", "")):
        writer.set_context(kind, value, clock.now_us())
    times = write(writer, clock, series, [1.0, 2.0, 3.0, 4.0])
    writer.append(mains, times[1], 230.0, 0)
    number = stay(writer, times[1], times[2], point="Q302", leg="c", mode="PLAY", condition="direct", hypothesis="h")
    writer.commit()
    with open_session(path) as records:
        frame = records.readings()
        assert tuple(frame.columns) == READING_COLUMNS
        assert frame["series"].tolist() == ["dc_v", "dc_v", "mains_v", "dc_v", "dc_v"]
        assert frame["point"].tolist() == ["", "Q302", "", "Q302", ""]
        assert frame["mode"].tolist() == ["PLAY"] * 5
        assert frame["hypothesis"].tolist() == ["", "h", "", "h", ""]
        assert frame["placement"].fillna(0).tolist() == [0, number, 0, number, 0]
        writer.correct_placement(number, clock.now_us(), "it was the emitter", leg="e", struck=True)
        writer.commit()
        frame = records.readings("dc_v")
        assert frame["leg"].tolist() == ["", "e", "e", ""]
        assert frame["struck"].tolist() == [False, True, True, False]


def test_two_channels_of_one_instrument_keep_their_own_points(writer, clock, path):
    first, second = (writer.series("scope", channel, Quantity.RIPPLE) for channel in "12")
    for series in (first, second):
        writer.append(series, clock.now_us(), 0.1, 0)
    place = {"instrument": "scope", "channel": "2", "quantity": "ripple_vpp"}
    writer.open_placement(
        clock.now_us(), **place, probe="", point="C901", leg="", mode="", condition="", hypothesis=""
    )
    writer.commit()
    with open_session(path) as records:
        frame = records.readings()
    assert dict(zip(frame["series"], frame["point"], strict=True)) == {"1 ripple_vpp": "", "2 ripple_vpp": "C901"}


def test_an_empty_session_has_empty_frames_with_all_columns(writer, path):
    with open_session(path) as records:
        assert tuple(records.readings().columns) == READING_COLUMNS
        for frame in (records.placements(), records.events(), records.switch_ons(), records.captures()):
            assert len(frame) == 0 and "time" in frame
