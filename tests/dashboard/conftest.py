"""The dashboard as it is, on a sample bench, driven by a real browser."""

import asyncio
import os
import shutil
import socket
import threading
import time
from collections.abc import Callable, Coroutine, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

import pytest
import uvicorn
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, BrowserContext, Page, sync_playwright

from dashboard.app import build
from tests.dashboard.sample_bench import SampleBench
from tests.dashboard.sample_session import write_sample_session

T = TypeVar("T")
TOKEN = "token-of-the-page-tests"
CHROMIUM_ARGUMENTS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
DEADLINE_S = 20.0


@dataclass
class Served:
    """The dashboard's address, and the bench behind it."""

    bench: SampleBench
    port: int
    sessions: Path

    @property
    def address(self) -> str:
        return f"http://127.0.0.1:{self.port}"


@pytest.fixture(scope="module")
def chromium() -> Iterator[Browser]:
    """A real browser from the system; its absence is a failure that says what to do.

    Not longer than a module: its driver keeps an event loop running in this thread, and other tests need their own.
    """
    path = os.environ.get("PROBETRAIL_CHROMIUM") or shutil.which("chromium") or shutil.which("chromium-browser")
    if path is None:
        pytest.fail("The page tests need a browser: install chromium, or name one in PROBETRAIL_CHROMIUM.")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=path, args=CHROMIUM_ARGUMENTS)
        yield browser
        browser.close()


@pytest.fixture
def bench() -> Iterator[SampleBench]:
    bench = SampleBench()
    bench.start()
    yield bench
    bench.stop()


@pytest.fixture
def served(bench: SampleBench, tmp_path: Path) -> Iterator[Served]:
    sessions = tmp_path / "sessions"
    sessions.mkdir()
    write_sample_session(sessions / "deck.session")
    with socket.create_server(("127.0.0.1", 0)) as listening:
        app = build(bench.door, token=TOKEN, sessions=sessions)
        config = uvicorn.Config(app, log_level="warning", timeout_graceful_shutdown=1, ws="websockets-sansio")
        server = uvicorn.Server(config)
        thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]}, daemon=True)
        thread.start()
        yield Served(bench, listening.getsockname()[1], sessions)
        server.should_exit = True
        thread.join(timeout=10)


@pytest.fixture
def context(chromium: Browser) -> Iterator[BrowserContext]:
    context = chromium.new_context(viewport={"width": 1440, "height": 900}, color_scheme="light", timezone_id="UTC")
    context.set_default_timeout(DEADLINE_S * 1000)
    yield context
    context.close()


@pytest.fixture
def page(served: Served, context: BrowserContext) -> Iterator[Page]:
    """The bench page, open, with its first state shown; a script error on it fails the test."""
    page = context.new_page()
    errors: list[str] = []
    page.on("pageerror", lambda error: errors.append(str(error)))
    page.goto(f"{served.address}/?token={TOKEN}")
    page.wait_for_selector(".readout .where:not(:empty)")
    yield page
    assert errors == []


@pytest.fixture
def axe() -> Callable[[Page], list[str]]:
    """What axe-core (rules of WCAG 2.2 and its own best practices) finds serious or critical on a page, in words."""

    def faults(page: Page) -> list[str]:
        found = Axe().run(page).response["violations"]
        return [
            f"{each['id']}: {each['help']}: {[node['html'][:160] for node in each['nodes'][:4]]}"
            for each in found
            if each["impact"] in ("serious", "critical")
        ]

    return faults


def in_a_loop_of_its_own(coroutine: Coroutine[Any, Any, T]) -> T:
    """Run it in another thread: the browser's driver keeps a loop running in this one."""
    with ThreadPoolExecutor(1) as pool:
        return pool.submit(asyncio.run, coroutine).result(timeout=DEADLINE_S)


def wait_until(true: Callable[[], bool], what: str) -> None:
    """Wait for ``true``; fails with ``what`` when it does not come."""
    deadline = time.monotonic() + DEADLINE_S
    while not true():
        if time.monotonic() > deadline:
            pytest.fail(f"did not happen in {DEADLINE_S:.0f} s: {what}")
        time.sleep(0.02)


def last_said(bench: SampleBench, count: int) -> dict[str, object]:
    """The ``count``-th command that the daemon heard, waited for."""
    wait_until(lambda: len(bench.said) >= count, f"{count} commands at the daemon")
    return bench.said[count - 1]
