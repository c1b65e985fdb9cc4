"""The bench page as one that is left open all day: nothing jumps, what is old looks old, it goes on by itself."""

import socket
import threading
from collections.abc import Callable

import pytest
import uvicorn
from playwright.sync_api import BrowserContext, Page, expect

from dashboard.app import build
from drivers.readings import Flag
from tests.dashboard.conftest import TOKEN, Served, wait_until
from tests.dashboard.sample_bench import SampleBench, judged

# Layout Instability API: what moved without anybody's doing, as Chromium scores it.
WATCH_SHIFTS = """
window.shifts = [];
new PerformanceObserver((list) => {
  for (const entry of list.getEntries()) {
    if (entry.hadRecentInput) continue;
    const place = ({ x, y, width }) => `${Math.round(x)},${Math.round(y)} (${Math.round(width)} wide)`;
    const name = (node) => node?.id || node?.className || node?.nodeName;
    const moved = entry.sources.map((s) => `${name(s.node)} ${place(s.previousRect)} -> ${place(s.currentRect)}`);
    shifts.push([entry.value, moved.join("; ")]);
  }
}).observe({ type: "layout-shift", buffered: false });
"""
SHOWN = (0.00052, -123.4, 6.54, 11.99, 0.0, -0.4, 88.88)


def drawn(page: Page) -> None:
    """Wait until whatever was told has been drawn: two rations of frames."""
    page.wait_for_timeout(150)


def ways_of_a_reading(bench: SampleBench) -> list[Callable[[], None]]:
    """What comes and goes on a bench within a minute, each as something to do."""
    probe, word = bench.state["probes"][0], "6.54 V printed for PLAY, does not follow the mains, 10 %"

    def settle(verdict: str | None) -> None:
        probe["state"] = "settled" if verdict else "floating"
        kept = {"value": 6.5, "uncertainty": 0.004, "count": 12, "t_us": bench.now_us()}
        probe["settled"] = kept if verdict else None
        probe["judgement"] = judged(verdict, 6.54, word) if verdict else None
        bench.tell_state()

    return [
        *((lambda v=value: bench.read(1, v)) for value in SHOWN),
        lambda: bench.read(1, None, int(Flag.OVERLOAD)),
        lambda: bench.read(1, 4.8, int(Flag.CLIPPED)),
        lambda: bench.read(1, None, int(Flag.NOT_A_NUMBER)),
        lambda: settle("inside"),
        lambda: settle("probably outside"),
        lambda: settle(None),
        lambda: settle("not compared"),
        lambda: bench.read(3, 0.0613),
        lambda: bench.read(3, 1.5),
    ]


@pytest.mark.parametrize("width", [1440, 390])
def test_nothing_moves_while_digits_states_and_verdicts_come_and_go(
    served: Served, context: BrowserContext, width: int
) -> None:
    """Every layout shift that Chromium sees is one too many."""
    bench = served.bench
    page = context.new_page()
    page.set_viewport_size({"width": width, "height": 900})
    page.goto(f"{served.address}/?token={TOKEN}")
    page.wait_for_selector(".readout .where:not(:empty)")
    bench.history(30.0)
    bench.scope("1", 3.0)
    expect(page.locator("#scope .legend")).to_contain_text("channel 1")
    drawn(page)
    page.evaluate(WATCH_SHIFTS + "null")
    for act in ways_of_a_reading(bench):
        act()
        drawn(page)
    moved = page.evaluate("shifts")
    assert moved == [], "\n".join(f"{score:.5f} {what}" for score, what in moved)


def test_a_reading_that_is_old_is_grey_and_says_how_old(page: Page, bench: SampleBench) -> None:
    """In words, and quieter than a fresh one; the instruments' list says the same; the next reading ends it."""
    probe = page.locator(".readout.chosen")
    bench.read(1, 6.54)
    expect(probe.locator(".digits")).to_have_text("6.540")
    fresh = probe.locator(".value").evaluate("node => getComputedStyle(node).color")
    bench.state["instruments"][0].update(poll_s=0.5, last_t_us=bench.now_us() - 75_000_000)
    bench.tell_state()
    expect(probe.locator(".state-word")).to_contain_text("stale: 75 s old")
    expect(probe.locator(".digits")).to_have_text("6.540")
    assert probe.locator(".value").evaluate("node => getComputedStyle(node).color") != fresh
    expect(page.locator(".instruments .is-stale")).to_contain_text("stale: silent for")
    bench.read(1, 6.55)
    bench.tell_state()
    expect(probe.locator(".state-word")).to_have_text("settled")


def test_a_page_that_nobody_sees_draws_nothing_and_is_up_to_date_when_it_is_seen_again(
    page: Page, bench: SampleBench
) -> None:
    """A hidden page has no animation frames (HTML standard, 8.1.7.3): here they are withheld in the same way."""
    page.evaluate(
        "window.count = 0; document.addEventListener('drawn', () => { count += 1; });"
        "window.withheld = []; window.frames_again = requestAnimationFrame;"
        "window.requestAnimationFrame = (f) => withheld.push(f); null"
    )
    drawn(page)
    page.evaluate("count = 0")
    for n in range(20):
        bench.read(1, 5.0 + n)
    bench.scope("1", 3.0)
    drawn(page)
    assert page.evaluate("count") == 0
    page.evaluate("window.requestAnimationFrame = frames_again; for (const f of withheld) frames_again(f)")
    expect(page.locator(".readout.chosen .digits")).to_have_text("24.00")
    wait_until(lambda: page.evaluate("count") > 0, "it is drawn")


def serve(app: object, listening: socket.socket) -> tuple[uvicorn.Server, threading.Thread]:
    config = uvicorn.Config(app, log_level="warning", timeout_graceful_shutdown=1, ws="websockets-sansio")
    server = uvicorn.Server(config)
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]}, daemon=True)
    thread.start()
    return server, thread


def test_after_the_dashboard_restarts_the_page_goes_on_by_itself(bench: SampleBench, context: BrowserContext, tmp_path):
    """The same port and the same token, as the command line starts it again; nobody touches the page."""
    page = context.new_page()
    with socket.create_server(("127.0.0.1", 0)) as listening:
        port = listening.getsockname()[1]
        server, thread = serve(build(bench.door, token=TOKEN, sessions=tmp_path), listening)
        page.goto(f"http://127.0.0.1:{port}/?token={TOKEN}")
        page.wait_for_selector(".readout .where:not(:empty)")
        server.should_exit = True
        thread.join(timeout=10)
    expect(page.locator(".alarm-gone strong")).to_contain_text("The dashboard is not answering since")
    bench.read(1, 3.21)
    with socket.create_server(("127.0.0.1", port)) as listening:
        server, thread = serve(build(bench.door, token=TOKEN, sessions=tmp_path), listening)
        expect(page.locator(".alarm-gone")).to_have_count(0)
        expect(page.locator(".readout.chosen .digits")).to_have_text("3.210")
        bench.read(1, 4.56)
        expect(page.locator(".readout.chosen .digits")).to_have_text("4.560")
        server.should_exit = True
        thread.join(timeout=10)
