"""The bench page in a real browser: what it shows, says and sends."""

import pytest
from playwright.sync_api import BrowserContext, Page, expect

from drivers.errors import CommandError
from drivers.readings import Flag
from tests.dashboard.conftest import TOKEN, Served, last_said, wait_until
from tests.dashboard.sample_bench import SampleBench, judged, sample_state

MISSING_WORDS = "No kick at REC OUT L: 3.6 % of the reference. The stage may be unpowered: probe its supply."


def missing(bench: SampleBench) -> dict[str, object]:
    return {
        "t_us": bench.now_us(),
        "capture": 7,
        "reference": 2,
        "point": "REC OUT L",
        "mode": "PLAY",
        "verdict": "missing",
        "also": [],
        "ratio": 0.036,
        "why": "Nothing of the reference's size.",
    }


def test_marking_a_point_by_keyboard_alone_sends_the_command_and_the_next_reading_shows_it(
    page: Page, bench: SampleBench
) -> None:
    """p, the point's name, Enter: no mouse; then the reading that follows stands under the new point."""
    page.keyboard.press("p")
    page.keyboard.type("pbd")
    page.keyboard.press("Enter")
    assert last_said(bench, 1) == {"command": "point", "point": "PBD", "leg": "C301+", "probe": "1"}
    expect(page.locator(".readout.chosen .where")).to_have_text("PBD · C301+")
    bench.read(1, 10.56)
    expect(page.locator(".readout.chosen .digits")).to_have_text("10.56")
    expect(page.locator(".readout.chosen .unit")).to_have_text("V")
    expect(page.locator("#said")).to_contain_text("point is kept.")


ONE_KEY = (
    ("n", {"command": "walk", "do": "next", "probe": "1"}),
    (" ", {"command": "walk", "do": "next", "probe": "1"}),
    ("b", {"command": "walk", "do": "back", "probe": "1"}),
    ("s", {"command": "walk", "do": "hold", "probe": "1"}),
    ("i", {"command": "walk", "do": "here", "probe": "1"}),
    ("l", {"command": "point", "point": "", "probe": "1"}),
    ("3", {"command": "mode", "mode": "REC PAUSE"}),
    ("0", {"command": "mode", "mode": "off"}),
    ("o", {"command": "power", "state": "on"}),
    ("f", {"command": "power", "state": "off"}),
    ("x", {"command": "strike", "probe": "1"}),
    ("u", {"command": "undo"}),
    ("gn", {"command": "walk", "do": "next", "probe": "2"}),
)


def test_one_key_marks(page: Page, bench: SampleBench) -> None:
    """Each key says one command for the probe that is being marked; g takes the other probe."""
    for count, (keys, command) in enumerate(ONE_KEY, 1):
        for key in keys:
            page.keyboard.press(key)
        assert last_said(bench, count) == command
        expect(page.locator("#said")).to_contain_text(f"{command['command']} is kept.")
        bench.change(probes=sample_state()["probes"])
        expect(page.locator(".readout .where", has_text="Q302 · C")).to_have_count(1)


TYPED = (
    ("c", "series lamp 60 W", {"command": "condition", "condition": "series lamp 60 W"}),
    ("h", "R301 open", {"command": "hypothesis", "hypothesis": "R301 open"}),
    ("t", "tape has holes", {"command": "note", "text": "tape has holes", "kind": "note"}),
    ("m", "PLAY, pause", {"command": "mode", "mode": "PLAY, pause"}),
    ("p", "J7, pin 2", {"command": "point", "point": "J7", "leg": "pin 2", "probe": "1"}),
    ("w", "q302, e", {"command": "move", "point": "Q302", "leg": "E", "probe": "1"}),
)


def test_one_key_and_a_typed_line_marks(page: Page, bench: SampleBench) -> None:
    """What is typed is not taken for shortcuts, and Enter keeps it."""
    for count, (key, typed, command) in enumerate(TYPED, 1):
        page.keyboard.press(key)
        page.keyboard.type(typed)
        page.keyboard.press("Enter")
        assert last_said(bench, count) == command
        expect(page.locator(".entry:focus")).to_have_count(0)
    assert len(bench.said) == len(TYPED)


def test_a_refused_command_says_why_on_the_page_and_keeps_what_was_typed(page: Page, bench: SampleBench) -> None:
    """No box pops up; the line says it was not kept, and the entry can be mended."""
    bench.refuse = CommandError("condition", "condition cannot be empty. Say how the unit is fed.")
    page.keyboard.press("c")
    page.keyboard.type("?")
    page.keyboard.press("Enter")
    expect(page.locator("#said")).to_contain_text("Not kept condition cannot be empty. Say how the unit is fed.")
    expect(page.locator("#mark-condition")).to_have_value("?")
    expect(page.locator("#mark-condition")).to_have_attribute("aria-invalid", "true")


