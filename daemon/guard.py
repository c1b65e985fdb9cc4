"""Who may come in: one guard over HTTP and WebSocket, for the daemon's door and for the screens.

In this order, each with its own status:

====  =====================================================================================
421   the Host header is not this machine's own name (a web page that re-points its name here)
303   the token is in the address: it moves into a cookie (HttpOnly, SameSite=Strict)
401   neither cookie nor ``Authorization: Bearer`` carries the token
403   Origin or Sec-Fetch-Site say that another site asks
415   a POST that is not JSON (what a plain web form can send)
====  =====================================================================================

Where guests are let in (the screens alone, if a person wants it), whoever is not on this machine has to call it by the
very address that it was reached at, is asked for a code with the 401, and is known by a token of its own: the one of
this machine opens nothing from afar.
"""

import ipaddress
import logging
import secrets
from collections.abc import Awaitable, Callable, MutableMapping
from http.cookies import SimpleCookie
from typing import Any, Protocol
from urllib.parse import parse_qsl, urlencode

Message = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]
App = Callable[[Message, Receive, Send], Awaitable[None]]

OWN_NAMES = frozenset({"127.0.0.1", "localhost", "[::1]"})
REFUSALS = {
    401: "Open the address with its token that was printed at the start, or give the token as a bearer.",
    403: "Asked for by another site: refused.",
    415: "Only JSON is taken here.",
    421: "This is not the name of this machine: use 127.0.0.1, or from afar the address that the bench page shows.",
}


def new_token() -> str:
    """A fresh secret, 256 bits; hexadecimal, for one that began with "-" would be no argument of a command line."""
    return secrets.token_hex(32)


class _DenialsAreNoErrors(logging.Filter):
    """Uvicorn logs an error for each WebSocket that is refused with a status: it is what was meant."""

    def filter(self, record: logging.LogRecord) -> bool:
        return "without completing handshake" not in record.getMessage()


def quiet_denials() -> None:
    """Keep refused WebSockets out of the log of the server that this guard stands in."""
    logging.getLogger("uvicorn.error").addFilter(_DenialsAreNoErrors())


class Guests(Protocol):
    """Who else may come in, from other machines."""

    def knows(self, token: str) -> bool:
        """True for the token of a guest."""

    async def welcome(self, scope: Message, receive: Receive, send: Send) -> None:
        """Answer an HTTP request of somebody who is not known."""


