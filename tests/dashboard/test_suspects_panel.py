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
from tests.suspects.networks import TEXTS, drawing_text
from tests.suspects.test_printed_only import HEADLINES

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


def test_the_headline_speaks_of_places_where_only_printed_volts_are_known(lamp_bench: Served, lamp_page: Page) -> None:
    headline = lamp_page.locator("#suspects .suspects-headline")
    expect(headline).to_have_text("Nine chances in ten: R1 or D1.")
    many = [f"N{number}" for number in range(7)]
    lamp_bench.bench.change(suspects=copy.deepcopy(RANKING) | {"credible_set": many, "named": "parts"})
    expect(headline).to_have_text("Still open: 7 parts share nine chances in ten.")
    lamp_bench.bench.change(suspects=copy.deepcopy(RANKING) | {"credible_set": many, "named": "places"})
    expect(headline).to_have_text("Still open: 7 places share nine chances in ten.")
    lamp_bench.bench.change(suspects=copy.deepcopy(RANKING) | {"credible_set": ["B"], "named": "places"})
    expect(headline).to_have_text("Most likely at B.")
    for credible, named, words in HEADLINES:
        lamp_bench.bench.change(suspects=copy.deepcopy(RANKING) | {"credible_set": credible, "named": named})
        expect(headline).to_have_text(words)


def test_what_is_open_stays_open_when_the_ranking_changes(lamp_bench: Served, lamp_page: Page) -> None:
    lamp_page.locator("#suspects .suspect summary").first.click()
    ranking = copy.deepcopy(RANKING)
    ranking["suspects"][0]["probability"] = 0.91
    lamp_bench.bench.change(suspects=ranking)
    expect(lamp_page.locator("#suspects .suspect").first).to_contain_text("91 %")
    expect(lamp_page.locator("#suspects .suspect details").first).to_have_attribute("open", "")


def test_a_suspicion_that_is_not_on_the_drawing_has_no_bar(lamp_bench: Served, lamp_page: Page) -> None:
    """An empty bar would say that it has no chance, where none is known."""
    bars = lamp_page.locator("#suspects .suspect.own .chance")
    expect(bars).to_have_count(1)
    ranking = copy.deepcopy(RANKING)
    ranking["suspects"][1]["probability"] = None
    lamp_bench.bench.change(suspects=ranking)
    expect(lamp_page.locator("#suspects .suspect.own .percent")).to_have_text("not on the drawing")
    expect(bars).to_have_count(0)


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


LIFT = {
    "point": "D1", "mode": "", "quantity": "part_good", "gain_bits": 0.9, "cost": 10.0,
    "reason": "D1 (shorted) with one end lifted: the diode function.",
    "caution": "Power off first. C2 can hold charge.",
}  # fmt: skip
RIPPLE = {**LIFT, "point": "B", "mode": "ON", "quantity": "ripple_vpp", "reason": "ripple at B: beyond its limit."}
PROOF = {
    "part": "F1", "how": "bypassed", "in_place": True, "before": "A 0 V (ON)", "during": "", "after": "",
    "state": "wanting", "said": "With F1 bypassed, read again what was faulty: A 0 V (ON).",
}  # fmt: skip


def test_where_volts_tell_no_more_the_other_ways_stand_with_their_cautions(
    lamp_bench: Served, lamp_page: Page
) -> None:
    ranking = copy.deepcopy(RANKING)
    ranking["next"][0]["gain_bits"] = ranking["next"][1]["gain_bits"] = 0.04
    lamp_bench.bench.change(suspects=ranking | {"otherwise": [LIFT, RIPPLE]})
    ways = lamp_page.locator("#suspects .other-way")
    expect(ways).to_have_count(2)
    expect(ways.nth(0)).to_contain_text("tested by itself")
    expect(ways.nth(0).locator(".next-caution")).to_contain_text("C2 can hold charge")
    expect(ways.nth(1).locator(".next-caution")).to_contain_text("Caution as above")
    lamp_page.get_by_role("button", name="B next", exact=True).click()
    assert last_said(lamp_bench.bench, 1)["points"] == ["B"]


def test_the_caution_of_a_next_probe_is_a_line_of_its_own(lamp_bench: Served, lamp_page: Page) -> None:
    ranking = copy.deepcopy(RANKING)
    ranking["next"][0]["reason"] += " Above the touch limit: clip on with power off."
    lamp_bench.bench.change(suspects=ranking)
    first = lamp_page.locator("#suspects .next-probe").first
    expect(first.locator(".next-caution")).to_have_text("Above the touch limit: clip on with power off.")
    expect(first.locator(".why")).not_to_contain_text("touch limit")


def test_a_bypass_stays_flagged_until_it_is_taken_away_and_a_proof_is_noted(
    lamp_bench: Served, lamp_page: Page
) -> None:
    lamp_bench.bench.change(suspects=copy.deepcopy(RANKING) | {"proofs": [PROOF]})
    expect(lamp_page.locator("#suspects .bypassed-flag")).to_contain_text("Bypassed: F1. Take it away")
    lamp_page.get_by_role("button", name="F1: bypass taken away").click()
    assert last_said(lamp_bench.bench, 1) == {"command": "note", "kind": "bypassed", "text": "Bypass of F1 removed"}
    proved = PROOF | {"in_place": False, "state": "proved", "said": "F1 is proved."}
    lamp_bench.bench.change(suspects=copy.deepcopy(RANKING) | {"proofs": [proved]})
    expect(lamp_page.locator("#suspects .bypassed-flag")).to_have_count(0)
    lamp_page.get_by_role("button", name="note it as proved").click()
    assert last_said(lamp_bench.bench, 2) == {"command": "hypothesis", "hypothesis": "F1", "state": "proved"}


