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


STILL = "Still noted as in place: F1 bypassed."


def something_in_place(bench: SampleBench) -> None:
    """A bypass and a lifted part are noted, and the job is about to be closed."""
    bench.state["in_place"] = [
        {"what": "bypassed", "part": "F1", "text": "F1 bypassed", "since_us": 1, "event": 7},
        {"what": "lifted", "part": "", "text": "the blue wire lifted", "since_us": 2, "event": 8},
    ]
    others = [each for each in bench.state["cautions"] if each["id"] != "closing"]
    closing = {"id": "closing", "where": "before a soak", "kind": "answer", "text": STILL}
    bench.state["cautions"] = [*others, closing | {"due": True, "confirmed": False}]
    bench.tell_state()


def test_what_is_noted_as_in_place_is_undone_or_answered_with_a_reason(page: Page, bench: SampleBench) -> None:
    """One press notes that it is gone; without a reason nothing is answered."""
    something_in_place(bench)
    closing = page.locator(".caution").filter(has_text=STILL)
    closing.get_by_role("button", name="bypass of F1 is removed").click()
    assert last_said(bench, 1) == {"command": "note", "kind": "bypassed", "text": "F1: bypass removed"}
    closing.get_by_role("button", name="it is refitted").click()
    assert last_said(bench, 2) == {"command": "note", "kind": "part lifted", "text": "the blue wire lifted: refitted"}
    closing.get_by_role("textbox", name="why it stays").fill("fuse on order")
    closing.get_by_role("button", name="it stays, for this reason").click()
    assert last_said(bench, 3) == {"command": "confirm", "caution": "closing", "answer": "fuse on order"}


def test_what_has_to_be_answered_before_the_job_is_closed_is_said_aloud_once(page: Page, bench: SampleBench) -> None:
    """Eyes are on the board; a state that comes again does not say it again."""
    for _ in range(3):
        something_in_place(bench)
    page.locator(".caution").filter(has_text=STILL).wait_for()
    said = page.evaluate("window.probetrail.said")
    assert said.count(STILL) == 1
    assert "urgent" in page.evaluate("window.probetrail.tones")
