"""Whoever uses these pages, by whatever means: rules of axe-core, keyboard, reduced motion."""

import json

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import BrowserContext, Page, expect

from tests.dashboard.conftest import TOKEN, Served
from tests.dashboard.sample_bench import judged
from tests.dashboard.test_bench_page import missing

SERIOUS = {"serious", "critical"}


def everything_at_once(served: Served) -> None:
    """Cautions, a verdict, a missing switch-on, a lost instrument, storing that stopped."""
    bench = served.bench
    for caution in bench.state["cautions"]:
        caution["due"] = True
    bench.state["probes"][0]["judgement"] = judged("probably outside", 6.54, "6.54 V printed for PLAY")
    bench.state["probes"][1]["above_touch_limit"] = True
    bench.state["instruments"][2].update(status="lost", why="nobody answers at its address")
    bench.state["switch_ons"] = [missing(bench), missing(bench) | {"verdict": "same", "capture": 8, "point": "B12"}]
    bench.change(storing={"ok": False, "why": "the disk is full"})


def found_on(page: Page) -> list[str]:
    """What axe-core finds serious or critical: rule, and where."""
    violations = Axe().run(page).response["violations"]
    return [
        f"{each['id']}: {json.dumps([node['target'] for node in each['nodes']])}"
        for each in violations
        if each["impact"] in SERIOUS
    ]


@pytest.mark.parametrize("theme", ["light", "dark"])
@pytest.mark.parametrize("width", [1440, 390])
def test_axe_finds_nothing_serious_on_the_bench_and_the_sessions(
    served: Served, context: BrowserContext, theme: str, width: int
) -> None:
    """axe-core, the rules that W3C's ACT and WCAG 2.2 are tested with; as it comes, with everything on the page."""
    everything_at_once(served)
    page = context.new_page()
    page.emulate_media(color_scheme=theme)
    page.set_viewport_size({"width": width, "height": 900})
    page.goto(f"{served.address}/?token={TOKEN}")
    page.wait_for_selector(".alarm-missing")
    page.wait_for_selector(".readout .where:not(:empty)")
    served.bench.history(20.0)
    served.bench.scope("1", 3.0)
    expect(page.locator("#scope .legend")).to_contain_text("channel 1")
    assert found_on(page) == []
    page.keyboard.press("?")
    page.wait_for_selector("dialog.help")
    assert found_on(page) == []
    page.goto(f"{served.address}/sessions")
    page.wait_for_selector("#sessions tbody tr")
    page.wait_for_selector(".running b")
    assert found_on(page) == []
