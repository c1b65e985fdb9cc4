"""Putting a placement right on the timeline page, and what is too short to be told there."""

import json
from collections.abc import Iterator

import pytest
from playwright.sync_api import BrowserContext, Page, expect

from daemon.records import says_nothing
from daemon.store.writer import SessionWriter
from tests.dashboard.conftest import TOKEN, Served, last_said, wait_until
from tests.dashboard.sample_session import STAYS, write_sample_session

CANVAS = ".timeline-canvas[data-drawn]"
START_US = 1_772_359_200_000_000
LATER_US = START_US + 400_000_000


@pytest.fixture
def writer(served: Served) -> Iterator[SessionWriter]:
    """The running session's writer: the sample repair, still open."""
    file = served.sessions / "running.session"
    writer = write_sample_session(file, close=False)
    served.bench.change(session={"path": str(file), "name": "running", "started_us": START_US, "references": 0})
    yield writer
    writer.close()


@pytest.fixture
def timeline(served: Served, writer: SessionWriter, context: BrowserContext) -> Page:
    """The timeline of the running session, its first placement opened by keyboard."""
    page = context.new_page()
    page.goto(f"{served.address}/?token={TOKEN}")
    page.goto(f"{served.address}/timeline")
    page.wait_for_selector(CANVAS)
    page.keyboard.press("n")
    expect(page.locator("#correct-heading")).to_have_text("Placement 1: what it really was")
    return page


def short_stay(writer: SessionWriter, after_s: float, struck: bool) -> None:
    t0_us = LATER_US + round(after_s * 1e6)
    number = writer.open_placement(
        t0_us, instrument="bench meter", channel="", probe="1", quantity="dc_v", point="SHORT", leg="",
        mode="PLAY", condition="direct", hypothesis="",
    )  # fmt: skip
    writer.set_placement(number, t1=t0_us + 1_500_000)
    if struck:
        writer.correct_placement(number, t0_us + 1_500_000, "slipped", struck=True)
    writer.commit()


@pytest.mark.parametrize(
    ("lasted_s", "count", "struck", "silent"),
    [
        (1.9, 0, False, True),
        (2.0, 0, False, False),
        (1.9, 5, False, False),
        (1.9, 0, True, False),
        (None, 0, False, False),
    ],
)
def test_only_a_short_stay_that_ended_unsettled_and_was_not_struck_says_nothing(
    lasted_s: float | None, count: int, struck: bool, silent: bool
) -> None:
    """Under 2 s and nothing settled; one that is still measured, or struck by hand, always counts."""
    t1_us = None if lasted_s is None else START_US + round(lasted_s * 1e6)
    assert says_nothing(START_US, t1_us, count, struck) is silent


def test_a_stay_that_says_nothing_is_faint_on_the_plot_and_not_listed_but_a_struck_one_is(
    served: Served, context: BrowserContext, writer: SessionWriter
) -> None:
    """The noise after a change of mode leaves no row and no words; its number is told beneath the table."""
    short_stay(writer, 0, struck=False)
    short_stay(writer, 10, struck=True)
    page = context.new_page()
    page.goto(f"{served.address}/?token={TOKEN}")
    page.goto(f"{served.address}/timeline")
    page.wait_for_selector(CANVAS)
    rows = page.locator("#timeline-table tbody tr")
    expect(rows).to_have_count(len(STAYS) + 1)
    expect(rows.filter(has_text="SHORT")).to_have_count(1)
    expect(rows.filter(has_text="SHORT")).to_contain_text("struck")
    expect(page.locator("#timeline-table")).to_contain_text("One stay that was over within 2 s without settling")
    told = json.loads(page.locator(CANVAS).get_attribute("data-drawn") or "{}")
    assert sum(lane["bars"] for lane in told["lanes"]) == len(STAYS) + 2
    assert sum(lane["labelled"] for lane in told["lanes"]) <= len(STAYS) + 1


