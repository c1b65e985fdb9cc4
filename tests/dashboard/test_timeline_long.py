"""A long session on the timeline page: chosen without a new page, zoomed without loss, listed a page at a time."""

import json
import shutil
import sqlite3
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import BrowserContext, Page, expect

from daemon.records import open_session
from daemon.store.writer import SessionWriter
from drivers.clock import HandClock
from drivers.readings import Quantity
from tests.benchmarks.long_session import spike, write_long_session
from tests.dashboard.conftest import TOKEN, Served, wait_until
from tests.dashboard.sample_session import write_sample_session

CANVAS = ".timeline-canvas[data-drawn]"
HOURS, PLACEMENTS = 3.0, 400
MOST_POINTS = 3000


@pytest.fixture(scope="module")
def long_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("long") / "long.session"
    write_long_session(path, HOURS, PLACEMENTS, 60)
    return path


@pytest.fixture
def timeline(served: Served, context: BrowserContext, long_file: Path) -> Iterator[Page]:
    """The small session's page, with the long one chosen on it; a script error fails the test."""
    shutil.copy(long_file, served.sessions / "long.session")
    page = context.new_page()
    errors: list[str] = []
    page.on("pageerror", lambda error: errors.append(str(error)))
    page.goto(f"{served.address}/?token={TOKEN}")
    page.goto(f"{served.address}/timeline?session=deck.session")
    page.wait_for_selector(CANVAS)
    page.evaluate("window.same_page = true")
    page.locator("#session-choice").select_option("long.session")
    until(page, session="long.session")
    yield page
    assert errors == []


def drawn(page: Page) -> dict[str, Any]:
    told: dict[str, Any] = json.loads(page.locator(CANVAS).get_attribute("data-drawn") or "{}")
    return told


def until(page: Page, **wanted: object) -> dict[str, Any]:
    """What is drawn once it is drawn from its own window and is what is wanted."""
    wait_until(lambda: {**wanted, "fine": True}.items() <= drawn(page).items(), f"{wanted} drawn")
    return drawn(page)


def look_at(page: Page, t0: int, t1: int) -> dict[str, Any]:
    page.evaluate("hash => { location.hash = hash; }", f"{t0},{t1}")
    return until(page, t0=t0, t1=t1)


def test_a_session_is_chosen_on_the_page_that_is_open(timeline: Page) -> None:
    """No new page is loaded; its address is the session's, so that a reload shows the same."""
    assert timeline.evaluate("window.same_page")
    assert timeline.url.endswith("?session=long.session")
    expect(timeline.locator("#timeline-standing")).to_contain_text(f"{PLACEMENTS} placements")
    assert all(0 < lane["points"] <= MOST_POINTS for lane in drawn(timeline)["lanes"])


def test_a_spike_of_one_reading_is_seen_from_the_whole_to_single_readings(timeline: Page) -> None:
    """At every zoom that contains it the lane reaches its height; near it each reading is one point."""
    extreme = spike(HOURS)
    whole = drawn(timeline)
    lane = next(n for n, each in enumerate(whole["lanes"]) if each["series"] == extreme.series)
    assert whole["lanes"][lane]["most"] == pytest.approx(extreme.value)
    for span_us in (3_000_000_000, 200_000_000, 10_000_000, 200_000):
        t0 = extreme.t_us - span_us // 3
        told = look_at(timeline, t0, t0 + span_us)["lanes"][lane]
        assert told["most"] == pytest.approx(extreme.value, rel=1e-6)
        assert told["points"] <= MOST_POINTS
    assert told["points"] <= 0.2 * 50 + 3  # fifty readings a second


def test_keys_and_buttons_zoom_and_move_and_never_leave_the_session(timeline: Page) -> None:
    """In and out again is where it was; beyond either end there is nothing to go to."""
    whole = drawn(timeline)
    timeline.keyboard.press("+")
    wait_until(lambda: drawn(timeline)["t0"] > whole["t0"], "it is zoomed in")
    span = drawn(timeline)["t1"] - drawn(timeline)["t0"]
    assert span == pytest.approx(0.4 * (whole["t1"] - whole["t0"]))
    for _ in range(5):
        timeline.keyboard.press("ArrowRight")
    until(timeline, t1=whole["t1"])
    timeline.locator("#zoom-out").click()
    timeline.locator("#zoom-out").click()
    until(timeline, t0=whole["t0"], t1=whole["t1"])
    timeline.keyboard.press("n")
    timeline.keyboard.press("z")
    wait_until(lambda: drawn(timeline)["lanes"][0]["labelled"] > 0, "the opened placement has room for its words")
    timeline.keyboard.press("w")
    until(timeline, t0=whole["t0"], t1=whole["t1"])


def test_many_placements_are_bars_without_words_until_there_is_room(timeline: Page) -> None:
    """All are drawn; where they lie upon each other a press zooms in instead of opening one by chance."""
    whole = drawn(timeline)
    assert sum(lane["bars"] for lane in whole["lanes"]) == PLACEMENTS
    assert sum(lane["labelled"] for lane in whole["lanes"]) < PLACEMENTS / 10
    first = whole["t0"]
    near = look_at(timeline, first, first + 300_000_000)
    assert 0 < sum(lane["bars"] for lane in near["lanes"]) < PLACEMENTS / 10
    assert sum(lane["labelled"] for lane in near["lanes"]) > 1


