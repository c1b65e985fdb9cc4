"""The guard around the screens, what leaves them, and what a page may say."""

import json

import httpx
import pytest
import websockets
from playwright.sync_api import BrowserContext

from dashboard.app import screen_token
from tests.dashboard.conftest import TOKEN, Served, in_a_loop_of_its_own

OWN = {"Authorization": f"Bearer {TOKEN}"}
REFUSED = [
    (421, {**OWN, "Host": "evil.example"}),
    (401, {}),
    (401, {"Authorization": "Bearer wrong"}),
    (403, {**OWN, "Origin": "http://evil.example"}),
    (403, {**OWN, "Sec-Fetch-Site": "cross-site"}),
]


@pytest.mark.parametrize(("status", "headers"), REFUSED)
@pytest.mark.parametrize("path", ["/", "/recent", "/capture?number=1", "/_dash-layout", "/assets/main.js"])
def test_every_page_and_route_is_refused_to_strangers(
    served: Served, path: str, status: int, headers: dict[str, str]
) -> None:
    """Foreign name 421, no token 401, foreign origin 403."""
    assert httpx.get(served.address + path, headers=headers, trust_env=False).status_code == status


def test_a_post_that_is_not_json_is_refused(served: Served) -> None:
    """What a plain web form can send: 415, and the daemon hears nothing."""
    for path in ("/do", "/_dash-update-component"):
        answer = httpx.post(served.address + path, data={"command": "stop"}, headers=OWN, trust_env=False)
        assert answer.status_code == 415
    assert served.bench.said == []


@pytest.mark.parametrize(("status", "headers"), REFUSED)
def test_the_live_stream_is_refused_to_strangers_before_it_opens(
    served: Served, status: int, headers: dict[str, str]
) -> None:
    """The same codes over WebSocket."""

    async def knock() -> int:
        own = dict(headers)
        host = own.pop("Host", None)
        address = f"ws://{host or '127.0.0.1'}:{served.port}/live"
        try:
            async with websockets.connect(
                address, additional_headers=own, host="127.0.0.1", port=served.port, proxy=None
            ):
                return 101
        except websockets.InvalidStatus as refusal:
            return refusal.response.status_code

    assert in_a_loop_of_its_own(knock()) == status


def test_the_token_in_the_address_becomes_a_cookie_that_scripts_and_other_sites_cannot_use(served: Served) -> None:
    """HttpOnly, SameSite=Strict, and gone from the address."""
    answer = httpx.get(f"{served.address}/?token={TOKEN}", trust_env=False)
    assert (answer.status_code, answer.headers["location"]) == (303, "/")
    assert "HttpOnly" in answer.headers["set-cookie"]
    assert "SameSite=Strict" in answer.headers["set-cookie"]


def test_every_answer_forbids_other_origins_and_inline_scripts(served: Served) -> None:
    """Content-Security-Policy on pages, scripts and refusals alike."""
    for path, headers in (("/", OWN), ("/assets/main.js", OWN), ("/", {})):
        policy = httpx.get(served.address + path, headers=headers, trust_env=False).headers["content-security-policy"]
        rules = dict(rule.split(" ", 1) for rule in policy.split("; "))
        assert rules["default-src"] == "'self'"
        assert "unsafe" not in rules["script-src"]
        assert rules["frame-ancestors"] == "'none'"


@pytest.mark.parametrize("command", ["stop", "judged", "SYST:REM", "raw"])
def test_a_page_cannot_end_the_daemon_say_verdicts_or_send_instrument_commands(served: Served, command: str) -> None:
    """Refused here already: the daemon hears nothing of it."""
    answer = httpx.post(f"{served.address}/do", json={"command": command}, headers=OWN, trust_env=False)
    assert (answer.status_code, answer.json()["field"]) == (422, "command")
    assert served.bench.said == []


@pytest.mark.parametrize("body", ["[]", "null", "3", '{"command": 3}', '{"command": ["stop"]}', "{", ""])
def test_nothing_that_is_posted_breaks_the_page_server(served: Served, body: str) -> None:
    """One sentence, never a crash."""
    headers = {**OWN, "Content-Type": "application/json"}
    answer = httpx.post(f"{served.address}/do", content=body, headers=headers, trust_env=False)
    assert answer.status_code == 422
    assert answer.json()["error"]


def test_a_mistake_in_a_command_comes_back_with_its_field(served: Served) -> None:
    """The daemon's own sentence."""
    answer = httpx.post(
        f"{served.address}/do", json={"command": "condition", "condition": " "}, headers=OWN, trust_env=False
    )
    assert answer.status_code == 422
    assert answer.json()["field"] == "condition"
    assert "cannot be empty" in answer.json()["error"]


def test_a_daemon_that_is_gone_is_said_with_503(served: Served) -> None:
    """Not kept, and why."""
    served.bench.stop()
    answer = httpx.post(f"{served.address}/do", json={"command": "note", "text": "x"}, headers=OWN, trust_env=False)
    assert answer.status_code == 503
    assert "does not answer" in answer.json()["error"]


def test_no_page_asks_any_other_host_for_anything_and_none_offers_to_share(
    served: Served, context: BrowserContext
) -> None:
    """All three pages with everything opened: only this server is asked, no rule of the policy is broken."""
    asked: list[str] = []
    said: list[str] = []
    page = context.new_page()
    page.on("request", lambda request: asked.append(request.url))
    page.on("websocket", lambda socket: asked.append(socket.url))
    page.on("console", lambda message: said.append(message.text) if message.type == "error" else None)
    page.goto(f"{served.address}/?token={TOKEN}")
    page.wait_for_selector(".readout .where:not(:empty)")
    page.goto(f"{served.address}/timeline?session=deck.session")
    page.wait_for_selector(".timeline-canvas[data-drawn]")
    offered = page.locator("a, button").evaluate_all("all => all.map((n) => `${n.textContent} ${n.title} ${n.href}`)")
    page.goto(f"{served.address}/sessions")
    page.wait_for_selector("#unit-unit")
    own = (served.address, f"ws://127.0.0.1:{served.port}/live", "data:", "blob:")
    assert [url for url in asked if not url.startswith(own)] == []
    assert said == []
    abroad = ("hare", "loud", "://")
    assert offered and not [one for one in offered if any(word in one.replace(served.address, "") for word in abroad)]


def test_the_screens_token_is_made_from_the_daemons_and_does_not_give_it_away() -> None:
    """The same after a restart, so that an open page goes on; another for another daemon."""
    assert screen_token("a") == screen_token("a") != screen_token("b")
    assert "a-long-daemon-token" not in screen_token("a-long-daemon-token")
    assert json.dumps(screen_token("ü"))
