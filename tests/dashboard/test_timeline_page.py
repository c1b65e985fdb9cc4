"""The timeline and the list of sessions in a real browser."""

import json
from typing import Any

import pytest
from playwright.sync_api import BrowserContext, Page, expect

from drivers.errors import CommandError
from tests.dashboard.conftest import TOKEN, Served, wait_until
from tests.dashboard.sample_session import STAYS, write_sample_session

CANVAS = ".timeline-canvas[data-drawn]"


@pytest.fixture
def timeline(served: Served, context: BrowserContext) -> Page:
    """The timeline of the kept session, drawn."""
    page = context.new_page()
    page.goto(f"{served.address}/?token={TOKEN}")
    page.goto(f"{served.address}/timeline?session=deck.session")
    page.wait_for_selector(CANVAS)
    return page


def drawn(page: Page) -> dict[str, Any]:
    """What the time axis last drew."""
    told: dict[str, Any] = json.loads(page.locator(CANVAS).get_attribute("data-drawn") or "{}")
    return told


def bars(page: Page) -> int:
    return sum(int(lane["bars"]) for lane in drawn(page)["lanes"])


def press_bar(page: Page, placement: int) -> None:
    """A press with the mouse on the bar of a placement."""
    box = page.locator(CANVAS).bounding_box()
    assert box is not None
    (x, y) = next((x, y) for lane in drawn(page)["lanes"] for number, x, y in lane["places"] if number == placement)
    page.mouse.click(box["x"] + x, box["y"] + y)


def rows(page: Page) -> list[str]:
    return page.locator("#timeline-table tbody tr").all_inner_texts()


def test_every_placement_is_drawn_and_listed_with_its_settled_value_and_verdict(timeline: Page) -> None:
    """Seven stays: seven bars, seven rows; the struck one says so in words."""
    assert bars(timeline) == len(STAYS)
    listed = rows(timeline)
    assert len(listed) == len(STAYS)
    assert all(point in row and mode in row for row, (_, point, _, mode, *_rest) in zip(listed, STAYS, strict=True))
    assert "11.99 V" in listed[0] and "inside" in listed[0]
    assert "400.0 µV" not in listed[3] and "0.400 mV" in listed[3] and "outside" in listed[3]
    assert "struck" in listed[4]
    events = timeline.locator("#timeline-events").inner_text()
    assert "Auto-stop had tripped" in events
    assert "C308, PLAY: missing." in events


def test_a_missing_switch_on_is_counted_and_reached_by_one_key(timeline: Page) -> None:
    """It is among what a technician looks for first, and its words are told where the pointer rests."""
    expect(timeline.locator("#timeline-troubles")).to_have_text("3 outside, 1 objection, 1 missing switch-on")
    timeline.keyboard.press("o")
    timeline.keyboard.press("o")
    expect(timeline.locator("#panel-heading")).to_contain_text("PBV · S301g PLAY contact, probe 1")
    box = timeline.locator(CANVAS).bounding_box()
    assert box is not None
    below = max(y for lane in drawn(timeline)["lanes"] for _, _, y in lane["places"]) + 110
    timeline.mouse.move(box["x"] + 150, box["y"] + below)
    expect(timeline.locator(".timeline-tip")).to_contain_text("C308: missing. 4.9 % of the reference.")


def test_a_filter_leaves_only_what_passes_it(timeline: Page) -> None:
    """By point, then also by mode: plot and table agree."""
    timeline.locator("#filter-point summary").click()
    timeline.get_by_label("PBV").check()
    timeline.keyboard.press("Escape")
    wait_until(lambda: len(rows(timeline)) == 3, "three placements on PBV")
    wait_until(lambda: bars(timeline) == 3, "three bars")
    timeline.keyboard.press("m")
    timeline.keyboard.press("Tab")
    timeline.keyboard.press("Space")
    timeline.keyboard.press("Escape")
    expect(timeline.locator("#filter-mode")).to_contain_text("STOP")
    wait_until(lambda: len(rows(timeline)) == 1, "one placement on PBV in STOP")
    timeline.get_by_role("button", name="show all again").click()
    wait_until(lambda: bars(timeline) == len(STAYS), "all of them again")


def test_a_click_on_a_placement_shows_its_readings(timeline: Page) -> None:
    """The panel has a plot, a table with every reading, the tags, the judgement and the corrections."""
    press_bar(timeline, 1)
    panel = timeline.locator("#timeline-panel")
    expect(panel.locator("h2")).to_contain_text("B12, probe 1")
    expect(panel).to_contain_text("12.0 V printed for STOP, 10 %")
    expect(panel).to_contain_text("isolation transformer")
    expect(panel.locator("summary")).to_have_text("90 readings as a table")
    expect(panel.locator("tbody tr")).to_have_count(90)
    expect(panel.locator(".panel-plot")).to_be_visible()


def test_the_timeline_works_by_keyboard_alone(timeline: Page) -> None:
    """n and b go from placement to placement; the struck one shows who changed what and why."""
    for _ in range(5):
        before = timeline.locator("#timeline-table button[aria-pressed=true]").all_inner_texts()
        timeline.keyboard.press("n")
        wait_until(
            lambda before=before: timeline.locator("#timeline-table button[aria-pressed=true]").all_inner_texts()
            != before,
            "the next placement is looked at",
        )
    panel = timeline.locator("#timeline-panel")
    expect(panel.locator("h2")).to_contain_text("PBV · S301g PLAY contact")
    expect(panel).to_contain_text("struck (wrong pin)")
    timeline.keyboard.press("b")
    expect(panel.locator("h2")).to_contain_text("Q302 · C")