def test_a_change_can_be_taken_back_on_a_phone_without_scrolling_sideways(
    timeline: Page, writer: SessionWriter
) -> None:
    """What, who, why and the button stand within 390 px."""
    writer.correct_placement(1, LATER_US, "it was the other leg of the same transistor, I think", leg="E")
    writer.commit()
    timeline.set_viewport_size({"width": 390, "height": 844})
    row = timeline.locator("#timeline-history tbody tr").first
    for found in (row.get_by_role("button"), row.locator("td.who"), row.locator("td.who + td")):
        box = found.bounding_box()
        assert box and box["x"] >= 0 and box["x"] + box["width"] <= 390


def test_no_press_is_lost_while_a_running_session_redraws_its_table(timeline: Page, writer: SessionWriter) -> None:
    """Six presses in quick succession from the first placement, a note kept in between: the seventh is open."""
    for n in range(6):
        timeline.keyboard.press("n")
        writer.add_event(LATER_US + n, "note", f"Note {n}.")
        writer.commit()
    expect(timeline.locator("#correct-heading")).to_have_text("Placement 7: what it really was")
    timeline.get_by_role("button", name="look at 3").click()
    expect(timeline.locator("#correct-heading")).to_have_text("Placement 3: what it really was")
    expect(timeline.locator("#timeline-table [aria-pressed=true]")).to_have_text("look at 3")


def test_what_a_placement_really_was_is_said_by_keyboard_alone(timeline: Page, served: Served) -> None:
    """e, the words, Enter: only what was changed is sent, with the reason; the answer is in words."""
    timeline.keyboard.press("e")
    expect(timeline.locator("#was-point")).to_be_focused()
    timeline.keyboard.press("Control+a")
    timeline.keyboard.type("PBV")
    timeline.keyboard.press("Tab")
    timeline.keyboard.press("Tab")
    timeline.keyboard.press("Control+a")
    timeline.keyboard.type("PLAY")
    timeline.locator("#was-why").focus()
    timeline.keyboard.type("wrong pin")
    timeline.keyboard.press("Enter")
    assert last_said(served.bench, 1) == {
        "command": "move", "placement": 1, "point": "PBV", "mode": "PLAY", "why": "wrong pin",
    }  # fmt: skip
    expect(timeline.locator("#timeline-correct #said")).to_contain_text("Kept move is kept.")


def test_a_placement_is_struck_and_taken_back_in(timeline: Page, served: Served, writer: SessionWriter) -> None:
    """One key each; the panel tells both changes with their time, and the table says struck meanwhile."""
    timeline.keyboard.press("x")
    assert last_said(served.bench, 1) == {"command": "strike", "placement": 1}
    writer.correct_placement(1, LATER_US, "wrong pin", struck=True)
    writer.add_event(LATER_US, "strike", "Struck: placement 1, B12.")
    writer.commit()
    expect(timeline.locator("#timeline-panel")).to_contain_text("struck (wrong pin)")
    back = timeline.get_by_role("button", name="take it back in")
    expect(back).to_be_visible()
    timeline.keyboard.press("x")
    timeline.keyboard.press("u")
    assert last_said(served.bench, 2) == {"command": "strike", "undo": True, "placement": 1}


def test_a_correction_shows_in_the_panels_history_and_what_is_being_typed_survives(
    timeline: Page, writer: SessionWriter
) -> None:
    """The record changes and the page follows; an entry that was begun is not lost."""
    timeline.locator("#was-why").fill("half a rea")
    writer.add_event(LATER_US, "note", "Something else happened.")
    writer.commit()
    expect(timeline.locator("#timeline-events")).to_contain_text("Something else happened.")
    expect(timeline.locator("#was-why")).to_have_value("half a rea")
    writer.correct_placement(1, LATER_US, "wrong pin", point="PBV", condition="direct")
    writer.add_event(LATER_US, "move", "Placement 1 was: point PBV.")
    writer.commit()
    panel = timeline.locator("#timeline-panel")
    was = "Placement 1: point PBV, was B12, condition direct, was isolation transformer (wrong pin)"
    expect(panel).to_contain_text(was)
    expect(timeline.locator("#was-point")).to_have_value("PBV")