def test_a_missing_switch_on_cannot_be_overlooked(page: Page, bench: SampleBench) -> None:
    """A banner in words, spoken and sounded once, that opens a hypothesis by one press."""
    bench.change(switch_ons=[missing(bench)])
    banner = page.get_by_role("alert").filter(has_text="No kick")
    expect(banner.locator("strong")).to_have_text(MISSING_WORDS)
    expect(banner).to_be_in_viewport()
    assert float(banner.locator("strong").evaluate("node => parseFloat(getComputedStyle(node).fontSize)")) >= 28
    bench.tell_state()
    wait_until(lambda: page.evaluate("probetrail.said.length") > 0, "something is spoken")
    assert page.evaluate("probetrail.said") == [MISSING_WORDS]
    assert page.evaluate("probetrail.tones") == ["missing"]
    banner.get_by_role("button", name="open hypothesis").click()
    said = last_said(bench, 1)
    assert (said["command"], said["hypothesis"]) == ("hypothesis", "stage at REC OUT L is unpowered")


def test_a_switch_on_like_the_reference_raises_no_banner(page: Page, bench: SampleBench) -> None:
    """Same is told calmly in its place."""
    bench.change(switch_ons=[missing(bench) | {"verdict": "same", "ratio": 1.02}])
    expect(page.locator(".kick-verdict")).to_have_text("same, 102 % of the reference")
    assert page.get_by_role("alert").count() == 0


def test_a_switch_on_that_is_the_same_renews_the_reference_with_one_press(page: Page, bench: SampleBench) -> None:
    """One press on the verdict, answered on the spot; what is missing or smaller is never offered."""
    bench.change(switch_ons=[missing(bench)])
    expect(page.locator(".kick-missing")).to_be_visible()
    keep = page.get_by_role("button", name="keep as the healthy reference")
    expect(keep).to_have_count(0)
    bench.change(switch_ons=[missing(bench) | {"verdict": "same", "ratio": 1.02}])
    keep.click()
    assert last_said(bench, 1) == {"command": "reference", "capture": 7}
    expect(page.locator(".kick-same")).to_contain_text("kept as the healthy reference")
    expect(keep).to_have_count(0)


def test_a_reference_that_the_daemon_refuses_is_not_called_kept(page: Page, bench: SampleBench) -> None:
    """The button stays, and the reason is told."""
    bench.change(switch_ons=[missing(bench) | {"verdict": "same", "ratio": 1.02}])
    bench.refuse = CommandError("capture", "Name the unit first: a reference is kept for its model.")
    page.get_by_role("button", name="keep as the healthy reference").click()
    expect(page.locator("#said")).to_contain_text("Name the unit first")
    expect(page.get_by_role("button", name="keep as the healthy reference")).to_be_visible()


def test_a_settled_reading_is_said_with_its_verdict(page: Page, bench: SampleBench) -> None:
    """Eyes stay on the board: point, value and verdict are spoken when a new placement has settled."""
    probe = bench.state["probes"][0]
    probe.update(placement=9, value=10.56, judgement=judged("inside", 10.6, "10.6 V printed for PLAY"))
    probe["settled"] = {"value": 10.56, "uncertainty": 0.004, "count": 12, "t_us": bench.now_us()}
    bench.tell_state()
    wait_until(lambda: page.evaluate("probetrail.said.length") > 0, "something is spoken")
    assert page.evaluate("probetrail.said") == [
        "Q three oh two collector, play, ten point six volts, inside"
    ]
    assert page.evaluate("probetrail.tones") == ["settled"]


def test_the_voice_can_be_silenced(page: Page, bench: SampleBench) -> None:
    """After v nothing is spoken or sounded, and the switch says so."""
    page.keyboard.press("v")
    expect(page.locator("#voice-switch")).to_contain_text("says nothing")
    bench.change(switch_ons=[missing(bench)])
    expect(page.locator(".alarm-missing")).to_be_visible()
    assert page.evaluate("[probetrail.said, probetrail.tones]") == [[], []]


