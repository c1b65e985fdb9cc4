"""A phone of the LAN comes in with a code, once, in time; nobody else does, and nothing of the desk's goes with it."""

import asyncio
import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import httpx
import pytest

from daemon.commands import Door
from dashboard.__main__ import lan_addresses
from dashboard.app import build
from dashboard.pairing import CODE_S, GUEST_S, MOST_TRIES, Pairing
from drivers.clock import HandClock
from tests.dashboard.conftest import TOKEN, Served, in_a_loop_of_its_own
from tests.dashboard.sample_bench import SampleBench

HERE = "http://192.168.1.5:8420"
FORM = {"Content-Type": "application/x-www-form-urlencoded", "Origin": HERE}


class Lan:
    """The whole application as a phone on the LAN reaches it, without a network."""

    def __init__(self, bench: SampleBench, folder: Path) -> None:
        self.clock = HandClock()
        self.told: list[str] = []
        self.pairing = Pairing(self.clock, (HERE,), self.told.append)
        self.app = build(bench.door, token=TOKEN, sessions=folder, pairing=self.pairing)

    def ask(self, method: str, path: str, who: str = "192.168.1.7", base: str = HERE, **more: Any) -> httpx.Response:
        transport = httpx.ASGITransport(app=self.app, client=(who, 40000))  # type: ignore[arg-type]  # because ASGI

        async def asked() -> httpx.Response:
            async with httpx.AsyncClient(transport=transport, base_url=base) as client:
                return await client.request(method, path, **more)

        return in_a_loop_of_its_own(asked())

    def type(self, code: str, **more: Any) -> httpx.Response:
        return self.ask("POST", "/pair", content=f"code={code}", headers={**FORM, **more})

    def come_in(self) -> str:
        answer = self.type(self.pairing.new_code())
        assert answer.status_code == 303
        return answer.headers["set-cookie"].split(";")[0]


@pytest.fixture
def lan(bench: SampleBench, tmp_path: Path) -> Lan:
    return Lan(bench, tmp_path)


def test_a_device_that_types_the_code_comes_in_and_its_cookie_is_no_scripts_and_no_other_sites(lan: Lan) -> None:
    code = lan.pairing.new_code()
    assert "Type the code" in lan.ask("GET", "/").text
    answer = lan.type(f"{code[:3]}+{code[3:]}")
    assert (answer.status_code, answer.headers["location"]) == (303, "/phone")
    cookie = answer.headers["set-cookie"]
    assert "HttpOnly" in cookie and "SameSite=Strict" in cookie
    assert TOKEN not in cookie, "the desk's own token is given to nobody"
    own = {"Cookie": cookie.split(";")[0]}
    assert lan.ask("GET", "/assets/main.js", headers=own).status_code == 200


def test_a_code_is_good_once(lan: Lan) -> None:
    code = lan.pairing.new_code()
    assert lan.type(code).status_code == 303
    assert lan.type(code).status_code == 401


def test_a_code_is_good_for_five_minutes_and_a_device_for_a_working_day(lan: Lan) -> None:
    code = lan.pairing.new_code()
    lan.clock.turn(CODE_S)
    assert lan.type(code).status_code == 401
    own = {"Cookie": lan.come_in()}
    lan.clock.turn(GUEST_S - 1)
    assert lan.ask("GET", "/assets/main.js", headers=own).status_code == 200
    lan.clock.turn(1)
    assert lan.ask("GET", "/assets/main.js", headers=own).status_code == 401


def test_five_wrong_codes_make_it_void_and_the_desk_is_told_from_where(lan: Lan) -> None:
    code = lan.pairing.new_code()
    wrong = f"{(int(code) + 1) % 10**6:06d}"
    for _ in range(MOST_TRIES):
        assert lan.type(wrong).status_code == 401
    assert lan.type(code).status_code == 401, "the right one does not help any more"
    assert "5 wrong codes, the last from 192.168.1.7" in lan.pairing.status()["why"]
    assert any("void" in sentence for sentence in lan.told)


