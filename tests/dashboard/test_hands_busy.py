"""Both hands on the probes: a repair by keyboard or foot switch alone, what is said aloud, the phone at the board."""

import socket
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
import uvicorn
from playwright.sync_api import BrowserContext, Page, expect

from dashboard.app import build
from tests.dashboard.conftest import TOKEN, wait_until
from tests.dashboard.kept_bench import KeptBench
from tests.dashboard.test_bench_all_day import WATCH_SHIFTS

EVERY_POINT = [("B12", 12.0), ("PBD C301+", 10.6), ("Q302 C", 0.0), ("Q302 E", 0.6), ("HT", 72.0)]


@pytest.fixture
def kept(tmp_path: Path) -> Iterator[KeptBench]:
    bench = KeptBench(tmp_path)
    yield bench
    bench.stop()


@pytest.fixture
def address(kept: KeptBench, tmp_path: Path) -> Iterator[str]:
    with socket.create_server(("127.0.0.1", 0)) as listening:
        app = build(kept.door, token=TOKEN, sessions=tmp_path)
        server = uvicorn.Server(uvicorn.Config(app, log_level="warning", timeout_graceful_shutdown=1))
        thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]}, daemon=True)
        thread.start()
        yield f"http://127.0.0.1:{listening.getsockname()[1]}"
        server.should_exit = True
        thread.join(timeout=10)


@pytest.fixture
def open_page(address: str, context: BrowserContext) -> Iterator[Callable[..., Page]]:
    errors: list[str] = []

    def opened(path: str = "/", width: int = 1440, height: int = 900, script: str = "") -> Page:
        page = context.new_page()
        page.on("pageerror", lambda error: errors.append(str(error)))
        page.add_init_script(WATCH_SHIFTS + script)
        page.set_viewport_size({"width": width, "height": height})
        page.goto(f"{address}/?token={TOKEN}")
        if path != "/":
            page.goto(address + path)
        page.wait_for_selector(".walk-more:not(:empty)")
        return page

    yield opened
    assert errors == []


def on_the_bench(kept: KeptBench) -> None:
    kept.say("condition", condition="direct")
    kept.say("power", state="on")
    kept.say("mode", mode="PLAY")


def said(page: Page) -> list[str]:
    found: list[str] = page.evaluate("probetrail.said")
    return found


def heard(page: Page, words: str) -> None:
    """Wait until exactly these words are among those spoken."""
    try:
        wait_until(lambda: words in said(page), f"{words!r} is said")
    except pytest.fail.Exception:
        pytest.fail(f"{words!r} was not said; it was {said(page)}")


def tread(page: Page) -> None:
    """A foot switch that types F13, a key that no keyboard driver of a test knows."""
    page.evaluate("document.activeElement.dispatchEvent(new KeyboardEvent('keydown', {key: 'F13', bubbles: true}))")


def large(page: Page, words: str) -> None:
    expect(page.locator("#next-point")).to_have_text(words)


def test_a_repair_by_keyboard_alone_from_the_first_point_to_the_last(
    kept: KeptBench, open_page: Callable[..., Page]
) -> None:
    """Mode and how it is fed are typed, one key begins the walk; from there on the probes alone go through it."""
    page = open_page()
    page.keyboard.press("c")
    page.keyboard.type("direct")
    page.keyboard.press("Enter")
    expect(page.locator("#said")).to_contain_text("Fed: direct.")
    page.keyboard.press("2")
    expect(page.locator("#said")).to_contain_text("Mode PLAY.")
    page.keyboard.press(" ")
    large(page, "B12")
    heard(page, "Next B twelve.")
    kept.floating()
    kept.volts(12.0)
    kept.rest()
    heard(page, "B twelve, play, twelve volts, inside. Next PBD C three oh one plus.")
    large(page, "PBD · C301+")
    kept.floating()
    kept.touch(10.6)
    kept.volts(0.0)
    kept.rest()
    heard(
        page,
        "Q three oh two collector, play, zero volts, outside, expected six point five four volts."
        " Next Q three oh two emitter.",
    )
    assert page.evaluate("probetrail.tones").count("outside") == 1
    kept.floating()
    kept.volts(0.6)
    kept.rest()
    heard(
        page,
        "Q three oh two emitter, play, six hundred millivolts, inside. Next HT."
        " Above the touch limit. Clip on with power off.",
    )
    kept.floating()
    expect(page.locator(".walk-more.high")).to_have_text("Above the touch limit. Clip on with power off.")
    kept.touch(72.0)
    kept.rest()
    heard(page, "HT, play, seventy-two volts, inside. That was the last point.")
    expect(page.locator(".walk-before")).to_have_text("the last point is read")
    assert kept.kept() == EVERY_POINT