def test_a_part_that_is_lifted_is_flagged_until_it_is_said_to_be_back(lamp_bench: Served, lamp_page: Page) -> None:
    lamp_bench.bench.change(suspects=copy.deepcopy(RANKING) | {"next": [], "otherwise": [LIFT]})
    lamp_page.get_by_role("button", name=f"{LIFT['point']} is lifted now").click()
    lifted = {"command": "note", "kind": "part lifted", "text": f"{LIFT['point']} lifted"}
    assert last_said(lamp_bench.bench, 1) == lifted
    now = {"part": "C2", "lifted": True, "counts": True, "said": "C2 is lifted: what is read is held against that."}
    lamp_bench.bench.change(suspects=copy.deepcopy(RANKING) | {"lifted": [now]})
    expect(lamp_page.locator("#suspects .bypassed-flag")).to_contain_text("C2 is lifted: what is read")
    lamp_page.get_by_role("button", name="C2 tests bad").click()
    assert last_said(lamp_bench.bench, 2) == {"command": "note", "kind": "note", "text": "C2 tested bad"}
    lamp_page.get_by_role("button", name="C2 is back").click()
    assert last_said(lamp_bench.bench, 3) == {"command": "note", "kind": "part lifted", "text": "C2 back"}
    before = now | {"lifted": False, "counts": False, "said": "A reading taken while R99 was lifted is left out."}
    lamp_bench.bench.change(suspects=copy.deepcopy(RANKING) | {"lifted": [before]})
    expect(lamp_page.locator("#suspects .bypassed-flag")).to_have_count(0)
    expect(lamp_page.locator("#suspects .proofs")).to_contain_text("is left out")


def test_a_bypass_is_noted_from_its_proposal(lamp_bench: Served, lamp_page: Page) -> None:
    way = LIFT | {"point": "F1", "quantity": "bypassed", "reason": "proof of F1: another fuse of the same value."}
    lamp_bench.bench.change(suspects=copy.deepcopy(RANKING) | {"next": [], "otherwise": [way]})
    lamp_page.get_by_role("button", name="F1 is bypassed now").click()
    assert last_said(lamp_bench.bench, 1) == {"command": "note", "kind": "bypassed", "text": "F1 bypassed"}


@pytest.mark.parametrize("width", [1440, 1280, 390, 360])
def test_the_drawing_fits_its_frame_and_no_words_of_it_lie_on_others(
    lamp_bench: Served, context: BrowserContext, width: int
) -> None:
    """A network of 62 parts: nothing beyond the frame's sides, no text upon another, no empty band below."""
    path = lamp_bench.sessions / "console.session"
    with SessionWriter.create(path, HandClock(), {"drawing": drawing_text(TEXTS["console"])}) as writer:
        writer.commit()
    bench = lamp_bench.bench
    bench.state["session"]["path"] = str(path)
    bench.state["context"]["mode"] = "PHONO"
    values = [{"point": point, "leg": "", "mode": "PHONO", "value": -12.34} for point in ("VR", "Q1C", "N12", "LED")]
    parts = [{"part": part, "probability": 0.25} for part in ("R5", "Q4", "U1", "L7")]
    bench.change(suspects=copy.deepcopy(RANKING) | {"values": values, "parts": parts})
    page = context.new_page()
    page.set_viewport_size({"width": width, "height": 900})
    page.goto(f"{lamp_bench.address}/?token={TOKEN}")
    page.wait_for_selector("#circuit svg.circuit")
    found = page.evaluate(FOUND_IN_THE_DRAWING)
    assert found["nets"] == 36
    assert found["beyond"] == []
    assert found["overlaps"] == []
    assert found["rest_px"] < 60


FOUND_IN_THE_DRAWING = """() => {
  const svg = document.querySelector("svg.circuit");
  const box = svg.getBoundingClientRect();
  const view = svg.parentElement;
  const texts = [...svg.querySelectorAll("text")].map((t) => [t.textContent, t.getBoundingClientRect()]);
  const overlaps = [];
  texts.forEach(([a, p], n) => texts.slice(n + 1).forEach(([b, q]) => {
    const w = Math.min(p.right, q.right) - Math.max(p.left, q.left);
    const h = Math.min(p.bottom, q.bottom) - Math.max(p.top, q.top);
    if (w > 2 && h > 4) overlaps.push([a, b, w, h]);
  }));
  const lowest = Math.max(...texts.map(([, p]) => p.bottom));
  return {
    nets: svg.querySelectorAll(".net").length,
    beyond: texts.filter(([, p]) => p.left < box.left - 1 || p.right > box.right + 1).map(([a]) => a)
      .concat(view.scrollWidth > view.clientWidth ? ["view"] : []),
    overlaps,
    rest_px: box.bottom - lowest,
  };
}"""


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