def test_a_code_is_shown_and_made_at_the_desk_alone(lan: Lan) -> None:
    """With the desk's token from this machine; a phone that came in learns none and makes none."""
    desk: dict[str, Any] = {
        "who": "127.0.0.1", "base": "http://127.0.0.1:8420", "headers": {"Authorization": f"Bearer {TOKEN}"},
    }  # fmt: skip
    made = lan.ask("POST", "/pairing", json={"do": "new"}, **desk).json()
    assert re.fullmatch(r"\d{3} \d{3}", made["code"]) and made["addresses"] == [HERE]
    assert any(made["code"] in sentence for sentence in lan.told), "the terminal shows it too"
    own = {"Cookie": lan.come_in()}
    assert lan.ask("GET", "/pairing", headers=own).json() == {"lan": False}
    assert lan.ask("POST", "/pairing", headers=own, json={"do": "new"}).status_code == 422
    assert lan.ask("GET", "/pairing", **desk).json()["guests"] == 1
    lan.ask("POST", "/pairing", json={"do": "forget"}, **desk)
    assert lan.ask("GET", "/phone", headers=own).status_code == 401


REFUSED = (
    (421, {"Host": "evil.example"}),
    (421, {"Host": "127.0.0.1:8420"}),
    (421, {"Host": "192.168.1.99:8420"}),
    (403, {"Origin": "http://evil.example"}),
    (403, {"Sec-Fetch-Site": "cross-site"}),
)


@pytest.mark.parametrize(("status", "headers"), REFUSED)
def test_a_device_that_came_in_meets_the_same_guard(lan: Lan, status: int, headers: dict[str, str]) -> None:
    """A name that is not the very address that was reached (DNS rebinding), another site's page."""
    own = {"Cookie": lan.come_in(), **headers}
    assert lan.ask("GET", "/phone", headers=own).status_code == status


def test_the_desks_token_opens_nothing_from_afar(lan: Lan) -> None:
    """Neither as a bearer, nor in the address, nor as a cookie: it could have been overheard."""
    assert lan.ask("GET", "/", headers={"Authorization": f"Bearer {TOKEN}"}).status_code == 401
    assert lan.ask("GET", f"/?token={TOKEN}").status_code == 401
    assert lan.ask("GET", "/", headers={"Cookie": f"probetrail-8420={TOKEN}"}).status_code == 401


@pytest.mark.parametrize("headers", [{"Origin": "http://evil.example"}, {"Origin": "null"}, {"Origin": ""}])
def test_a_form_of_another_site_spends_no_try(lan: Lan, headers: dict[str, str]) -> None:
    code = lan.pairing.new_code()
    for _ in range(MOST_TRIES + 1):
        assert lan.type("000000", **headers).status_code in (401, 403)
    assert lan.type(code).status_code == 303


GUESTS = (
    ({"command": "walk", "do": "next"}, 200),
    ({"command": "strike"}, 200),
    ({"command": "generator", "output": "on"}, 422),
    ({"command": "supply", "output": "off"}, 422),
    ({"command": "session", "do": "start"}, 422),
    ({"command": "unit", "drawing": "/etc/passwd"}, 422),
    ({"command": "stop"}, 422),
)


@pytest.mark.parametrize(("body", "status"), GUESTS)
def test_a_device_marks_and_corrects_and_moves_no_instrument_and_names_no_file(
    lan: Lan, bench: SampleBench, body: dict[str, Any], status: int
) -> None:
    own = {"Cookie": lan.come_in(), "Origin": HERE}
    assert lan.ask("POST", "/do", headers=own, json=body).status_code == status
    assert len(bench.said) == (status == 200)


def test_a_post_that_a_web_form_could_send_is_refused_to_a_device_too(lan: Lan) -> None:
    own = {"Cookie": lan.come_in(), **FORM}
    assert lan.ask("POST", "/do", headers=own, content="command=strike").status_code == 415


