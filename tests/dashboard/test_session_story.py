"""What the timeline page is told of a session: everything once, then only what is new; windows that lose nothing."""

import json
import sqlite3
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest

from daemon.records import Overview
from daemon.store.writer import SessionWriter
from dashboard.live import Relay
from dashboard.review import MOST_COLUMNS, Review
from dashboard.session_story import TOLD_AGAIN, Mark
from dashboard.window_bytes import window_bytes
from drivers.clock import HandClock
from drivers.readings import Quantity
from tests.dashboard.sample_session import STAYS, write_sample_session

NOBODY = cast(Relay, SimpleNamespace(session_path=None))
START_US = 1_772_359_200_000_000


@pytest.fixture
def review(tmp_path: Path) -> Review:
    return Review(tmp_path, NOBODY)


@pytest.fixture
def writer(tmp_path: Path) -> Iterator[SessionWriter]:
    writer = write_sample_session(tmp_path / "deck.session", close=False)
    yield writer
    writer.close()


def unpacked(answer: bytes) -> tuple[dict[str, Any], dict[int, tuple[np.ndarray, np.ndarray, np.ndarray]]]:
    """Header and series of a window, read as its documentation says."""
    length = int.from_bytes(answer[:4], "little")
    header, at = json.loads(answer[4 : 4 + length]), 4 + length
    assert at % 8 == 0
    series = {}
    for told in header["series"]:
        n, kind = told["n"], "<f8" if told["exact"] else "<f4"
        t = np.frombuffer(answer, "<f8", n, at)
        low = np.frombuffer(answer, kind, n, at + 8 * n)
        high = low if told["exact"] else np.frombuffer(answer, kind, n, at + 12 * n)
        series[told["series"]], at = (t, low, high), at + 16 * n
    assert at == len(answer)
    return header, series


def test_a_session_is_told_whole_and_then_only_what_is_new(review: Review, writer: SessionWriter) -> None:
    """After a mark come the events, changes and placements since, and the last few placements once more."""
    told = review.story("deck.session")
    assert told["placements"]["id"] == list(range(1, len(STAYS) + 1))
    assert [told["words"][number] for number in told["placements"]["reads_"]][:1] == ["11.99 V"]
    for _ in range(2 * TOLD_AGAIN):
        place = {"instrument": "bench meter", "channel": "", "probe": "1", "quantity": "dc_v", "point": "TP1"}
        number = writer.open_placement(
            START_US, **place, leg="", mode="PLAY", condition="direct", hypothesis=""
        )
        writer.set_placement(number, t1=START_US + 5_000_000)
    writer.commit()
    told = review.story("deck.session", told["mark"])
    assert told["events"]["id"] == []
    writer.add_event(START_US, "note", "Link B12 to PBV.")
    writer.correct_placement(2, START_US, "wrong pin", point="RECV")
    writer.commit()
    news = review.story("deck.session", told["mark"])
    assert news["events"]["text"] == ["Link B12 to PBV."]
    assert news["placements"]["id"] == [2, *range(number - TOLD_AGAIN + 1, number + 1)]
    assert news["words"][news["placements"]["point_"][0]] == "RECV"
    assert review.story("deck.session", news["mark"])["mark"] == news["mark"]


def test_an_open_placement_is_told_again_until_it_has_ended(review: Review, writer: SessionWriter) -> None:
    """However many came after it: its end and its value come late."""
    tags = {"point": "TP1", "leg": "", "mode": "PLAY", "condition": "direct", "hypothesis": ""}
    place = {"instrument": "bench meter", "channel": "", "probe": "1", "quantity": "dc_v"}
    still = writer.open_placement(START_US, **place, **tags)
    for _ in range(2 * TOLD_AGAIN):
        writer.set_placement(writer.open_placement(START_US, **place, **tags), t1=START_US + 5_000_000)
    writer.commit()
    mark = review.story("deck.session")["mark"]
    writer.set_placement(still, t1=START_US + 9_000_000, value=5.0, count=7)
    writer.commit()
    news = review.story("deck.session", mark)
    assert news["placements"]["id"][0] == still and news["placements"]["t1_us"][0] == START_US + 9_000_000


@pytest.mark.parametrize("text", ["", "1-2", "a-b-c-d", "1-2-3-4-5", "-1-2-3", "²-1-1-1"])
def test_a_mark_that_nobody_wrote_means_that_nothing_was_told(text: str) -> None:
    """A page of an older version, or a curious person."""
    assert Mark.read(text) == Mark()
    assert Mark.read(str(Mark(1, 2, 3, 4))) == Mark(1, 2, 3, 4)


