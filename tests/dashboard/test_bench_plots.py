"""Trend and scope of the bench page in a real browser."""

import pytest
from playwright.sync_api import BrowserContext, Page, expect

from tests.dashboard.conftest import DEADLINE_S, TOKEN, Served, wait_until
from tests.dashboard.sample_bench import SampleBench
from tests.dashboard.sample_session import write_sample_session


def test_trend_and_scope_draw_what_arrives(page: Page, bench: SampleBench) -> None:
    """Ink appears on both canvases, and the words beside them tell the same."""
    ink = "id => { const c = document.querySelector(id + ' canvas'); const d = c.getContext('2d')"
    ink += ".getImageData(0, 0, c.width, c.height).data; let n = 0; for (let i = 3; i < d.length; i += 4)"
    ink += " if (d[i]) n += 1; return n; }"
    before = page.evaluate(ink, "#trend"), page.evaluate(ink, "#scope")
    bench.history()
    bench.scope("1", 3.0)
    bench.scope("2", 0.3, hum_v=0.4)
    expect(page.locator("#scope .legend")).to_contain_text("channel 2")
    wait_until(lambda: page.evaluate(ink, "#trend") > before[0] + 2000, "the trend is drawn")
    wait_until(lambda: page.evaluate(ink, "#scope") > before[1] + 2000, "the scope's screen is drawn")


RECORD_WORDS = """
window.written = new Map();
const fillText = CanvasRenderingContext2D.prototype.fillText;
CanvasRenderingContext2D.prototype.fillText = function (words, x, y, ...rest) {
  const length = this.measureText(words).width;
  const left = x - { left: 0, center: length / 2, right: length }[this.textAlign];
  if (this.canvas.className === "trend-plot") {
    const [lowest, highest] = written.get(words) ?? [left, left + length];
    written.set(words, [Math.min(lowest, left), Math.max(highest, left + length), this.canvas.clientWidth]);
  }
  return fillText.call(this, words, x, y, ...rest);
};
"""


@pytest.mark.parametrize("width", [360, 1440])
def test_no_word_of_the_trend_is_cut_off(served: Served, context: BrowserContext, width: int) -> None:
    """Names, quantities and values whole and within the canvas, at phone and desk width."""
    page = context.new_page()
    page.add_init_script(RECORD_WORDS + "localStorage.setItem('trend-minutes', '0.5');")
    page.set_viewport_size({"width": width, "height": 800})
    page.goto(f"{served.address}/?token={TOKEN}")
    page.wait_for_selector(".readout .where:not(:empty)")
    served.bench.history()
    wait_until(lambda: page.evaluate("written.has('probe 2')"), "the lanes are named")
    # Every ten seconds a time of day comes in at the right end of the axis, where there is least room for it.
    page.evaluate("window.begun = new Set(written.keys())")
    came = "[...written.keys()].some(words => /^\\d+:\\d+:\\d+$/.test(words) && !begun.has(words))"
    wait_until(lambda: page.evaluate(came), "the next time of day on the axis")
    written = page.evaluate("[...written]")
    assert {"probe 1", "probe 2", "clamp", "DC volts", "supply current", "mains"} <= {words for words, _ in written}
    assert not [words for words, _ in written if "V" in words and "…" in words]
    for words, (left, right, canvas) in written:
        assert left >= -0.5 and right <= canvas + 0.5, words


def test_on_a_phone_the_curve_has_the_width_of_the_trend(served: Served, context: BrowserContext) -> None:
    """Ink of the first curve within a few pixels of the right edge, where the labels used to be."""
    page = context.new_page()
    page.set_viewport_size({"width": 360, "height": 800})
    page.goto(f"{served.address}/?token={TOKEN}")
    page.wait_for_selector(".readout .where:not(:empty)")
    served.bench.history()
    rightmost = (
        "() => { const c = document.querySelector('.trend-plot'), pen = c.getContext('2d');"
        " const d = pen.getImageData(0, 40, c.width, 50).data; let most = 0;"
        " for (let i = 0; i < d.length; i += 4)"
        " if (d[i + 3] > 200 && d[i + 2] - d[i] > 90) most = Math.max(most, (i / 4) % c.width);"
        " return most / c.width; }"
    )
    wait_until(lambda: page.evaluate(rightmost) > 0.95, "the first curve reaches the right edge")


def test_two_noisy_channels_of_a_scope_do_not_cover_one_another(page: Page, bench: SampleBench) -> None:
    """Each has rows of the screen of its own: no row carries ink of both."""
    bench.scope("1", 3.0, hum_v=1.0)
    bench.scope("2", 3.0, hum_v=2.0)
    expect(page.locator("#scope .legend")).to_contain_text("channel 2")
    rows = (
        "() => { const c = document.querySelector('.scope-plot'), d = c.getContext('2d')"
        ".getImageData(0, 0, c.width, c.height).data; const blue = new Set(), orange = new Set();"
        " for (let i = 0; i < d.length; i += 4) { if (d[i + 3] < 200) continue;"
        " const row = Math.floor(i / 4 / c.width), lean = d[i] - d[i + 2];"
        " if (lean < -90) blue.add(row); if (lean > 90) orange.add(row); }"
        " return [blue.size, orange.size, [...blue].filter((row) => orange.has(row)).length]; }"
    )
    wait_until(lambda: min(page.evaluate(rows)[:2]) > 60, "both are drawn")
    assert page.evaluate(rows)[2] == 0


def test_a_page_that_reloads_shows_what_was_read_before(served: Served, context: BrowserContext) -> None:
    """Readings and placements of the running session come from its record, not from this page's memory."""
    bench = served.bench
    file = served.sessions / "now.session"
    write_sample_session(file, start_us=bench.now_us() - 180_000_000)
    bench.change(session={"path": str(file), "name": "now", "started_us": 0, "references": 0})
    page = context.new_page()
    with page.expect_response(lambda answer: "/recent" in answer.url and bool(answer.json()["series"])) as answer:
        page.goto(f"{served.address}/?token={TOKEN}")
    recent = answer.value.json()
    assert max(high for _, _, high in recent["series"]["1"]) == pytest.approx(11.99, abs=0.02)
    assert [band["point"] for band in recent["placements"]][:2] == ["B12", "PBV"]
    expect(page.locator("#trend-words")).to_contain_text("probe 1 DC volts", timeout=DEADLINE_S * 1000)
