"""The timeline of a session of three days in a real browser: how soon it is there, how it zooms, what it holds.

``python -m tests.benchmarks.screen.long FOLDER`` serves the sessions of a folder; the benchmark starts that itself.
"""

import json
import socket
import sys
import tempfile
import threading
from pathlib import Path

import numpy as np
import psutil
import uvicorn

from daemon.commands import Door
from dashboard.app import build
from tests.benchmarks.figures import at_least, at_most
from tests.benchmarks.long_session import spike, write_long_session
from tests.benchmarks.screen.looking import browsers, process

TOKEN = "token-of-the-long-benchmark"
ZOOMS = 60
SPANS = 14
READING_US = 20_000  # between two readings of the fastest series
VIEWPORT = {"width": 1440, "height": 900}
# One rule for all times: a drawing is on the screen when the frame after the one that shows it begins.
UNTIL = """
async ([act, words]) => {
  const drawn = () => JSON.parse(document.querySelector(".timeline-canvas").dataset.drawn ?? "{}");
  const frame = () => new Promise(requestAnimationFrame);
  const near = (a, b) => Math.abs(a - b) <= 2;
  performance.clearResourceTimings();
  const begun = performance.now();
  if (act === "choose") {
    const pick = document.getElementById("session-choice");
    pick.value = words;
    pick.dispatchEvent(new Event("change"));
  } else location.hash = words.join(",");
  const same = (d) => (act === "choose" ? d.session === words : near(d.t0, words[0]) && near(d.t1, words[1]));
  const there = (d) => d.fine && same(d);
  while (!there(drawn())) {
    if (performance.now() - begun > 20000) return { ms: Infinity, drawn: drawn(), bytes: 0 };
    await frame();
  }
  await frame();
  const ms = performance.now() - begun;
  const bytes = performance.getEntriesByType("resource").reduce((sum, one) => sum + one.transferSize, 0);
  return { ms, drawn: drawn(), bytes };
}
"""
# Is there ink of the lane's curve within a few pixels of its upper edge, where the spike stands?
INK = """
([t_us, lane]) => {
  const canvas = document.querySelector(".timeline-canvas");
  const { t0, t1, left, right, lanes } = JSON.parse(canvas.dataset.drawn);
  const ratio = canvas.width / canvas.clientWidth;
  const x = left + ((t_us - t0) / (t1 - t0)) * (right - left);
  const at = [x - 4, lanes[lane].top, 8, 8].map((n) => Math.round(n * ratio));
  const pixels = canvas.getContext("2d").getImageData(...at).data;
  for (let n = 0; n < pixels.length; n += 4) {
    if (pixels[n + 3] > 120 && pixels[n] < 90 && pixels[n + 2] > 120) return true;  // the first lane's blue
  }
  return false;
}
"""


def views(t0, t1, count, seed=1):
    """So many stretches of a session, evenly spread in how far they are zoomed in, from the whole to four readings."""
    rng = np.random.default_rng(seed)
    spans = np.exp(rng.uniform(np.log(4 * READING_US), np.log(t1 - t0), count))
    starts = t0 + rng.uniform(0, 1, count) * (t1 - t0 - spans)
    return [[round(start), round(start + span)] for start, span in zip(starts, spans, strict=True)]


def around_the_spike(t0, t1, t_us, count):
    """From the whole session down to four readings, the spike always in sight."""
    for span in np.geomspace(t1 - t0, 4 * READING_US, count):
        start = min(max(t0, t_us - 0.4 * span), t1 - span)
        yield [round(start), round(start + span)]


def measured(page, hours):
    """Everything that one open page tells."""
    chosen = page.evaluate(UNTIL, ["choose", "long.session"])
    t0, t1 = chosen["drawn"]["t0"], chosen["drawn"]["t1"]
    # Each stretch twice and the quicker counts: what else the machine had to do is not the page's time.
    rounds = [[page.evaluate(UNTIL, ["look", view]) for view in views(t0, t1, ZOOMS)] for _ in range(2)]
    zooms = [min(pair, key=lambda zoom: zoom["ms"]) for pair in zip(*rounds, strict=True)]
    extreme = spike(hours)
    lane = [each["series"] for each in chosen["drawn"]["lanes"]].index(extreme.series)
    seen = []
    for view in around_the_spike(t0, t1, extreme.t_us, SPANS):
        highest = page.evaluate(UNTIL, ["look", view])["drawn"]["lanes"][lane]["most"]
        seen.append(abs(highest - extreme.value) < 1e-3 and page.evaluate(INK, [extreme.t_us, lane]))
    points = max(lane["points"] for each in (chosen, *zooms) for lane in each["drawn"]["lanes"])
    return chosen, zooms, points, seen


