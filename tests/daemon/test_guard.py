"""The guard's refusals, each with its own status (RFC 9110: 401 15.5.2, 403 15.5.4, 415 15.5.16, 421 15.5.20)."""

import asyncio

import pytest

from daemon.guard import Guard, new_token

PORT = 4711
HOST = (b"host", b"127.0.0.1:4711")
BEARER = (b"authorization", b"Bearer secret")


async def _inner(scope, receive, send):
    await send({"type": "http.response.start", "status": 200, "headers": []})
    await send({"type": "http.response.body", "body": b"inside"})


def ask(headers, *, method="GET", query=b"", kind="http", extensions=None, path="/"):
    sent = []
    scope = {
        "type": kind,
        "method": method,
        "path": path,
        "query_string": query,
        "headers": headers,
        "server": ("127.0.0.1", PORT),
        "extensions": extensions or {},
    }

    async def send(message):
        sent.append(message)

    asyncio.run(Guard(_inner, token="secret")(scope, None, send))
    return sent


def status(*arguments, **more):
    return ask(*arguments, **more)[0]["status"]


def test_a_bearer_of_the_token_is_let_in():
    assert status([HOST, BEARER]) == 200


@pytest.mark.parametrize("name", [b"localhost:4711", b"127.0.0.1", b"[::1]:4711"])
def test_every_name_of_this_machine_is_its_own(name):
    assert status([(b"host", name), BEARER]) == 200


@pytest.mark.parametrize("name", [b"evil.example:4711", b"evil.example", b"", b"127.0.0.1.evil.example:4711"])
def test_a_foreign_host_name_is_misdirected_even_with_the_token(name):
    """DNS rebinding: a foreign page re-points its own name to this machine and sends that name."""
    assert status([(b"host", name), BEARER]) == 421


@pytest.mark.parametrize("headers", [[], [(b"authorization", b"Bearer wrong")], [(b"authorization", b"Basic secret")]])
def test_without_the_token_nobody_comes_in(headers):
    assert status([HOST, *headers]) == 401


def test_the_token_in_the_address_moves_into_a_cookie_that_opens():
    start = ask([HOST], query=b"token=secret&session=a+b", path="/timeline")[0]
    headers = dict(start["headers"])
    assert start["status"] == 303
    assert headers[b"location"] == b"/timeline?session=a+b"
    cookie, *attributes = headers[b"set-cookie"].decode().split("; ")
    assert {"HttpOnly", "SameSite=Strict"} <= set(attributes)
    assert status([HOST, (b"cookie", cookie.encode())]) == 200


def test_the_cookie_of_another_port_does_not_open():
    assert status([HOST, (b"cookie", b"probetrail-1=secret")]) == 401


def test_a_wrong_token_in_the_address_sets_no_cookie():
    assert status([HOST], query=b"token=guess") == 401


@pytest.mark.parametrize(
    "header",
    [(b"origin", b"http://evil.example"), (b"origin", b"null"), (b"sec-fetch-site", b"cross-site"),
     (b"sec-fetch-site", b"same-site"), (b"origin", b"http://127.0.0.1:1")],
)
def test_another_site_is_refused_even_with_the_token(header):
    assert status([HOST, BEARER, header]) == 403


def test_our_own_page_is_not_another_site():
    own = [(b"origin", b"http://127.0.0.1:4711"), (b"sec-fetch-site", b"same-origin")]
    assert status([HOST, BEARER, *own]) == 200


@pytest.mark.parametrize("content", [b"text/plain", b"application/x-www-form-urlencoded", b""])
def test_a_post_that_a_web_form_could_send_is_refused(content):
    assert status([HOST, BEARER, (b"content-type", content)], method="POST") == 415


def test_a_json_post_passes():
    headers = [HOST, BEARER, (b"content-type", b"application/json; charset=utf-8")]
    assert status(headers, method="POST") == 200


@pytest.mark.parametrize(("headers", "expected"), [([HOST], 401), ([HOST, BEARER, (b"origin", b"http://x")], 403),
                                                   ([(b"host", b"x"), BEARER], 421)])
def test_web_sockets_are_refused_with_the_same_statuses(headers, expected):
    sent = ask(headers, kind="websocket", extensions={"websocket.http.response": {}})
    assert sent[0] == {"type": "websocket.http.response.start", "status": expected, "headers": sent[0]["headers"]}


def test_a_web_socket_is_closed_where_the_server_cannot_answer_with_a_status():
    assert ask([HOST], kind="websocket")[0]["type"] == "websocket.close"


def test_a_token_is_a_word_of_a_command_line_and_never_the_same_twice():
    tokens = {new_token() for _ in range(300)}
    assert len(tokens) == 300
    assert all(token.isalnum() and len(token) * 4 >= 256 for token in tokens)