def test_inside_and_outside_are_words_and_shapes_and_tell_what_was_compared(page: Page, bench: SampleBench) -> None:
    """Never a colour alone."""
    compared = "6.54 V printed for PLAY, does not follow the mains, 10 %"
    bench.state["probes"][0]["judgement"] = judged("outside", 6.54, compared)
    bench.state["probes"][1]["judgement"] = judged("inside", 12.0, "12 V printed for PLAY, 5 %")
    bench.tell_state()
    first, second = page.locator(".readout.chosen"), page.locator(".readout.second")
    expect(first.locator(".verdict-word")).to_have_text("outside")
    expect(first.locator(".expected")).to_contain_text("expected 6.540 V")
    expect(first.locator(".compared")).to_have_text(compared)
    expect(second.locator(".verdict-word")).to_have_text("inside")
    assert first.locator(".verdict-word svg.shape-outside").count() == 1
    assert second.locator(".verdict-word svg.shape-inside").count() == 1


def test_the_digits_can_be_read_from_two_metres(page: Page) -> None:
    """Digit height of at least 22 minutes of arc at 2 m (ISO 9241-303: 20 to 22 preferred; from memory).

    2 m x tan(22') = 12.8 mm, 48.4 px at 96 px to the inch; a digit is about 0.72 of the font size high.
    """
    size_px = page.locator(".readout.chosen .digits").evaluate("node => parseFloat(getComputedStyle(node).fontSize)")
    assert size_px * 0.72 >= 48.4


SHOWN = (
    (0.0052, 0, "5.200", "mV"),
    (-44.2, 0, "−44.20", "V"),
    (0.99999, 0, "1.000", "V"),
    (12345.0, 0, "12.35", "kV"),
    (None, 1, "OVER", "range"),
    (None, 2, "- - -", ""),
)


def test_readings_carry_si_prefixes_and_say_overload(page: Page, bench: SampleBench) -> None:
    """SI prefixes (SI Brochure, 9th edition, table 7); overload is a word, not a number."""
    for value, flags, digits, unit in SHOWN:
        bench.read(1, value, flags)
        expect(page.locator(".readout.chosen .digits")).to_have_text(digits)
        expect(page.locator(".readout.chosen .unit")).to_have_text(unit)


def test_a_reading_larger_than_the_scopes_screen_is_said_in_words_and_not_as_a_number(
    page: Page, bench: SampleBench
) -> None:
    """A clipped trace only tells that the true value is larger; both in the stream and after a reload."""
    glass = page.locator(".readout.chosen")
    beyond = glass.locator(".beyond")
    bench.state["probes"][0].update(quantity="ripple_vpp", unit="Vpp", state="settling", settled=None)
    bench.state["series"][0].update(quantity="ripple_vpp", unit="Vpp")
    bench.tell_state()
    bench.read(1, 3.2)
    expect(glass.locator(".digits")).to_have_text("3.200")
    expect(beyond).to_be_hidden()
    bench.read(1, 4.8, int(Flag.CLIPPED))
    expect(glass.locator(".value")).to_have_text("OVERscreen")
    expect(beyond).to_have_text("Larger than the screen: turn V/div up.")
    bench.tell_state()
    page.reload()
    expect(glass.locator(".value")).to_have_text("OVERscreen")
    expect(beyond).to_be_visible()
    bench.read(1, 1.1)
    expect(glass.locator(".digits")).to_have_text("1.100")
    expect(beyond).to_be_hidden()


def test_the_daemons_word_that_a_probe_is_above_the_touch_limit_is_enough(page: Page, bench: SampleBench) -> None:
    """The frame never stands alone: the caution's words are beside it, and only on that probe."""
    bench.state["probes"][1]["above_touch_limit"] = True
    bench.tell_state()
    second = page.locator(".readout.second")
    expect(second.locator(".touch")).to_have_text("Above the touch limit. Clip on with power off.")
    expect(second.locator(".touch")).to_be_visible()
    assert second.locator(".glass").evaluate("node => getComputedStyle(node).borderTopStyle") == "double"
    expect(page.locator(".readout.chosen .touch")).to_be_hidden()


def test_above_the_touch_limit_the_reading_has_a_frame_and_words(page: Page, bench: SampleBench) -> None:
    """60 V DC and 30 V AC: the limits of CSA Z462 as a university safety office quotes them."""
    words = page.locator(".readout.chosen .touch")
    cases = (("dc_v", 60.5, True), ("dc_v", -44.0, False), ("ac_v", 31.0, True), ("ac_v", 29.0, False))
    for quantity, value, shown in cases:
        bench.state["probes"][0].update(quantity=quantity, value=value, t_us=bench.now_us(), point="J1", leg="")
        bench.state["probes"][0]["settled"] = None
        bench.tell_state()
        expect(words).to_be_visible() if shown else expect(words).to_be_hidden()
    expect(words).to_contain_text("Above the touch limit. Clip on with power off.")


