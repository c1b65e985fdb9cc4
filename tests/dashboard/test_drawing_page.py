"""A drawing entered on its page: pasted, typed, mended cell by cell, kept for its model, points put on a photo."""

import base64
import re
import socket
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import httpx
import pytest
import uvicorn
from playwright.sync_api import BrowserContext, Page, expect

from daemon.drawing import parse_drawing
from daemon.drawings import Drawings
from dashboard.app import build
from tests.dashboard.conftest import TOKEN, wait_until
from tests.dashboard.kept_bench import KeptBench

TABLE = """unit: cassette deck
nominal mains: 230

point\tleg\tSTOP\tPLAY\tfollows mains\taccess
RAW\tC1+\t18,4\t18.4 V\tyes\t
PBD\t\t0\t10..6\t\tbehind
Q302\tC\t0\t6.54\t\t

RAW -> PBD -> Q302
"""


@pytest.fixture
def kept(tmp_path: Path) -> Iterator[KeptBench]:
    bench = KeptBench(tmp_path)
    yield bench
    bench.stop()


@pytest.fixture
def drawings(tmp_path: Path) -> Drawings:
    return Drawings(tmp_path / "drawings")


@pytest.fixture
def address(kept: KeptBench, tmp_path: Path) -> Iterator[str]:
    (tmp_path / "sessions").mkdir()
    with socket.create_server(("127.0.0.1", 0)) as listening:
        app = build(kept.door, token=TOKEN, sessions=tmp_path / "sessions")
        server = uvicorn.Server(uvicorn.Config(app, log_level="warning", timeout_graceful_shutdown=1))
        thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]}, daemon=True)
        thread.start()
        yield f"http://127.0.0.1:{listening.getsockname()[1]}"
        server.should_exit = True
        thread.join(timeout=10)


@pytest.fixture
def page(address: str, context: BrowserContext) -> Iterator[Page]:
    page = context.new_page()
    errors: list[str] = []
    page.on("pageerror", lambda error: errors.append(str(error)))
    page.goto(f"{address}/?token={TOKEN}")
    page.goto(f"{address}/drawing")
    page.wait_for_selector(".grid input")
    yield page
    assert errors == []


def take_in(page: Page, text: str) -> None:
    page.locator("#drawing-paste > summary").click()
    page.locator("#drawing-text").fill(text)
    page.locator("#drawing-take").click()


def cell(page: Page, words: str) -> str:
    return f'input[aria-label="{words}"]'


def test_a_pasted_table_is_a_grid_with_its_mistakes_at_their_cells_and_is_kept_once_they_are_mended(
    page: Page, drawings: Drawings
) -> None:
    """Nothing of it is lost, each line of mistakes leads to its cell, and the session compares with it at once."""
    take_in(page, TABLE)
    first = page.locator(cell(page, "PLAY, V, row 2"))
    expect(first).to_have_value("10..6")
    expect(first).to_have_attribute("aria-invalid", "true")
    expect(page.locator("#drawing-mistakes li")).to_have_count(2)
    expect(page.locator("#drawing-keep")).to_be_disabled()
    page.locator("#drawing-mistakes button").first.click()
    expect(first).to_be_focused()
    first.fill("10.6")
    page.locator(cell(page, "access, row 2")).fill("hard")
    expect(page.locator("#drawing-mistakes")).to_contain_text("3 points, 0 parts: nothing is wrong with it.")
    assert page.locator("#drawing-arrows li").all_inner_texts() == ["RAW → PBD → Q302"]
    page.locator("#drawing-keep").click()
    expect(page.locator("#said")).to_contain_text("The drawing of cassette deck is kept and compared with.")
    drawing = parse_drawing(drawings.text("cassette deck") or "", "kept")
    assert [(p.name, p.printed_v["PLAY"], p.fed_by, p.access) for p in drawing.points] == [
        ("RAW", 18.4, (), "easy"), ("PBD", 10.6, ("RAW",), "hard"), ("Q302", 6.54, ("PBD",), "easy"),
    ]  # fmt: skip
    assert drawing.points[0].follows_mains and drawing.nominal_mains_v == 230
    expect(page.locator("#drawing-models option")).to_have_text(["kept drawings…", "cassette deck"])


