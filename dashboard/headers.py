"""Headers on every answer: nothing is fetched from elsewhere, nothing frames these pages."""

from collections.abc import Awaitable, Callable, MutableMapping, Sequence
from typing import Any

Message = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]
App = Callable[[Message, Receive, Send], Awaitable[None]]


def content_policy(script_hashes: Sequence[str]) -> str:
    """The Content-Security-Policy; ``script_hashes`` are those of the framework's inline scripts."""
    rules = {
        "default-src": "'self'",
        "script-src": " ".join(("'self'", *script_hashes)),
        "style-src": "'self' 'unsafe-inline'",  # the plots set styles on their own elements
        "img-src": "'self' data: blob:",
        "worker-src": "'self'",
        "connect-src": "'self'",
        "object-src": "'none'",
        "base-uri": "'none'",
        "form-action": "'self'",  # the page that asks a phone for its code; all else is JSON
        "frame-ancestors": "'none'",
    }
    return "; ".join(f"{name} {value}" for name, value in rules.items())


class Headers:
    """ASGI middleware that adds the policy and its companions to every HTTP answer."""

    def __init__(self, app: App, *, policy: str) -> None:
        self._app = app
        self._extra = [
            (b"content-security-policy", policy.encode()),
            (b"x-content-type-options", b"nosniff"),
            (b"referrer-policy", b"no-referrer"),
        ]

    async def __call__(self, scope: Message, receive: Receive, send: Send) -> None:
        """Pass the request on and add the headers to its answer (ASGI 3)."""

        async def send_with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                message["headers"] = [*message.get("headers", []), *self._extra]
            await send(message)

        await self._app(scope, receive, send_with_headers)
