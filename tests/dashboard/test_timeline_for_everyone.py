"""The timeline for eyes, hands and screens of every kind: axe-core, keyboard, phone, dark; and nothing fetched."""

from collections.abc import Callable

import pytest
from playwright.sync_api import BrowserContext, Page, expect

from tests.dashboard.conftest import TOKEN, Served
from tests.dashboard.sample_session import write_sample_session

CANVAS = ".timeline-canvas[data-drawn]"


@pytest.fixture
def running(served: Served) -> str:
    """A session that may be corrected: its name."""
    file = served.sessions / "running.session"
    write_sample_session(file, close=False).abandon()
    served.bench.change(session={"path": str(file), "name": "running", "started_us": 0, "references": 0})
    return file.name


@pytest.mark.parametrize("theme", ["light", "dark"])
@pytest.mark.parametrize("width", [1440, 390])
def test_axe_finds_nothing_serious_and_nothing_runs_out_of_the_page(
    served: Served, context: BrowserContext, running: str, axe: Callable[[Page], list[str]], theme: str, width: int
) -> None:
    """With a placement opened and every part of the page unfolded, filters and corrections too."""
    page = context.new_page()
    page.emulate_media(color_scheme="dark" if theme == "dark" else "light")
    page.set_viewport_size({"width": width, "height": 900})
    page.goto(f"{served.address}/?token={TOKEN}")
    page.goto(f"{served.address}/timeline?session={running}")
    page.wait_for_selector(CANVAS)
    page.keyboard.press("n")
    expect(page.locator("#correct-heading")).to_be_visible()
    page.evaluate("document.querySelectorAll('#timeline-panel details, .held').forEach(d => { d.open = true; })")
    page.keyboard.press("p")
    assert axe(page) == []
    assert page.evaluate("document.documentElement.scrollWidth") <= width


def test_every_control_of_the_timeline_is_reached_by_the_tab_key(
    served: Served, context: BrowserContext, running: str
) -> None:
    """Session, filters, the axis and its tools, the panel, the corrections, the tables: in the order they stand in."""
    page = context.new_page()
    page.goto(f"{served.address}/?token={TOKEN}")
    page.goto(f"{served.address}/timeline?session={running}")
    page.wait_for_selector(CANVAS)
    page.keyboard.press("n")
    expect(page.locator("#correct-heading")).to_be_visible()
    wanted = page.evaluate(
        "[...document.querySelectorAll('#timeline :is(a[href], button, input, select, summary, [tabindex=\"0\"])')]"
        ".filter(e => e.checkVisibility() && !e.disabled).length"
    )
    page.locator("#session-choice").focus()
    reached = 0
    while page.evaluate("document.activeElement.closest('#timeline') !== null"):
        reached += 1
        # A date is several stops: its parts.
        page.keyboard.press("Tab")
    assert reached >= wanted > 30


def test_no_request_leaves_the_machine(served: Served, context: BrowserContext) -> None:
    """Neither of the page nor of what it loads when a placement is opened."""
    asked: list[str] = []
    page = context.new_page()
    page.on("request", lambda request: asked.append(request.url))
    page.goto(f"{served.address}/?token={TOKEN}")
    page.goto(f"{served.address}/timeline?session=deck.session")
    page.wait_for_selector(CANVAS)
    page.keyboard.press("n")
    expect(page.locator("#panel-heading")).to_be_visible()
    assert len(asked) > 20
    assert [url for url in asked if not url.startswith((served.address, "data:"))] == []
    assert not any("plotly" in url for url in asked)