def test_a_stay_that_was_two_is_split_where_its_plot_is_pressed(timeline: Page, served: Served) -> None:
    """The moment comes from the plot, or is typed; what was changed in the fields is what the later part was."""
    timeline.locator("#split-after").fill("99")
    timeline.keyboard.press("Enter")
    expect(timeline.locator("#split-after")).to_have_attribute("aria-invalid", "true")
    box = timeline.locator(".panel-plot").bounding_box()
    assert box is not None and served.bench.said == []
    timeline.locator(".panel-plot").click(position={"x": 66 + (box["width"] - 74) / 2, "y": 40})
    half_s = float(timeline.locator("#split-after").input_value())
    assert half_s == pytest.approx(89 * 0.2 / 2, abs=0.05)  # ninety readings, five a second
    timeline.locator("#was-point").fill("PBV")
    timeline.get_by_role("button", name="split it there").click()
    said = last_said(served.bench, 1)
    begin_us = START_US + 11_000_000
    assert said == {
        "command": "split", "placement": 1, "point": "PBV", "at_us": begin_us + round(half_s * 1e6),
    }  # fmt: skip


def test_another_mode_held_for_a_while(timeline: Page, served: Served) -> None:
    """Its times begin as those of the opened placement; nothing is said of the placement itself."""
    timeline.locator(".held summary").click()
    timeline.locator("#held-value").fill("PLAY")
    timeline.get_by_role("button", name="keep this for that time").click()
    assert last_said(served.bench, 1) == {
        "command": "relabel", "kind": "mode", "value": "PLAY",
        "from_us": START_US + 11_000_000, "until_us": START_US + 29_000_000,
    }  # fmt: skip


def test_every_correction_is_told_and_can_be_taken_back(timeline: Page, served: Served, writer: SessionWriter) -> None:
    """With its reason, newest first; one that was taken back says by which."""
    writer.speaker = "the phone page"
    writer.correct_placement(1, LATER_US, "wrong pin", point="PBV")
    writer.commit()
    history = timeline.locator("#timeline-history tbody tr")
    expect(history).to_have_count(2)
    expect(history.first).to_contain_text("Placement 1: point PBV, was B12")
    expect(history.first).to_contain_text("wrong pin")
    expect(history.first).to_contain_text("by the phone page")
    expect(history.nth(1)).to_contain_text("by probetrail")
    expect(timeline.locator(".changes li")).to_contain_text(", by the phone page. Placement 1: point PBV, was B12")
    timeline.get_by_role("button", name="take back correction 2").click()
    assert last_said(served.bench, 1) == {"command": "undo", "act": 2}
    assert served.bench.said_by == ["the timeline page"]
    writer.undo(2, LATER_US + 1, "it was B12")
    writer.commit()
    expect(history).to_have_count(3)
    expect(history.nth(1)).to_contain_text("taken back by 3")
    expect(timeline.locator("#was-point")).to_have_value("B12")
    timeline.keyboard.press("k")
    assert last_said(served.bench, 2) == {"command": "undo"}


def test_a_refused_correction_says_why_and_points_at_the_entry(timeline: Page) -> None:
    """What was typed stays, to be mended."""
    timeline.locator("#was-condition").fill("")
    timeline.keyboard.press("Enter")
    expect(timeline.locator("#timeline-correct #said")).to_contain_text("Not kept move: condition cannot be empty.")
    expect(timeline.locator("#was-condition")).to_have_attribute("aria-invalid", "true")
    expect(timeline.locator("#was-condition")).to_be_focused()


def test_only_the_running_session_can_be_corrected(timeline: Page, served: Served) -> None:
    """Numbers begin anew in each session: a page of another one must not touch its namesake."""
    served.bench.change(session={"path": "other.session", "name": "other", "started_us": 0, "references": 0})
    expect(timeline.locator("#timeline-correct")).to_contain_text("This session is not the one that is running.")
    expect(timeline.locator("#timeline-correct form")).to_have_count(0)
    timeline.keyboard.press("x")
    timeline.keyboard.press("e")
    served.bench.change(session=None)
    timeline.goto(f"{served.address}/timeline?session=deck.session")
    timeline.wait_for_selector(CANVAS)
    timeline.keyboard.press("n")
    expect(timeline.locator("#timeline-correct")).to_contain_text("Resume it on the sessions page")
    wait_until(lambda: served.bench.said == [], "nothing was said")