def test_an_empty_page_finds_no_fault_with_anybody_and_offers_no_point_without_a_photo(page: Page) -> None:
    page.get_by_role("button", name="an empty one").click()
    expect(page.locator("#drawing-mistakes")).to_contain_text("Nothing is entered yet.")
    expect(page.locator("#head-modes")).to_have_attribute("aria-invalid", "false")
    expect(page.locator("#photo-point")).to_be_hidden()
    page.locator(cell(page, "point, row 1")).fill("RAW")
    expect(page.locator("#head-modes")).to_have_attribute("aria-invalid", "true")


def test_typed_by_keyboard_alone_row_by_row(page: Page) -> None:
    """Tab goes along, Enter goes down, and there is always one more empty row."""
    page.get_by_role("button", name="an empty one").click()
    page.locator("#head-unit").fill("lamp supply")
    page.locator("#head-modes").fill("ON")
    page.locator("#head-modes").press("Tab")
    page.locator(cell(page, "point, row 1")).click()
    page.keyboard.type("RAW")
    page.keyboard.press("Enter")
    page.keyboard.type("A")
    page.keyboard.press("Enter")
    page.keyboard.type("B")
    page.locator(cell(page, "ON, V, row 1")).click()
    for volts in ("20", "19.6", "12"):
        page.keyboard.type(volts)
        page.keyboard.press("Enter")
    expect(page.locator("#drawing-mistakes")).to_contain_text("3 points, 0 parts: nothing is wrong with it.")
    expect(page.locator("#drawing-toml")).to_contain_text('printed_v = { "ON" = 19.6 }')


def test_the_count_of_points_goes_with_the_grid_when_nothing_is_wrong_before_and_after(page: Page) -> None:
    """Two drawings without a mistake one after the other: the sentence is not left from the first."""
    wait_until(lambda: page.locator("#drawing-mistakes").inner_text().endswith("nothing is wrong with it."), "a check")
    rows = page.locator(".grid[aria-label=points] tbody tr")
    before = rows.count() - 1  # one is always empty
    assert page.locator("#drawing-mistakes").inner_text() == f"{before} points, 0 parts: nothing is wrong with it."
    page.locator(cell(page, f"point, row {before + 1}")).fill("one more")
    expect(page.locator("#drawing-mistakes")).to_have_text(f"{before + 1} points, 0 parts: nothing is wrong with it.")


def test_cells_of_a_spreadsheet_are_pasted_where_the_focus_is(page: Page) -> None:
    """Two rows of three cells at the leg of the first row."""
    page.locator(cell(page, "leg, row 2")).evaluate(
        "(node) => { const data = new DataTransfer(); data.setData('text', 'x1\\t1\\t2\\nx2\\t3\\t4\\n');"
        " node.dispatchEvent(new ClipboardEvent('paste', {clipboardData: data, bubbles: true, cancelable: true})); }"
    )
    expect(page.locator(cell(page, "leg, row 2"))).to_have_value("x1")
    expect(page.locator(cell(page, "PLAY, V, row 3"))).to_have_value("4")


def test_what_was_there_before_comes_back_and_a_draft_outlives_a_reload(page: Page) -> None:
    """Loading another drawing, and closing the page, lose nothing."""
    take_in(page, TABLE)
    expect(page.locator(cell(page, "point, row 1"))).to_have_value("RAW")
    page.get_by_role("button", name="back to what was here").click()
    expect(page.locator(cell(page, "point, row 1"))).to_have_value("B12")
    page.locator(cell(page, "point, row 1")).fill("B13")
    page.reload()
    page.wait_for_selector(".grid input")
    expect(page.locator(cell(page, "point, row 1"))).to_have_value("B13")


def test_toml_with_mistakes_is_told_line_by_line_and_the_grid_stays(page: Page) -> None:
    take_in(page, '[drawing]\nunit = "x"\nmodes = ["ON"]\n[[point]]\nnam = "A"\n')
    expect(page.locator("#drawing-mistakes")).to_contain_text("line 5, [[point]]")
    expect(page.locator(cell(page, "point, row 1"))).to_have_value("B12")


def test_what_is_told_of_a_text_is_not_overwritten_by_a_check_that_was_due(page: Page) -> None:
    """A cell is typed into, and a text with a mistake taken in before the grid's own check comes."""
    page.locator("#drawing-paste > summary").click()
    page.locator("#drawing-text").fill("[drawing]\n[[point]]\nnam = 1\n")
    page.evaluate(
        """() => {
            const cell = document.querySelector('input[aria-label="point, row 1"]');
            cell.value = "B99";
            cell.dispatchEvent(new Event("input", { bubbles: true }));
            document.getElementById("drawing-take").click();
        }"""
    )
    expect(page.locator("#drawing-mistakes")).to_contain_text("line 3, [[point]]")
    page.wait_for_timeout(1000)
    expect(page.locator("#drawing-mistakes")).to_contain_text("line 3, [[point]]")