def renderer_bytes():
    """What the page's own process of the browser holds for itself alone."""
    own = [each for each in psutil.Process().children(recursive=True) if "--type=renderer" in each.cmdline()]
    return max(each.memory_full_info().uss for each in own)


def browser_bytes():
    """What all processes of the browser hold together, shared pages counted once."""
    processes = [each for each in psutil.Process().children(recursive=True) if "chrom" in each.name()]
    return sum(each.memory_full_info().pss for each in processes)


def heap_bytes(page):
    """What the page's scripts hold."""
    said = page.context.new_cdp_session(page)
    said.send("Performance.enable")
    metrics = said.send("Performance.getMetrics")["metrics"]
    return next(each["value"] for each in metrics if each["name"] == "JSHeapUsedSize")


def figures(full):
    """All figures; the session has 72 hours with ``full``, else 12 as dense ones."""
    hours = 72.0 if full else 12.0
    share = hours / 72
    with tempfile.TemporaryDirectory() as folder:
        write_long_session(Path(folder) / "short.session", 0.1, 20, 5)
        write_long_session(Path(folder) / "long.session", hours, round(2000 * share), round(500 * share))
        with process("long", folder) as (address, _), browsers() as (chromium,):
            page = chromium.new_context(viewport=VIEWPORT, color_scheme="light").new_page()
            page.goto("about:blank")
            blank = browser_bytes()
            page.goto(address)
            page.goto(address.partition("?")[0] + "timeline?session=short.session")
            page.wait_for_selector(".timeline-canvas[data-drawn]")
            page.wait_for_selector("#session-choice")
            return told(f"{hours:.0f} h", page, blank, *measured(page, hours))


def told(name, page, blank, chosen, zooms, points, seen):
    """The figures with their goals."""
    times = [each["ms"] for each in zooms]
    added = (browser_bytes() - blank) / 1e6
    wire = float(np.median([each["bytes"] for each in zooms])) / 1e6
    return [
        at_most(f"{name}: from choosing to drawn, s", chosen["ms"] / 1000, 1.0),
        at_most(f"{name}: zoom to any stretch, p50, ms", float(np.percentile(times, 50)), 200.0),
        at_most(f"{name}: zoom to any stretch, p95, ms", float(np.percentile(times, 95)), 200.0),
        at_most(f"{name}: most points of a trace", points, 3000),
        at_least(f"{name}: share of zooms at which a spike of one reading is seen", sum(seen) / len(seen), 1.0),
        at_most(f"{name}: choosing, MB over the wire", chosen["bytes"] / 1e6, 1.0),
        at_most(f"{name}: a zoom, median MB over the wire", wire, 0.2),
        at_most(f"{name}: the page's process holds, MB", renderer_bytes() / 1e6, 300.0),
        at_most(f"{name}: all of the browser holds more than with an empty page, MB", added, 300.0),
        at_most(f"{name}: the page's scripts hold, MB", heap_bytes(page) / 1e6, 100.0),
    ]


def serve(folder):
    """Serve a folder's sessions; no daemon runs. Says the address, ends with its input."""
    with socket.create_server(("127.0.0.1", 0)) as listening:
        port = listening.getsockname()[1]
        app = build(Door(9, "no daemon runs"), token=TOKEN, sessions=Path(folder))
        config = uvicorn.Config(app, log_level="warning", timeout_graceful_shutdown=1, ws="websockets-sansio")
        server = uvicorn.Server(config)
        serving = threading.Thread(target=server.run, kwargs={"sockets": [listening]}, daemon=True)
        serving.start()
        sys.stdout.write(json.dumps({"address": f"http://127.0.0.1:{port}/?token={TOKEN}"}) + "\n")
        sys.stdout.flush()
        sys.stdin.read()
        server.should_exit = True
        serving.join(5)


if __name__ == "__main__":
    serve(sys.argv[1])