def test_back_hold_strike_that_was_and_undo_by_one_key_each_are_heard(
    kept: KeptBench, open_page: Callable[..., Page]
) -> None:
    """What cannot be seen to be done is said; undo brings each of them back."""
    page = open_page()
    on_the_bench(kept)
    page.keyboard.press("n")
    large(page, "B12")
    kept.floating()
    kept.touch(10.6)
    large(page, "PBD · C301+")
    page.keyboard.press("w")
    page.keyboard.type("pbd")
    page.keyboard.press("Enter")
    large(page, "B12")
    heard(page, "Placement 1 was: point PBD, leg C301+.")
    assert kept.kept() == [("PBD C301+", 10.6)]
    page.keyboard.press("u")
    large(page, "PBD · C301+")
    assert kept.kept() == [("B12", 10.6)]
    page.keyboard.press("x")
    large(page, "B12")
    heard(page, "Struck: placement 1, B12.")
    page.keyboard.press("u")
    large(page, "PBD · C301+")
    page.keyboard.press("s")
    heard(page, "Held at PBD C301+: each landing is one more there.")
    expect(page.locator(".walk-before")).to_have_text("held: each landing is one more on")
    page.keyboard.press("u")
    expect(page.locator(".walk-before")).to_have_text("land on")
    page.keyboard.press("b")
    large(page, "B12")
    page.keyboard.press("u")
    large(page, "PBD · C301+")
    page.keyboard.press("n")
    large(page, "Q302 · C")
    expect(page.locator(".walk-more")).to_contain_text("passed over: PBD C301+")
    page.keyboard.press("u")
    large(page, "PBD · C301+")
    page.keyboard.press("r")
    heard(page, "B twelve, play, ten point six volts, outside, expected twelve volts. Next PBD C three oh one plus")


def test_a_foot_switch_types_any_key_and_works_while_something_is_typed(
    kept: KeptBench, open_page: Callable[..., Page]
) -> None:
    """Learnt once by pressing it, kept in the browser, and what it does is chosen."""
    page = open_page()
    page.keyboard.press("?")
    page.locator("#add-foot").click()
    tread(page)
    expect(page.locator(".feet kbd")).to_have_text("F13")
    page.keyboard.press("Escape")
    page.keyboard.press("t")
    page.keyboard.type("tape has hol")
    tread(page)
    large(page, "B12")
    page.keyboard.type("es")
    expect(page.locator("#mark-note")).to_have_value("tape has holes")
    page.keyboard.press("Escape")
    page.reload()
    page.wait_for_selector(".walk-more:not(:empty)")
    page.keyboard.press("?")
    page.get_by_label("what F13 does").select_option("hold")
    page.keyboard.press("Escape")
    tread(page)
    expect(page.locator(".walk-before")).to_have_text("held: each landing is one more on")


def test_a_foot_switch_presses_no_button_that_was_clicked_and_its_bounce_is_one_step(
    kept: KeptBench, open_page: Callable[..., Page]
) -> None:
    """A clicked button would hear the space that a foot switch types; contacts close twice within milliseconds."""
    page = open_page()
    page.locator("#hold-point").click()
    page.keyboard.press(" ")
    large(page, "B12")
    expect(page.locator(".walk-before")).to_have_text("land on")
    page.wait_for_timeout(200)
    page.evaluate(
        "for (let n = 0; n < 2; n += 1)"
        " document.body.dispatchEvent(new KeyboardEvent('keydown', {key: ' ', bubbles: true}))"
    )
    large(page, "PBD · C301+")
    page.wait_for_timeout(300)
    large(page, "PBD · C301+")


SESSION = """
window.handlers = {};
Object.defineProperty(navigator, "mediaSession", { value: {
  metadata: null, playbackState: "none", setActionHandler(name, act) { handlers[name] = act; },
} });
"""