def jpeg(page: Page) -> bytes:
    """A picture larger than what is kept of one."""
    text = page.evaluate(
        "(() => { const c = document.createElement('canvas'); c.width = 2400; c.height = 1600; const p ="
        " c.getContext('2d'); p.fillStyle = '#2a5'; p.fillRect(0, 0, 2400, 1600);"
        " return c.toDataURL('image/jpeg').split(',')[1]; })()"
    )
    return base64.b64decode(text)


def test_points_are_put_on_a_photo_of_the_board_and_the_bench_page_shows_where_the_next_one_is(
    page: Page, kept: KeptBench, drawings: Drawings, address: str
) -> None:
    """By a press, by arrows; kept with the drawing; the picture is made small before it is sent."""
    picture = {"name": "upper side.jpg", "mimeType": "image/jpeg", "buffer": jpeg(page)}
    page.locator("#photo-file").set_input_files([picture])
    stage = page.locator(".photo-stage img")
    expect(stage).to_be_visible()
    assert drawings.photos("cassette deck") == ["upper-side.jpg"]
    wait_until(lambda: stage.evaluate("(node) => node.naturalWidth") == 1600, "the photo is there, and smaller")
    box = stage.bounding_box()
    assert box
    page.locator(".photo-stage").click(position={"x": box["width"] * 0.25, "y": box["height"] * 0.5})
    pin = page.get_by_role("button", name="B12", exact=True)
    expect(pin).to_be_visible()
    pin.focus()
    page.keyboard.press("ArrowRight")
    page.keyboard.press("ArrowRight")
    expect(page.locator("#photo-point option:checked")).to_have_text("PBD · C301+")
    expect(page.locator("#drawing-toml")).to_contain_text("photo = \"upper-side.jpg\"")
    page.locator("#drawing-keep").click()
    expect(page.locator("#said")).to_contain_text("is kept and compared with")
    point = parse_drawing(drawings.text("cassette deck") or "", "kept").points[0]
    assert point.photo == "upper-side.jpg"
    assert point.at[0] == pytest.approx(0.26, abs=0.005) and point.at[1] == pytest.approx(0.5, abs=0.005)
    kept.say("walk", do="start")
    page.goto(address)
    expect(page.get_by_alt_text("where B12 is on the board")).to_be_visible()


@pytest.mark.parametrize("theme", ["light", "dark"])
@pytest.mark.parametrize("width", [1440, 360])
def test_axe_finds_nothing_serious_and_nothing_runs_out_of_the_page(
    page: Page, axe: Callable[[Page], list[str]], theme: str, width: int
) -> None:
    """With mistakes, parts and all columns in sight."""
    page.emulate_media(color_scheme=theme)
    page.set_viewport_size({"width": width, "height": 800})
    take_in(page, TABLE)
    expect(page.locator("#drawing-mistakes li")).to_have_count(2)
    page.locator("#drawing-columns").click()
    page.locator("#drawing-parts > summary").click()
    assert axe(page) == []
    assert page.evaluate("document.documentElement.scrollWidth") <= width


OWN = {"Authorization": f"Bearer {TOKEN}"}
BAD = ({}, {"sheet": 3}, {"sheet": {"head": {}, "points": [3], "parts": []}}, {"sheet": {"head": {"unit": 3}}}, [], "x")


@pytest.mark.parametrize("body", BAD)
@pytest.mark.parametrize("path", ["/sheet/check", "/sheet/keep", "/sheet/read"])
def test_nothing_that_is_posted_breaks_the_page_server(address: str, path: str, body: object) -> None:
    answer = httpx.post(address + path, json=body, headers=OWN, trust_env=False)
    assert answer.status_code == 422 and answer.json()["error"]


def test_a_photo_that_is_not_there_is_not_found_and_no_other_file_is_given_out(address: str) -> None:
    for name in ("drawing.toml", "../../s.probetrail", ""):
        asked = {"unit": "cassette deck", "name": name}
        assert httpx.get(f"{address}/photo", params=asked, headers=OWN, trust_env=False).status_code == 404
    assert re.match(r"4\d\d", str(httpx.get(f"{address}/photo", headers=OWN, trust_env=False).status_code))
