"""The timeline and the list of sessions in a real browser."""

import pytest
from playwright.sync_api import BrowserContext, Page, expect

from tests.dashboard.conftest import TOKEN, Served, wait_until
from tests.dashboard.sample_session import STAYS, write_sample_session

BARS = ".timeline-plot .barlayer .point path"


@pytest.fixture
def timeline(served: Served, context: BrowserContext) -> Page:
    """The timeline of the kept session, drawn."""
    page = context.new_page()
    page.goto(f"{served.address}/?token={TOKEN}")
    page.goto(f"{served.address}/timeline?session=deck.session")
    page.wait_for_selector(BARS)
    return page


def rows(page: Page) -> list[str]:
    return page.locator("#timeline-table tbody tr").all_inner_texts()


def test_every_placement_is_drawn_and_listed_with_its_settled_value_and_verdict(timeline: Page) -> None:
    """Seven stays: seven bars, seven rows; the struck one says so in words."""
    assert timeline.locator(BARS).count() == len(STAYS)
    listed = rows(timeline)
    assert len(listed) == len(STAYS)
    assert all(point in row and mode in row for row, (_, point, _, mode, *_rest) in zip(listed, STAYS, strict=True))
    assert "11.99 V" in listed[0] and "inside" in listed[0]
    assert "400.0 µV" not in listed[3] and "0.400 mV" in listed[3] and "outside" in listed[3]
    assert "struck" in listed[4]
    events = timeline.locator("#timeline-events").inner_text()
    assert "Auto-stop had tripped" in events
    assert "C308, PLAY: missing." in events


def test_a_missing_switch_on_stands_on_the_time_axis_with_its_trace(timeline: Page) -> None:
    """Its words above the axis, its trace as a thumbnail that comes from nowhere else."""
    expect(timeline.locator(".annotation-text")).to_contain_text("C308: missing")
    source = "document.querySelector('.timeline-plot image')?.href.baseVal.slice(0, 11)"
    wait_until(lambda: timeline.evaluate(source) == "data:image/", "the trace is drawn")


def test_a_filter_leaves_only_what_passes_it(timeline: Page) -> None:
    """By point, then also by mode: plot and table agree."""
    timeline.locator("#filter-point").click()
    timeline.get_by_role("option", name="PBV").click()
    timeline.keyboard.press("Escape")
    wait_until(lambda: len(rows(timeline)) == 3, "three placements on PBV")
    wait_until(lambda: timeline.locator(BARS).count() == 3, "three bars")
    timeline.locator("#filter-mode").click()
    timeline.get_by_role("option", name="STOP").click()
    timeline.keyboard.press("Escape")
    wait_until(lambda: len(rows(timeline)) == 1, "one placement on PBV in STOP")


def test_a_click_on_a_placement_shows_its_readings(timeline: Page) -> None:
    """The panel has a plot, a table with every reading, the tags, the judgement and the corrections."""
    bar = timeline.locator(BARS).first
    box = bar.bounding_box()
    assert box is not None
    timeline.mouse.click(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    panel = timeline.locator("#timeline-panel")
    expect(panel.locator("h2")).to_contain_text("B12, probe 1")
    expect(panel).to_contain_text("12.0 V printed for STOP, 10 %")
    expect(panel).to_contain_text("isolation transformer")
    expect(panel.locator("summary")).to_have_text("90 readings as a table")
    assert panel.locator("tbody tr").count() == 90
    expect(panel.locator(".js-plotly-plot")).to_be_visible()


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
    page.wait_for_selector(BARS)


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
    page.wait_for_selector(BARS)
    page.keyboard.press("n")
    page.wait_for_selector("#timeline-panel h2")
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    page.goto(f"{served.address}/sessions")
    page.wait_for_selector("#unit-unit")
    assert page.evaluate("document.documentElement.scrollWidth") <= width