def test_a_running_session_grows_on_the_page_by_itself(served: Served, context: BrowserContext) -> None:
    """A note that the daemon keeps while the page is open appears without a reload."""
    file = served.sessions / "running.session"
    writer = write_sample_session(file, close=False)
    served.bench.change(session={"path": str(file), "name": "running", "started_us": 0, "references": 0})
    page = context.new_page()
    page.goto(f"{served.address}/?token={TOKEN}")
    page.goto(f"{served.address}/timeline?session=running.session")
    expect(page.locator("#timeline-events")).to_contain_text("Auto-stop had tripped")
    writer.add_event(1_772_359_500_000_000, "proof", "Link B12 to PBV: Q302 C back to 6.54 V.")
    writer.commit()
    expect(page.locator("#timeline-events")).to_contain_text("Link B12 to PBV")
    writer.close()


def test_a_session_that_is_not_there_is_answered_with_a_list(served: Served, context: BrowserContext) -> None:
    """Also for a path that leads out of the sessions folder: nothing else on the disk can be read."""
    page = context.new_page()
    page.goto(f"{served.address}/?token={TOKEN}")
    for name in ("gone.session", "../deck.session", "/etc/hostname"):
        page.goto(f"{served.address}/timeline?session={name}")
        expect(page.locator("#timeline")).to_contain_text(f"There is no session '{name}' here. Choose one:")
    page.get_by_role("link", name="cassette deck").click()
    page.wait_for_selector(CANVAS)


def test_a_session_is_started_only_with_the_unit_named_and_its_class_answered(
    served: Served, context: BrowserContext
) -> None:
    """Earthed or double-insulated cannot be left open, nor the rated mains."""
    served.bench.change(session=None, unit=dict.fromkeys(served.bench.state["unit"]))
    page = context.new_page()
    page.goto(f"{served.address}/?token={TOKEN}")
    page.goto(f"{served.address}/sessions")
    page.locator("#unit-unit").fill("mixer")
    page.locator("#unit-rated_mains_v").fill("230")
    page.locator("#start-session").click()
    assert served.bench.said == []
    page.get_by_label("earthed, 3 wires").check()
    page.locator("#start-session").click()
    wait_until(lambda: len(served.bench.said) == 2, "the session is started and the class confirmed")
    assert served.bench.said[0] == {
        "command": "session", "do": "start", "unit": "mixer", "protection": "earthed", "rated_mains_v": 230.0,
    }  # fmt: skip
    assert served.bench.said[1] == {"command": "confirm", "caution": "class", "answer": "earthed"}


def test_the_running_unit_is_put_right_without_its_drawing_s_name_for_a_path(
    served: Served, context: BrowserContext
) -> None:
    """The form is filled with what is known; the state knows the drawing's name, which is no file."""
    page = context.new_page()
    page.goto(f"{served.address}/?token={TOKEN}")
    page.goto(f"{served.address}/sessions")
    expect(page.locator("#unit-unit")).to_have_value(served.bench.state["unit"]["unit"])
    page.locator("#unit-serial").fill("0418")
    page.locator("#name-unit").click()
    wait_until(lambda: bool(served.bench.said), "the unit is said")
    assert served.bench.said[0]["command"] == "unit" and served.bench.said[0]["serial"] == "0418"
    assert "drawing" not in served.bench.said[0]


def test_a_session_that_is_refused_says_where_its_question_is_answered(served: Served, context: BrowserContext) -> None:
    """From the form and from the list: the sentence, and the way to the cautions of the bench page."""
    page = context.new_page()
    page.goto(f"{served.address}/?token={TOKEN}")
    page.goto(f"{served.address}/sessions")
    served.bench.refuse = CommandError("caution", "R5 lifted: say why it stays.")
    page.get_by_role("button", name="resume").click()
    answer = page.locator("#said").get_by_role("link", name="Answer it on the bench page")
    expect(answer).to_be_visible()
    served.bench.refuse = CommandError("caution", "C7 bypassed: say why it stays.")
    page.locator("#unit-unit").fill("tuner")
    page.locator("#unit-rated_mains_v").fill("230")
    page.get_by_label("earthed, 3 wires").check()
    page.locator("#start-session").click()
    expect(page.locator("#said")).to_contain_text("C7 bypassed: say why it stays.")
    answer.click()
    expect(page.locator("#cautions")).to_be_visible()


def test_a_kept_session_is_taken_up_again_from_the_list(served: Served, context: BrowserContext) -> None:
    """Resume names the file to the daemon."""
    page = context.new_page()
    page.goto(f"{served.address}/?token={TOKEN}")
    page.goto(f"{served.address}/sessions")
    page.get_by_role("button", name="resume").click()
    wait_until(lambda: len(served.bench.said) == 1, "resume is said")
    file = str(served.sessions / "deck.session")
    assert served.bench.said == [{"command": "session", "do": "resume", "file": file}]


@pytest.mark.parametrize("theme", ["light", "dark"])
@pytest.mark.parametrize("width", [1440, 360])
def test_nothing_runs_out_of_the_timeline_or_the_list(
    served: Served, context: BrowserContext, theme: str, width: int
) -> None:
    """At desk and phone width, a placement opened."""
    page = context.new_page()
    page.emulate_media(color_scheme=theme)
    page.set_viewport_size({"width": width, "height": 800})
    page.goto(f"{served.address}/?token={TOKEN}")
    page.goto(f"{served.address}/timeline?session=deck.session")
    page.wait_for_selector(CANVAS)
    page.keyboard.press("n")
    page.wait_for_selector("#timeline-panel h2")
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    page.goto(f"{served.address}/sessions")
    page.wait_for_selector("#unit-unit")
    assert page.evaluate("document.documentElement.scrollWidth") <= width
