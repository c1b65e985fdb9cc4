"""Cautions on the bench page: shown while they are due, answered in place, never in the way."""

from playwright.sync_api import Page, expect

from tests.dashboard.conftest import last_said
from tests.dashboard.sample_bench import SampleBench


def test_cautions_that_are_due_are_shown_and_confirmed_in_place(page: Page, bench: SampleBench) -> None:
    """No box in the way: keys go on working, one press answers."""
    for caution in bench.state["cautions"]:
        caution["due"] = True
    bench.tell_state()
    power = page.locator(".caution").filter(has_text="One hand. Cover off: mains inside.")
    expect(power).to_be_visible()
    page.keyboard.press("n")
    assert last_said(bench, 1)["command"] == "walk"
    power.get_by_role("button", name="read and done").click()
    assert last_said(bench, 2) == {"command": "confirm", "caution": "first power"}
    expect(power).to_have_count(0)


def test_a_caution_that_says_stop_cannot_be_dismissed_and_none_hides_the_reading(
    page: Page, bench: SampleBench
) -> None:
    """It has no button, stands first, and stays though somebody confirmed it."""
    stop = {"id": "tube", "where": "a picture tube", "kind": "stop", "text": "Do not go on from here with it."}
    bench.state["cautions"].insert(0, stop | {"confirmed": True, "due": True})
    bench.state["cautions"][4]["due"] = True
    bench.tell_state()
    first = page.locator("#cautions .caution").first
    expect(first).to_contain_text("Do not go on from here with it.")
    expect(first.get_by_role("button")).to_have_count(0)
    shown, glass = page.locator("#cautions").bounding_box(), page.locator(".chosen .glass").bounding_box()
    assert shown is not None and glass is not None
    assert glass["x"] + glass["width"] <= shown["x"]
    expect(page.locator("#cautions .caution.is-show")).to_be_in_viewport(ratio=1)


def test_the_class_of_the_unit_is_answered_on_the_bench(page: Page, bench: SampleBench) -> None:
    """Earthed or double-insulated, and the rated mains: both, then the caution is answered."""
    bench.state["unit"].update(protection=None, rated_mains_v=None)
    bench.state["cautions"][0]["due"] = True
    bench.tell_state()
    page.locator("#rated-volts").fill("230")
    page.get_by_role("button", name="earthed, 3 wires").click()
    assert last_said(bench, 1) == {"command": "unit", "protection": "earthed", "rated_mains_v": 230.0}
    assert last_said(bench, 2) == {"command": "confirm", "caution": "class", "answer": "earthed"}


def test_the_caution_that_always_holds_is_always_there(page: Page) -> None:
    """Nothing on the page says that a point is safe; this says that the program cannot know."""
    expect(page.locator("#always-caution")).to_contain_text("does not know whether the point is safe")