def test_the_live_stream_is_refused_to_who_has_no_cookie(lan: Lan) -> None:
    sent: list[Any] = []
    scope = {
        "type": "websocket", "path": "/live", "query_string": b"", "client": ("192.168.1.7", 1),
        "server": ("192.168.1.5", 8420), "headers": [(b"host", b"192.168.1.5:8420")],
        "extensions": {"websocket.http.response": {}},
    }  # fmt: skip

    async def send(message: Any) -> None:
        sent.append(message)

    async def run() -> None:
        await lan.app(scope, _nothing, send)

    in_a_loop_of_its_own(run())
    assert sent[0]["status"] == 401


async def _nothing() -> dict[str, Any]:
    return {}


def test_without_lan_a_stranger_of_the_network_meets_a_wrong_name(served: Served, bench: SampleBench) -> None:
    """Were the socket ever open to it: no code is asked for, nothing is said."""
    app = build(bench.door, token=TOKEN, sessions=served.sessions)
    transport = httpx.ASGITransport(app=app, client=("192.168.1.7", 1))  # type: ignore[arg-type]  # because ASGI

    async def asked() -> int:
        async with httpx.AsyncClient(transport=transport, base_url=HERE) as client:
            return (await client.get("/")).status_code

    assert in_a_loop_of_its_own(asked()) == 421
    assert httpx.get(f"{served.address}/pairing", headers=_desk(), trust_env=False).json() == {"lan": False}


def _desk() -> dict[str, str]:
    return {"Authorization": f"Bearer {TOKEN}"}


@pytest.fixture
def started(bench: SampleBench, tmp_path: Path) -> Any:
    running: list[subprocess.Popen[str]] = []

    def start(*more: str) -> tuple[str, Callable[[], str]]:
        words = ["--daemon-port", str(bench.door.port), "--daemon-token", bench.door.token, "--sessions", str(tmp_path)]
        process = subprocess.Popen(
            [sys.executable, "-m", "dashboard", *words, *more],
            stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        )  # fmt: skip
        running.append(process)
        assert process.stdout and process.stderr
        return process.stdout.readline(), process.stderr.readline

    yield start
    for process in running:
        process.terminate()
        process.communicate(timeout=10)


def test_the_process_listens_to_the_lan_only_when_it_is_told_to(started: Any) -> None:
    """By this machine's own address on the network: without --lan nothing answers there, with it a code is wanted."""
    if not lan_addresses():
        pytest.skip("this machine has no address on any network")
    host = lan_addresses()[0]
    line, _ = started()
    port = re.search(r":(\d+)/", line)[1]  # type: ignore[index]  # because a miss is a failure anyway
    with pytest.raises(httpx.ConnectError):
        httpx.get(f"http://{host}:{port}/", trust_env=False)
    line, told = started("--lan")
    port = re.search(r":(\d+)/", line)[1]  # type: ignore[index]  # because a miss is a failure anyway
    sentence = told()
    assert f"http://{host}:{port}/" in sentence
    code = re.search(r"type (\d{3} \d{3})", sentence)[1]  # type: ignore[index]  # because a miss is a failure anyway
    base = f"http://{host}:{port}"
    answer = httpx.post(f"{base}/pair", data={"code": code}, headers={"Origin": base}, trust_env=False)
    assert answer.status_code == 303
    page = httpx.get(f"{base}/phone", headers={"Cookie": answer.headers["set-cookie"].split(";")[0]}, trust_env=False)
    assert page.status_code == 200


def test_the_daemons_own_door_stays_on_this_machine(bench: SampleBench) -> None:
    """Whatever the dashboard is told: its socket is bound to loopback."""
    assert bench._server._socket.getsockname()[0] == "127.0.0.1"
    assert isinstance(bench.door, Door)


def test_codes_are_told_apart_by_chance_alone() -> None:
    """Six digits each, and not the same twice in a row of twenty."""
    pairing = Pairing(HandClock())
    codes = {pairing.new_code() for _ in range(20)}
    assert len(codes) >= 18 and all(re.fullmatch(r"\d{6}", code) for code in codes)
    assert asyncio.iscoroutinefunction(pairing.welcome)
