"""A real browser that looks at a page, and what it saw: when each drawing was on the screen, bytes, memory.

One rule for both pages: a drawing counts as on the screen when the animation frame after the one that shows it
begins, which a browser that cannot keep up begins late.
"""

import contextlib
import itertools
import json
import os
import shutil
import subprocess
import sys
import time
from dataclasses import dataclass

import numpy as np
from playwright.sync_api import sync_playwright

CHROMIUM_ARGUMENTS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
DESK = {"width": 1440, "height": 1900}  # both drawings of both pages in sight
PATIENCE_S = 30
# Ours tells in the frame that it draws in; the other tells when its elements are changed, before the frame.
NOTE_DRAWINGS = """
window.drawings = { trend: [], scope: [], suspects: [], "suspects two steps ahead": [] };
window.heard = 0;
window.WebSocket = class extends WebSocket {
  constructor(...words) {
    super(...words);
    this.addEventListener("message", () => { heard += 1; });
  }
};
const note = (what, t_us, frames) => (frames
  ? requestAnimationFrame(() => note(what, t_us, frames - 1))
  : (drawings[what] ??= []).push([t_us, Date.now() * 1000]));
document.addEventListener("drawn", ({ detail: { what, t_us } }) => note(what, t_us, 1));
const watched = new Set();
setInterval(() => {
  for (const plot of document.querySelectorAll(".js-plotly-plot")) {
    if (watched.has(plot)) continue;
    watched.add(plot);
    const what = plot.closest("#trend") ? "trend" : "scope";
    plot.on("plotly_afterplot", () => note(what, plot.layout.meta, 2));
  }
}, 100);
"""


@dataclass(frozen=True)
class Seen:
    """Ages of all readings and of all traces when they were first seen, seconds."""

    trend_s: np.ndarray
    scope_s: np.ndarray


def latencies_s(drawings, every_s):
    """From ``[newest t_us, seen at us]`` to the age of each reading, made every ``every_s``, when it was first seen."""
    ages, step_us = [], round(every_s * 1e6)
    for (before_us, _), (newest_us, seen_us) in itertools.pairwise(drawings):
        ages += [seen_us - t_us for t_us in range(newest_us, before_us + step_us // 2, -step_us)]
    return np.array(ages) / 1e6


@contextlib.contextmanager
def browsers(count=1):
    """So many Chromiums, each a process of its own, that draw in software."""
    path = os.environ.get("PROBETRAIL_CHROMIUM") or shutil.which("chromium") or shutil.which("chromium-browser")
    if path is None:
        raise SystemExit("This needs a browser: install chromium, or name one in PROBETRAIL_CHROMIUM.")
    with sync_playwright() as playwright:
        opened = [playwright.chromium.launch(executable_path=path, args=CHROMIUM_ARGUMENTS) for _ in range(count)]
        yield opened
        for each in opened:
            each.close()


@contextlib.contextmanager
def process(module, *words):
    """A process of this benchmark: its address, and a function that sends it a line and gives its answer."""
    command = [sys.executable, "-m", f"tests.benchmarks.screen.{module}", *map(str, words)]
    started = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)

    def ask(line="\n"):
        started.stdin.write(line)
        started.stdin.flush()
        return json.loads(started.stdout.readline())

    try:
        yield json.loads(started.stdout.readline())["address"], ask
    finally:
        started.stdin.close()
        started.wait(30)
        started.stdout.close()


class Look:
    """One open page, with all that is noted of it; there once what is ``wanted`` was drawn some times."""

    def __init__(self, opened, address, wanted=("trend", "scope")):
        self._wanted = wanted
        context = opened.new_context(viewport=DESK, color_scheme="light")
        self.page = context.new_page()
        self.page.set_default_timeout(PATIENCE_S * 1000)
        self.page.add_init_script(NOTE_DRAWINGS)
        self._protocol = context.new_cdp_session(self.page)
        self._bytes = 0
        for event, size in (
            ("Network.dataReceived", lambda said: max(said["encodedDataLength"], said["dataLength"])),
            ("Network.webSocketFrameReceived", lambda said: _payload(said["response"])),
        ):
            self._protocol.on(event, lambda said, size=size: self._count(size(said)))
        self.page.goto(address)
        self._wait_for_drawings()

    def _wait_for_drawings(self):
        until_s = time.monotonic() + PATIENCE_S
        drawn = " && ".join(f"drawings.{what}.length > 3" for what in self._wanted)
        while self._wanted and not self.page.evaluate(drawn):
            if time.monotonic() > until_s:
                raise SystemExit(f"The page drew nothing in {PATIENCE_S} s.")
            self.page.wait_for_timeout(50)

    def _count(self, size):
        self._bytes += size

    def watch(self, seconds, every_s=(0.02, 0.2)):
        """Look at it for ``seconds``, longer where it has hardly drawn anything by then."""
        self.page.evaluate("drawings.trend.length = drawings.scope.length = 0")
        self.page.wait_for_timeout(seconds * 1000)
        self._wait_for_drawings()
        drawings = self.page.evaluate("drawings")
        return Seen(latencies_s(drawings["trend"], every_s[0]), latencies_s(drawings["scope"], every_s[1]))

    def bytes_a_second(self, seconds):
        """What came over the wire; counted apart from all else, for counting costs the browser something."""
        self._protocol.send("Network.enable")
        self._bytes, begun_s = 0, time.monotonic()
        self.page.wait_for_timeout(seconds * 1000)
        counted = self._bytes / (time.monotonic() - begun_s)
        self._protocol.send("Network.disable")
        return counted

    def heap_bytes(self):
        """What the page's scripts hold after everything that can go has gone."""
        self.page.evaluate("drawings.trend.length = drawings.scope.length = 0")
        self._protocol.send("HeapProfiler.enable")
        for _ in range(2):
            self._protocol.send("HeapProfiler.collectGarbage")
        self._protocol.send("HeapProfiler.disable")
        self._protocol.send("Performance.enable")
        said = self._protocol.send("Performance.getMetrics")["metrics"]
        self._protocol.send("Performance.disable")
        return next(each["value"] for each in said if each["name"] == "JSHeapUsedSize")

    def close(self):
        self.page.context.close()


def _payload(frame):
    data = frame["payloadData"]
    return len(data.encode()) if frame["opcode"] == 1 else len(data) * 3 // 4