def test_a_point_that_is_printed_above_the_touch_limit_warns_before_it_is_measured(
    page: Page, bench: SampleBench
) -> None:
    """The words stand there while the reading still floats near 0 V."""
    page.keyboard.press("p")
    page.keyboard.type("HT")
    page.keyboard.press("Enter")
    expect(page.locator(".readout.chosen .touch")).to_be_visible()


def test_storing_that_stopped_and_a_lost_instrument_are_told_in_words(page: Page, bench: SampleBench) -> None:
    """A full disk and an instrument that went away."""
    bench.state["instruments"][0].update(status="lost", why="nobody answers at its address")
    bench.change(storing={"ok": False, "why": "the disk is full"})
    expect(page.locator(".alarm-storing strong")).to_have_text("Storing has stopped: the disk is full.")
    expect(page.locator(".instruments .is-lost")).to_contain_text("lost: nobody answers at its address")


def test_a_daemon_that_went_away_is_told_with_its_time_and_comes_back_by_itself(
    page: Page, bench: SampleBench
) -> None:
    """The old reading is named old; when the daemon answers again the page goes on."""
    bench.stop()
    expect(page.locator(".alarm-gone strong")).to_contain_text("The daemon is not answering since")
    again = SampleBench(bench.door.port, bench.door.token)
    again.start()
    try:
        expect(page.locator(".alarm-gone")).to_have_count(0)
    finally:
        again.stop()


def test_the_watch_line_says_whether_a_switch_on_would_be_caught_and_why_not(page: Page, bench: SampleBench) -> None:
    """The reason comes from the daemon."""
    expect(page.locator("#watch")).to_contain_text("I am watching")
    bench.change(watch={"watching": False, "why": "the scope is stopped."})
    expect(page.locator("#watch")).to_have_text("I am not watching for the switch-on: the scope is stopped.")


def test_help_lists_every_key_and_switches_them_off(page: Page, bench: SampleBench) -> None:
    """Single keys can be turned off (WCAG 2.2, success criterion 2.1.4)."""
    page.keyboard.press("?")
    keys = page.locator("dialog.help dt").all_inner_texts()
    assert {*"pnblmchoftxugvdsirw?", "space"} <= set(keys)
    page.keyboard.press("n")
    page.locator("#keys-on").uncheck()
    page.keyboard.press("Escape")
    page.keyboard.press("n")
    page.locator(".press", has_text="lifted").click()
    assert last_said(bench, 1) == {"command": "point", "point": "", "probe": "1"}


def test_every_control_is_reached_by_tab_and_the_focus_is_seen(page: Page) -> None:
    """Each button, entry and list comes up in the order of Tab, with an outline."""
    wanted = page.evaluate(
        "[...document.querySelectorAll('button, input, select, a[href]')]"
        ".filter((n) => n.checkVisibility() && n.tabIndex >= 0).length"
    )
    assert wanted > 25
    page.evaluate("window.reached = new Set(); window.bare = 0")
    for _ in range(wanted + 2):
        page.keyboard.press("Tab")
        page.evaluate(
            "(() => { const n = document.activeElement; if (n === document.body) return; reached.add(n);"
            " if (getComputedStyle(n).outlineStyle === 'none') bare += 1; })()"
        )
    assert page.evaluate("reached.size") >= wanted
    assert page.evaluate("bare") == 0


@pytest.mark.parametrize("theme", ["light", "dark"])
@pytest.mark.parametrize("width", [1440, 360])
def test_nothing_runs_out_of_the_page_and_the_theme_is_the_systems(
    served: Served, context: BrowserContext, theme: str, width: int
) -> None:
    """At desk and phone width, with everything on it that can be on it."""
    bench = served.bench
    for caution in bench.state["cautions"]:
        caution["due"] = True
    bench.state["switch_ons"] = [missing(bench)]
    bench.state["probes"][0]["judgement"] = judged("probably outside", 6.54, "6.54 V printed for PLAY " * 3)
    bench.tell_state()
    page = context.new_page()
    page.emulate_media(color_scheme=theme)
    page.set_viewport_size({"width": width, "height": 800})
    page.goto(f"{served.address}/?token={TOKEN}")
    page.wait_for_selector(".alarm-missing")
    bench.read(1, -123.4)
    expect(page.locator(".readout.chosen .digits")).to_have_text("−123.4")
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    ground = page.evaluate("getComputedStyle(document.documentElement).backgroundColor")
    brightness = sum(int(part) for part in ground[4:-1].split(","))
    assert (brightness < 150) == (theme == "dark")
    page.keyboard.press("d")
    assert page.evaluate("document.documentElement.dataset.theme") == ("light" if theme == "dark" else "dark")