def test_the_tables_are_turned_a_page_at_a_time_and_follow_the_opened_placement(timeline: Page) -> None:
    """A browser with two thousand rows would be slow at every turn."""
    rows = timeline.locator("#timeline-table tbody tr")
    expect(rows).to_have_count(25)
    timeline.get_by_role("button", name="next of the placements").click()
    expect(timeline.get_by_role("button", name="next of the placements")).to_be_focused()
    expect(timeline.locator("#timeline-table .steps")).to_contain_text("26 to 50 of ")
    timeline.get_by_role("button", name="last of the placements").click()
    timeline.get_by_role("button", name="look at 400").click()
    expect(timeline.locator("#panel-heading")).to_be_visible()
    timeline.locator("#timeline-unit").click()
    for _ in range(30):
        timeline.keyboard.press("b")
    expect(timeline.locator("#timeline-table button[aria-pressed=true]")).to_have_count(1)
    assert timeline.locator("#timeline-table button[aria-pressed=true]").inner_text() != "look at 400"


def test_a_running_session_is_added_to_and_not_fetched_anew(served: Served, context: BrowserContext) -> None:
    """What comes every two seconds is the newest end; whoever looks at an earlier stretch is not moved."""
    file = served.sessions / "running.session"
    begin_us = round(time.time() * 1e6) - 600_000_000
    writer = write_sample_session(file, close=False, start_us=begin_us)
    served.bench.change(session={"path": str(file), "name": "running", "started_us": 0, "references": 0})
    page = context.new_page()
    fetched: list[int] = []
    page.on("response", lambda told: "/window" in told.url and fetched.append(int(told.headers["content-length"])))
    page.goto(f"{served.address}/?token={TOKEN}")
    page.goto(f"{served.address}/timeline")
    page.wait_for_selector(CANVAS)
    before = until(page)
    series = writer.series("bench meter", "", Quantity.DC_V)
    writer.append(series, round(time.time() * 1e6), 23.75, 0)
    writer.commit()
    wait_until(lambda: drawn(page)["lanes"][0]["most"] == 23.75, "the new reading is drawn")
    after = drawn(page)
    assert after["t1"] > before["t1"] and after["lanes"][0]["points"] >= before["lanes"][0]["points"]
    assert after["bytes"] < fetched[0] / 10
    earlier = look_at(page, begin_us, begin_us + 60_000_000)
    writer.add_event(round(time.time() * 1e6), "note", "Somebody came in.")
    writer.commit()
    expect(page.locator("#timeline-events")).to_contain_text("Somebody came in.")
    assert (drawn(page)["t0"], drawn(page)["t1"]) == (earlier["t0"], earlier["t1"])
    writer.close()


def test_what_a_damaged_file_has_lost_is_a_sentence_on_the_page(served: Served, context: BrowserContext) -> None:
    """A torn chunk: the rest is shown. A file cut in half: only the sentence, and the way to another session."""
    deck = served.sessions / "deck.session"
    (served.sessions / "cut.session").write_bytes(deck.read_bytes()[: deck.stat().st_size // 2])
    with sqlite3.connect(deck) as sql:
        sql.execute("UPDATE chunk SET vb = zeroblob(length(vb)) WHERE series = 1")
    sql.close()
    page = context.new_page()
    page.goto(f"{served.address}/?token={TOKEN}")
    page.goto(f"{served.address}/timeline?session=deck.session")
    page.wait_for_selector(CANVAS)
    expect(page.locator("#timeline-wrong")).to_contain_text("bench meter dc_v: 540 readings lost")
    assert [lane["points"] for lane in until(page)["lanes"]] == [0, 90]
    page.goto(f"{served.address}/timeline?session=cut.session")
    expect(page.locator("#timeline-wrong")).to_contain_text("cut.session is cut off")
    expect(page.locator("#timeline-plot")).to_be_hidden()
    page.locator("#session-choice").select_option("deck.session")
    page.wait_for_selector(CANVAS)
    expect(page.locator("#timeline-plot")).to_be_visible()


def test_a_session_in_which_nothing_was_measured_says_so(served: Served, context: BrowserContext) -> None:
    """Every part of the page has words for having nothing to show."""
    file = served.sessions / "empty.session"
    SessionWriter.create(file, HandClock(1_772_359_200_000_000), {}).close()
    with open_session(file) as records:
        assert records.last_us is None
    page = context.new_page()
    page.goto(f"{served.address}/?token={TOKEN}")
    page.goto(f"{served.address}/timeline?session=empty.session")
    page.wait_for_selector(CANVAS)
    expect(page.locator("#timeline-table")).to_have_text("No probe has stayed on a point yet.")
    expect(page.locator("#timeline-events")).to_have_text("Nothing happened yet.")
    expect(page.locator("#timeline-history")).to_contain_text("Nothing was changed")
    expect(page.locator("#timeline-troubles")).to_have_text("nothing outside, no objection")