class Guard:
    """ASGI middleware that lets only holders of ``token`` on this machine's own names through, and ``guests``."""

    def __init__(
        self, app: App, *, token: str, names: frozenset[str] = OWN_NAMES, guests: Guests | None = None
    ) -> None:
        self._app = app
        self._token = token
        self._names = names
        self._guests = guests

    async def __call__(self, scope: Message, receive: Receive, send: Send) -> None:
        """Let the request through, or answer it with a refusal (ASGI 3)."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        if is_guest(scope):
            await self._from_afar(scope, receive, send)
            return
        headers = _headers(scope)
        if not self._is_own_host(headers.get("host", "")):
            await _refuse(scope, send, 421)
        elif self._token_in_address(scope):
            await _move_token_to_cookie(scope, send, self._token)
        elif not self._knows_token(scope, headers):
            await _refuse(scope, send, 401)
        elif is_foreign(scope):
            await _refuse(scope, send, 403)
        elif scope["type"] == "http" and scope["method"] == "POST" and not _is_json(headers):
            await _refuse(scope, send, 415)
        else:
            await self._app(scope, receive, send)

    async def _from_afar(self, scope: Message, receive: Receive, send: Send) -> None:
        headers = _headers(scope)
        reached_at = (scope.get("server") or ("", 0))[0]
        if self._guests is None or _name_of(headers.get("host", "")) != reached_at:
            await _refuse(scope, send, 421)
        elif is_foreign(scope):
            await _refuse(scope, send, 403)
        elif not self._guests.knows(_cookie(scope, headers)):
            if scope["type"] == "http":
                await self._guests.welcome(scope, receive, send)
            else:
                await _refuse(scope, send, 401)
        elif scope["type"] == "http" and scope["method"] == "POST" and not _is_json(headers):
            await _refuse(scope, send, 415)
        else:
            await self._app(scope, receive, send)

    def _is_own_host(self, host: str) -> bool:
        return _name_of(host) in self._names

    def _token_in_address(self, scope: Message) -> bool:
        given = dict(parse_qsl(scope.get("query_string", b"").decode("latin-1"))).get("token", "")
        is_page = scope["type"] == "http" and scope["method"] == "GET"
        return is_page and _same(given, self._token)

    def _knows_token(self, scope: Message, headers: dict[str, str]) -> bool:
        scheme, _, bearer = headers.get("authorization", "").partition(" ")
        if scheme.lower() == "bearer" and _same(bearer, self._token):
            return True
        return _same(_cookie(scope, headers), self._token)


def is_guest(scope: Message) -> bool:
    """True where the one who asks is not on this machine."""
    client = scope.get("client")
    if not client:
        return False  # a socket without addresses belongs to this machine
    try:
        return not ipaddress.ip_address(client[0]).is_loopback
    except ValueError:
        return True


def _name_of(host: str) -> str:
    name, separator, port = host.rpartition(":")
    return name if separator and port.isdigit() else host


def _cookie(scope: Message, headers: dict[str, str]) -> str:
    morsel = SimpleCookie(headers.get("cookie", "")).get(_cookie_name(scope))
    return "" if morsel is None else morsel.value


def cookie_of(scope: Message, token: str) -> bytes:
    """The header that hands a token to a browser: no script and no other site can use it."""
    return f"{_cookie_name(scope)}={token}; HttpOnly; SameSite=Strict; Path=/".encode()


def _headers(scope: Message) -> dict[str, str]:
    return {name.decode("latin-1").lower(): value.decode("latin-1") for name, value in scope["headers"]}


def _same(given: str, token: str) -> bool:
    return secrets.compare_digest(given.encode(), token.encode())


def _cookie_name(scope: Message) -> str:
    # Cookies do not tell ports apart: two daemons on one machine must not overwrite each other's.
    return f"probetrail-{(scope.get('server') or ('', 0))[1]}"


def is_foreign(scope: Message, must_say: bool = False) -> bool:
    """True where another site's page asks; with ``must_say`` also where nothing says that our own does."""
    headers = _headers(scope)
    if headers.get("sec-fetch-site", "none") not in ("none", "same-origin"):
        return True
    origin = headers.get("origin")
    return must_say if origin is None else origin != f"http://{headers['host']}"


def _is_json(headers: dict[str, str]) -> bool:
    return headers.get("content-type", "").split(";")[0].strip().lower() == "application/json"


async def _move_token_to_cookie(scope: Message, send: Send, token: str) -> None:
    pairs = parse_qsl(scope["query_string"].decode("latin-1"))
    rest = urlencode([(key, value) for key, value in pairs if key != "token"])
    target = scope["path"] + (f"?{rest}" if rest else "")
    cookie = cookie_of(scope, token)
    headers = [(b"location", target.encode()), (b"set-cookie", cookie), (b"cache-control", b"no-store")]
    await send({"type": "http.response.start", "status": 303, "headers": headers})
    await send({"type": "http.response.body", "body": b""})


async def _refuse(scope: Message, send: Send, status: int) -> None:
    kind = "http.response" if scope["type"] == "http" else "websocket.http.response"
    if scope["type"] == "websocket" and "websocket.http.response" not in scope.get("extensions", {}):
        await send({"type": "websocket.close", "code": 1008, "reason": REFUSALS[status]})
        return
    headers = [(b"content-type", b"text/plain; charset=utf-8")]
    await send({"type": f"{kind}.start", "status": status, "headers": headers})
    await send({"type": f"{kind}.body", "body": REFUSALS[status].encode()})