def test_a_window_keeps_a_spike_of_one_reading_and_says_few_readings_exactly(tmp_path: Path, review: Review) -> None:
    """Among 200,000 readings in 300 columns it is there at its full height; near it every value is the stored one."""
    spike_us = START_US + 123_457 * 1000
    with SessionWriter.create(tmp_path / "spike.session", HandClock(START_US), {}) as writer:
        series = writer.series("meter", "", Quantity.DC_V)
        for n in range(200_000):
            t_us = START_US + n * 1000
            writer.append(series, t_us, 99.125 if t_us == spike_us else float("nan") if n == 7 else n * 1e-9, 0)
        writer.commit()
    header, found = unpacked(review.window("spike.session", None, None, 300))
    assert len(found[series][0]) <= 300 and header["t0_us"] == START_US
    assert found[series][2].max() == pytest.approx(99.125, rel=1e-6)
    header, found = unpacked(review.window("spike.session", spike_us - 3000, spike_us + 3000, 300))
    t, values, _ = found[series]
    assert (t + header["t0_us"]).tolist() == [spike_us + k * 1000 for k in range(-3, 4)]
    assert values.tolist() == [99.125 if k == 0 else (123_457 + k) * 1e-9 for k in range(-3, 4)]
    _, found = unpacked(review.window("spike.session", START_US + 5000, START_US + 9000, 300))
    assert np.isnan(found[series][1]).tolist() == [False, False, True, False, False]
    _, found = unpacked(review.window("spike.session", None, None, 10**9))
    assert len(found[series][0]) <= MOST_COLUMNS


def test_a_window_of_nothing_has_a_header_only() -> None:
    """An empty view is left out; the header says what the caller adds."""
    nothing = Overview(np.empty(0, np.int64), *(np.empty(0) for _ in range(3)), exact=True)
    header, found = unpacked(window_bytes({4: nothing}, 5, 6, {"torn": {}}))
    assert found == {} and header == {"t0_us": 5, "t1_us": 6, "series": [], "torn": {}}


def test_a_damaged_file_is_shown_as_far_as_it_goes_and_says_what_is_lost(tmp_path: Path, review: Review) -> None:
    """One torn chunk: the other series is whole, and the loss is a sentence with its readings and times."""
    write_sample_session(tmp_path / "deck.session")
    assert review.losses("deck.session") == {"sentences": []}
    with sqlite3.connect(tmp_path / "deck.session") as sql:
        sql.execute("UPDATE chunk SET vb = zeroblob(length(vb)) WHERE series = 1")
    sql.close()
    _, found = unpacked(review.window("deck.session", None, None, 300))
    assert list(found) == [2] and len(found[2][0]) == 90
    (sentence,) = review.losses("deck.session")["sentences"]
    assert sentence.startswith("bench meter dc_v: 540 readings lost from 2026-03-01T10:00:11")
    assert review.stay("deck.session", 1)["points"] == []


def test_a_long_stay_lists_its_last_readings_and_draws_all_of_it(tmp_path: Path, review: Review) -> None:
    """Of 40,000 readings the last 400 are listed; the plot has at most 1,500 points and both ends."""
    with SessionWriter.create(tmp_path / "long.session", HandClock(START_US), {}) as writer:
        series = writer.series("meter", "", Quantity.DC_V)
        for n in range(40_000):
            writer.append(series, START_US + n * 20_000, 5.0 + (n == 777), 0)
        number = writer.open_placement(
            START_US, instrument="meter", channel="", probe="1", quantity="dc_v", point="TP1", leg="", mode="on",
            condition="direct", hypothesis="",
        )  # fmt: skip
        writer.set_placement(number, t1=START_US + 39_999 * 20_000, value=5.0, uncertainty=0.001, count=39_000)
        writer.commit()
    told = review.stay("long.session", number)
    assert len(told["points"]) <= 1500 and told["points"][0][0] == 0.0
    assert max(high for _, _, high in told["points"]) == 6.0
    assert told["count"] is None and len(told["listed"]) == 400
    assert told["listed"][-1][1] == "5 V"
    assert ["reads", "5.000 V ± 1.0 mV"] in told["facts"]


def test_a_reading_without_a_verdict_tells_why_and_not_what_it_was_compared_with(
    tmp_path: Path, review: Review
) -> None:
    """What stands in the place of a comparison is the reason that there is none."""
    why = "R5 is lifted: the drawing's volts are not to be expected"
    with SessionWriter.create(tmp_path / "out.session", HandClock(START_US), {}) as writer:
        for verdict, words in (("not compared", why), ("inside", "5 V printed for TP1, 10 %")):
            number = writer.open_placement(
                START_US, instrument="meter", channel="", probe="1", quantity="dc_v", point="TP1", leg="", mode="on",
                condition="direct", hypothesis="",
            )  # fmt: skip
            judgement = {"verdict": verdict, "compared_with": words}
            writer.set_placement(number, t1=START_US + 1, value=5.0, count=9, judgement=judgement)
        writer.commit()
    told = review.story("out.session")
    assert [told["words"][number] for number in told["placements"]["why_"]] == ["R5 is lifted", ""]
    assert ["why", why] in review.stay("out.session", 1)["facts"]
    assert ["compared with", "5 V printed for TP1, 10 %"] in review.stay("out.session", 2)["facts"]