def test_the_keys_of_a_headset_go_on_back_and_hold(kept: KeptBench, open_page: Callable[..., Page]) -> None:
    """Media Session API: one press holds, two go on, three go back; the headset's display shows the point."""
    page = open_page(script=SESSION)
    page.keyboard.press("?")
    page.locator("#headset-on").check()
    wait_until(lambda: page.evaluate("Object.keys(handlers).length") >= 5, "handlers are set")
    assert page.evaluate("fetch('/silence.wav').then((a) => a.headers.get('content-type'))") == "audio/wav"
    page.keyboard.press("Escape")
    page.evaluate("handlers.nexttrack()")
    large(page, "B12")
    page.evaluate("handlers.nexttrack()")
    large(page, "PBD · C301+")
    page.evaluate("handlers.previoustrack()")
    large(page, "B12")
    page.evaluate("handlers.pause()")
    expect(page.locator(".walk-before")).to_have_text("held: each landing is one more on")
    wait_until(lambda: page.evaluate("navigator.mediaSession.metadata?.title") == "B12", "the title is the point")


def test_the_next_point_can_be_read_from_two_metres(kept: KeptBench, open_page: Callable[..., Page]) -> None:
    """Capitals of at least 16 minutes of arc at 2 m: 9.3 mm, 35.2 px at 96 to the inch (ISO 9241-303; from memory).

    A capital is about 0.69 of the type size high.
    """
    page = open_page()
    page.keyboard.press("n")
    for words in ("B12", "PBD · C301+"):
        large(page, words)
        size_px = page.locator("#next-point").evaluate("node => parseFloat(getComputedStyle(node).fontSize)")
        assert size_px * 0.69 >= 35.2
        page.keyboard.press("n")


def test_where_sound_is_locked_or_has_no_voice_the_page_says_so(
    kept: KeptBench, open_page: Callable[..., Page]
) -> None:
    """First locked, then unlocked without a voice, then quiet."""
    page = open_page(script="speechSynthesis.getVoices = () => [];")
    note = page.locator(".part-walk .sound-note")
    expect(note).to_have_text("Sound is locked until a first key or tap here.")
    page.keyboard.press("g")
    expect(note).to_have_text("No offline voice for English here: tones do the work.")
    page.keyboard.press("v")
    expect(note).to_have_text("Quiet: nothing is said or sounded.")


VOICES = """
window.uttered = [];
speechSynthesis.getVoices = () => [
  { name: "far", lang: "de-DE", localService: false },
  { name: "near", lang: "de-DE", localService: true },
];
window.SpeechSynthesisUtterance = function (text) { this.text = text; };
speechSynthesis.speak = (u) => uttered.push([u.text, u.voice.name, u.rate]);
"""


def test_language_rate_and_own_words_are_chosen_and_kept_and_only_offline_voices_speak(
    kept: KeptBench, open_page: Callable[..., Page]
) -> None:
    """A voice that would send what is measured to somebody's server is not offered."""
    page = open_page(script=VOICES)
    on_the_bench(kept)
    page.keyboard.press("?")
    page.locator("#say-language").select_option("de")
    assert page.locator("#say-voice option").all_inner_texts() == ["the first one", "near"]
    page.locator("#say-rate").fill("1.5")
    page.locator("#say-words").fill("gut = passt\nwiedergabe = play\nPLAY = Wiedergabe\ninside = passt")
    page.keyboard.press("Escape")
    page.reload()
    page.wait_for_selector(".walk-more:not(:empty)")
    page.keyboard.press("n")
    large(page, "B12")
    kept.floating()
    kept.volts(12.03)
    kept.rest()
    heard(page, "B zwölf, wiedergabe, zwölf Volt, passt. Weiter mit PBD C drei null eins plus.")
    assert page.evaluate("uttered.at(-1).slice(1)") == ["near", 1.5]


def test_an_objection_is_urgent_and_does_not_cut_off_the_value_it_is_about(
    kept: KeptBench, open_page: Callable[..., Page]
) -> None:
    """The same tag with two values: the tone, the value, then the sentence."""
    page = open_page()
    on_the_bench(kept)
    kept.say("point", point="B12")
    kept.floating()
    kept.touch(12.0)
    kept.say("point", point="B12")
    kept.volts(9.0)
    kept.rest()
    wait_until(lambda: "urgent" in page.evaluate("probetrail.tones"), "the urgent tone")
    about = next(n for n, words in enumerate(said(page)) if words.startswith("B twelve, play, nine volts"))
    assert "the probe was elsewhere" in said(page)[about + 1]


