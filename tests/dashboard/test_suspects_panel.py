"""Suspects beside the bench, and the drawing with values and suspects on it."""

import copy
from typing import Any

import pytest
from playwright.sync_api import BrowserContext, Page, expect

from daemon.store.writer import SessionWriter
from drivers.clock import HandClock
from tests.dashboard.conftest import TOKEN, Served, last_said
from tests.dashboard.test_bench_access import found_on
from tests.suspects.conftest import LAMP

RANKING: dict[str, Any] = {
    "session": "",
    "readings": 3,
    "nothing_new_since_us": 1_772_360_460_000_000,
    "parts": [
        {"part": "R1", "probability": 0.82}, {"part": "D1", "probability": 0.11}, {"part": "C2", "probability": 0.04},
    ],
    "suspects": [
        {"part": "R1", "fault": "open", "probability": 0.78, "for": ["B 0.02 V (ON)"], "against": [],
         "silent": ["A 20 V (ON)"], "kill": "A - B (ON) below 18 V or above 21 V"},
        {"hypothesis": "D1 shorted", "state": "open", "part": "D1", "fault": "", "probability": 0.11,
         "for": ["B 0.02 V (ON)"], "against": ["V1 0 A (ON)"], "silent": [], "kill": "V1 below 0.1 A"},
    ],
    "credible_set": ["R1", "D1"],
    "next": [
        {"point": "A - B", "mode": "ON", "quantity": "across_v", "gain_bits": 0.9, "cost": 1.5,
         "reason": "halves what is left: if about 20 V: likely R1; if about 0 V: likely D1."},
        {"point": "LAMP", "mode": "DIM", "quantity": "dc_v", "gain_bits": 0.2, "cost": 4.5,
         "reason": "teaches 0.2 bits."},
    ],
    "no_dc_trace": [{"part": "C2", "fault": "open", "would_show": "ripple or a scope on it"}],
    "values": [
        {"point": "A", "leg": "", "mode": "ON", "value": 20.0}, {"point": "B", "leg": "", "mode": "ON", "value": 0.02},
    ],
}  # fmt: skip


@pytest.fixture
def lamp_bench(served: Served) -> Served:
    """The lamp supply on the bench, three readings into the search."""
    path = served.sessions / "lamp.session"
    with SessionWriter.create(path, HandClock(), {"unit": "lamp supply", "drawing": LAMP}) as writer:
        writer.commit()
    state = served.bench.state
    state["session"]["path"] = str(path)
    state["unit"]["drawing"] = "lamp supply"
    state["context"]["mode"] = "ON"
    state["modes"] = ["ON", "DIM"]
    served.bench.change(suspects=copy.deepcopy(RANKING))
    return served


@pytest.fixture
def lamp_page(lamp_bench: Served, context: BrowserContext) -> Page:
    page = context.new_page()
    page.goto(f"{lamp_bench.address}/?token={TOKEN}")
    page.wait_for_selector("#suspects .suspect")
    page.wait_for_selector("#circuit svg.circuit")
    return page


def test_the_list_has_the_tools_suspects_and_the_persons_own(lamp_page: Page) -> None:
    rows = lamp_page.locator("#suspects .suspect")
    expect(rows).to_have_count(2)
    expect(rows.nth(0)).to_contain_text("R1, open")
    expect(rows.nth(0)).to_contain_text("78 %")
    expect(rows.nth(1)).to_contain_text("yours, open")
    rows.nth(1).locator("summary").click()
    expect(rows.nth(1)).to_contain_text("against: V1 0 A (ON)")
    expect(rows.nth(1)).to_contain_text("Killed by: V1 below 0.1 A")
    expect(lamp_page.locator("#suspects .nothing-new")).to_contain_text("Nothing new was tested since")


def test_what_is_open_stays_open_when_the_ranking_changes(lamp_bench: Served, lamp_page: Page) -> None:
    lamp_page.locator("#suspects .suspect summary").first.click()
    ranking = copy.deepcopy(RANKING)
    ranking["suspects"][0]["probability"] = 0.91
    lamp_bench.bench.change(suspects=ranking)
    expect(lamp_page.locator("#suspects .suspect").first).to_contain_text("91 %")
    expect(lamp_page.locator("#suspects .suspect details").first).to_have_attribute("open", "")


def test_the_next_probe_is_named_with_one_press(lamp_bench: Served, lamp_page: Page) -> None:
    lamp_page.get_by_role("button", name="A - B next", exact=True).click()
    said = last_said(lamp_bench.bench, 1)
    assert said == {**said, "command": "walk", "do": "then", "points": ["A - B"], "mode": "ON"}


def test_a_suspect_becomes_a_hypothesis_with_its_killing_reading(lamp_bench: Served, lamp_page: Page) -> None:
    lamp_page.locator("#suspects .suspect summary").first.click()
    lamp_page.locator("#suspects").get_by_role("button", name="test it").first.click()
    said = last_said(lamp_bench.bench, 1)
    assert said == {"command": "hypothesis", "hypothesis": "R1, open", "kill": RANKING["suspects"][0]["kill"]}


def test_the_drawing_shows_values_suspects_and_the_next_probe(lamp_page: Page) -> None:
    drawing = lamp_page.locator("#circuit svg")
    expect(drawing.locator(".net")).to_have_count(4)
    expect(drawing.locator(".net.read")).to_have_count(2)
    expect(drawing.locator(".net.wanted")).to_have_count(2)
    expect(drawing.locator(".part-name.likely")).to_have_text("R1 82 %")
    expect(drawing.get_by_text("20 V", exact=True)).to_be_visible()


def test_a_net_is_named_from_the_keyboard(lamp_bench: Served, lamp_page: Page) -> None:
    lamp_page.locator("#circuit .net").nth(2).focus()
    lamp_page.keyboard.press("Enter")
    assert last_said(lamp_bench.bench, 1) == {"command": "point", "point": "B"}


@pytest.mark.parametrize("theme", ["light", "dark"])
@pytest.mark.parametrize("width", [1440, 360])
def test_axe_finds_nothing_serious_and_nothing_is_cut_off(
    lamp_bench: Served, context: BrowserContext, theme: str, width: int
) -> None:
    page = context.new_page()
    page.emulate_media(color_scheme=theme)
    page.set_viewport_size({"width": width, "height": 900})
    page.goto(f"{lamp_bench.address}/?token={TOKEN}")
    page.wait_for_selector("#circuit svg.circuit")
    page.locator("#suspects .suspect summary").first.click()
    page.wait_for_selector(".suspect details[open]")
    assert found_on(page) == []
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
