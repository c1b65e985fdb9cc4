"""Who may come in from the LAN: a device that typed the code that the desk shows, once, in time.

A code is good for one device and five minutes, and void after five wrong ones; another is made at the desk alone. So
nobody guesses faster than a person at the desk asks for codes. What a device gets is a token of its own in a
cookie like the desk's; it is kept in memory only, for a working day.
"""

import html
import secrets
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any
from urllib.parse import parse_qsl

from daemon.guard import Message, Receive, Send, cookie_of, is_foreign, new_token
from drivers.clock import Clock

DIGITS = 6
CODE_S = 300.0
GUEST_S = 12 * 3600.0
MOST_TRIES = 5
MOST_GUESTS = 8
LONGEST_FORM = 200
ASK = "Type the code that is shown on the bench page and in the terminal."
ASK_AT_THE_DESK = "No code is good just now: make a new one on the bench page, under Phone."


@dataclass
class _Code:
    """A code in force; ``until_s`` on the monotonic clock."""

    digits: str
    until_s: float
    tries: int = 0


class Pairing:
    """The code in force and the devices that came in with one. ``tell`` takes a sentence for the terminal."""

    def __init__(
        self, clock: Clock, addresses: tuple[str, ...] = (), tell: Callable[[str], None] = lambda _: None
    ) -> None:
        self._clock = clock
        self._tell = tell
        self._code: _Code | None = None
        self._guests: dict[str, float] = {}  # token and until when
        self._why = ""
        self.addresses = addresses

    def new_code(self) -> str:
        """A fresh code; the one before is void."""
        digits = f"{secrets.randbelow(10**DIGITS):0{DIGITS}d}"
        self._code = _Code(digits, self._clock.monotonic_s() + CODE_S)
        self._why = ""
        self._tell(f"Phone: open {' or '.join(self.addresses)} and type {spaced(digits)} (good once, for 5 minutes).")
        return digits

    def forget_all(self) -> None:
        """Nobody from the LAN is let in any more."""
        self._guests.clear()
        self._code = None

    def status(self) -> dict[str, Any]:
        """What the desk shows: the code with the seconds it still holds, the number of devices, what went wrong."""
        code = self._good_code()
        left_s = 0 if code is None else round(code.until_s - self._clock.monotonic_s())
        return {
            "lan": True,
            "addresses": list(self.addresses),
            "code": None if code is None else spaced(code.digits),
            "seconds": left_s,
            "guests": len(self._in_time()),
            "why": self._why,
        }

    def knows(self, token: str) -> bool:
        """True for the token of a device that came in."""
        return any(secrets.compare_digest(token.encode(), known.encode()) for known in self._in_time())

    def try_code(self, typed: str, who: str) -> str | None:
        """The token for whoever typed the code in force; ``who`` is named at the desk where it was wrong too often."""
        code = self._good_code()
        if code is None:
            return None
        if not secrets.compare_digest("".join(filter(str.isdigit, typed)).encode(), code.digits.encode()):
            code.tries += 1
            if code.tries >= MOST_TRIES:
                self._void(f"{MOST_TRIES} wrong codes, the last from {who}: that code is void.")
            return None
        if len(self._in_time()) >= MOST_GUESTS:
            self._void(f"{MOST_GUESTS} devices are in already: let them go before another.")
            return None
        self._code = None
        token = new_token()
        self._guests[token] = self._clock.monotonic_s() + GUEST_S
        self._tell(f"Phone: a device came in from {who}.")
        return token

    async def welcome(self, scope: Message, receive: Receive, send: Send) -> None:
        """Answer somebody from the LAN who is not known: the page that asks for the code, and what it posts."""
        if scope["method"] == "POST" and scope["path"] == "/pair":
            await self._take_form(scope, receive, send)
        else:
            await self._ask(send, ASK if self._good_code() else ASK_AT_THE_DESK)

    async def _take_form(self, scope: Message, receive: Receive, send: Send) -> None:
        body = await _read_form(receive)
        who = (scope.get("client") or ("somebody",))[0]
        # A form of another site could spend our tries: what posts must say that it is this page.
        token = None if is_foreign(scope, must_say=True) else self.try_code(body.get("code", ""), who)
        if token is None:
            await self._ask(send, "That is not the code. " + (ASK if self._good_code() else ASK_AT_THE_DESK))
            return
        headers = [(b"location", b"/phone"), (b"set-cookie", cookie_of(scope, token)), (b"cache-control", b"no-store")]
        await send({"type": "http.response.start", "status": 303, "headers": headers})
        await send({"type": "http.response.body", "body": b""})

    async def _ask(self, send: Send, sentence: str) -> None:
        headers = [(b"content-type", b"text/html; charset=utf-8"), (b"cache-control", b"no-store")]
        await send({"type": "http.response.start", "status": 401, "headers": headers})
        await send({"type": "http.response.body", "body": _PAGE.format(html.escape(sentence)).encode()})

    def _void(self, why: str) -> None:
        self._code, self._why = None, why
        self._tell(f"Phone: {why}")

    def _good_code(self) -> _Code | None:
        if self._code is not None and self._clock.monotonic_s() >= self._code.until_s:
            self._code = None
        return self._code

    def _in_time(self) -> list[str]:
        now_s = self._clock.monotonic_s()
        self._guests = {token: until_s for token, until_s in self._guests.items() if now_s < until_s}
        return list(self._guests)


def spaced(digits: str) -> str:
    """``123 456``: as it is read from a screen and typed."""
    return f"{digits[: DIGITS // 2]} {digits[DIGITS // 2 :]}"


async def _read_form(receive: Receive) -> dict[str, str]:
    body = b""
    while len(body) <= LONGEST_FORM:
        message = await receive()
        body += message.get("body", b"")
        if not message.get("more_body"):
            break
    return dict(parse_qsl(body[:LONGEST_FORM].decode("latin-1")))


_PAGE = """<!DOCTYPE html>
<html lang="en"><head><meta charset="utf-8"><title>probetrail</title>
<meta name="viewport" content="width=device-width, initial-scale=1"><meta name="color-scheme" content="light dark">
<style>
body {{ font: 18px/1.45 system-ui, sans-serif; max-width: 420px; margin: 0 auto; padding: 24px 16px;
  background: light-dark(#f3f1ea, #131517); color: light-dark(#17191b, #ece8dd); }}
input, button {{ display: block; width: 100%; box-sizing: border-box; font: inherit; font-size: 30px; padding: 12px;
  border-radius: 10px; border: 2px solid light-dark(#565a5e, #a8aaa4); margin-top: 10px;
  background: light-dark(#ffffff, #0a0b0c); color: inherit; text-align: center; }}
button {{ background: light-dark(#17191b, #ece8dd); color: light-dark(#ffffff, #131517); font-weight: 700; }}
</style></head><body><main><h1>probetrail</h1><p role="status">{}</p>
<form method="post" action="/pair"><label for="code">Code</label>
<input id="code" name="code" inputmode="numeric" autocomplete="off" maxlength="9" required autofocus>
<button type="submit">come in</button></form></main></body></html>"""