def test_a_reading_without_a_verdict_says_aloud_which_part_is_lifted(
    kept: KeptBench, open_page: Callable[..., Page]
) -> None:
    """And on the pages in words; with the part noted as back the verdict is said again."""
    page, phone = open_page(), open_page("/phone", 360, 640)
    on_the_bench(kept)
    kept.say("note", kind="part lifted", text="R5 lifted")
    kept.say("point", point="B12")
    kept.floating()
    kept.volts(9.0)
    kept.rest()
    heard(page, "B twelve, play, nine volts, no verdict, R five lifted")
    expect(page.locator(".compared").first).to_have_text("R5 is lifted: the drawing's volts are not to be expected")
    expect(phone.locator(".phone-verdict")).to_have_text("not compared: R5 is lifted")
    kept.say("note", kind="part lifted", text="Q702 lifted")
    kept.volts(9.0)
    kept.rest()
    expect(phone.locator(".phone-verdict")).to_have_text("not compared: R5 and Q702 are lifted")
    for place in (".phone-value", ".phone-verdict"):
        assert phone.locator(place).evaluate("(e) => e.scrollWidth <= e.clientWidth"), place
    kept.say("note", kind="part lifted", text="Q702 back")
    kept.floating()
    kept.say("note", kind="part lifted", text="R5 back")
    kept.say("point", point="B12")
    kept.volts(12.0)
    kept.rest()
    heard(page, "B twelve, play, twelve volts, inside")
    expect(phone.locator(".phone-verdict")).to_have_text("inside")


def test_nothing_jumps_while_a_walk_goes_its_way(kept: KeptBench, open_page: Callable[..., Page]) -> None:
    """Chromium scores every shift that nobody caused: there is none above."""
    page = open_page()
    on_the_bench(kept)
    kept.say("walk", do="start")
    kept.floating()
    large(page, "B12")
    page.evaluate("shifts.length = 0")
    for volts in (12.0, 10.6, 0.0, 0.6, 72.0):
        kept.touch(volts)
        kept.rest()
        page.wait_for_timeout(150)
    expect(page.locator(".walk-before")).to_have_text("the last point is read")
    moved = [each for each in page.evaluate("shifts") if "walk" in each[1]]
    assert moved == []


@pytest.mark.parametrize("theme", ["light", "dark"])
def test_the_phone_has_four_big_buttons_in_one_hands_reach(
    kept: KeptBench, open_page: Callable[..., Page], axe: Callable[[Page], list[str]], theme: str
) -> None:
    """At 360 x 640 nothing runs out of the page, the four lie above the fold, and each does what it says."""
    page = open_page("/phone", 360, 640)
    page.emulate_media(color_scheme=theme)
    on_the_bench(kept)
    page.locator("#big-next").click()
    point = page.locator("#phone-point")
    expect(point).to_have_text("B12")
    kept.floating()
    kept.volts(12.0)
    kept.rest()
    expect(page.locator(".phone-value")).to_have_text("12.00 V")
    expect(page.locator(".phone-verdict")).to_have_text("inside")
    for name in ("back", "next", "strike", "hold"):
        box = page.locator(f"#big-{name}").bounding_box()
        assert box and box["width"] >= 150 and box["height"] >= 96 and box["y"] + box["height"] <= 640
    assert page.evaluate("document.documentElement.scrollWidth") <= 360
    kept.floating()
    expect(point).to_have_text("PBD · C301+")
    page.locator("#big-strike").click()
    expect(point).to_have_text("B12")
    page.locator("#phone-undo").click()
    expect(point).to_have_text("PBD · C301+")
    page.locator("#big-hold").click()
    expect(page.locator("#big-hold")).to_have_text("go on")
    page.locator("#big-hold").click()
    page.locator("#big-back").click()
    expect(point).to_have_text("B12")
    page.locator("#phone-was").select_option("Q302, C")
    wait_until(lambda: kept.kept() == [("Q302 C", 12.0)], "the placement was named anew")
    assert axe(page) == []
    assert said(page) == [], "the voice of a phone beside the bench's is off until it is wanted"


def test_the_settings_of_voice_foot_switch_and_headset_are_sound(
    open_page: Callable[..., Page], axe: Callable[[Page], list[str]]
) -> None:
    """axe-core on the sheet with everything on it."""
    page = open_page()
    page.keyboard.press("?")
    page.locator("#add-foot").click()
    tread(page)
    expect(page.locator(".feet kbd")).to_have_text("F13")
    assert axe(page) == []
