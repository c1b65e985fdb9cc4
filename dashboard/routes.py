"""What the scripts ask for: one command said to the daemon, what was lately read, one capture."""

import io
import wave
from dataclasses import replace
from typing import Any

from fastapi import FastAPI, Request
from fastapi.responses import JSONResponse, Response
from starlette.concurrency import run_in_threadpool

from daemon.commands import A_PAGE, COMMANDS, PAGES, Door, say
from daemon.guard import is_guest
from dashboard.pairing import Pairing
from dashboard.review import Review
from drivers.errors import CommandError, DoorError, ProbetrailError

# A page marks and names; ending the daemon and saying verdicts belong to other callers.
FROM_A_PAGE = frozenset(COMMANDS) - {"stop", "judged", "suspected"}
# A guest's device marks and corrects; instruments, files of this machine and what is on the bench are the desk's.
FROM_A_GUEST = frozenset(
    {"point", "mode", "condition", "hypothesis", "power", "note", "strike", "move", "split", "relabel", "undo", "walk"}
    | {"confirm"}
)
PAGE = "probetrail-page"  # the header in which a page says which one it is
MOST_MINUTES = 120
SILENCE_S, SILENCE_HZ = 10, 3000  # browsers hand media keys to nothing shorter than 5 s


def add_routes(server: FastAPI, door: Door, review: Review) -> None:
    """Serve ``POST /do``, ``GET /recent``, ``/capture``, ``/opened``, ``/circuit`` and ``/silence.wav``."""

    async def do(request: Request) -> JSONResponse:
        try:
            body = await request.json()
        except ValueError:
            return _refusal("command", "This is not JSON.", 422)
        own = replace(door, by=PAGES.get(request.headers.get(PAGE, ""), A_PAGE))
        return await run_in_threadpool(_said, own, body, FROM_A_GUEST if is_guest(request.scope) else FROM_A_PAGE)

    async def recent(minutes: float = 30, series: bool = True) -> JSONResponse:
        return await run_in_threadpool(_answer, review.recent, min(max(minutes, 0.1), MOST_MINUTES), series)

    async def capture(number: int, session: str = "") -> JSONResponse:
        return await run_in_threadpool(_answer, review.capture, session, number)

    async def opened(number: int, session: str = "") -> JSONResponse:
        return await run_in_threadpool(_answer, review.opened, session, number)

    async def silence() -> Response:
        return Response(_SILENCE, media_type="audio/wav", headers={"cache-control": "max-age=86400"})

    server.add_api_route("/silence.wav", silence, methods=["GET"], response_model=None)

    async def circuit(session: str = "", columns: int = 99) -> JSONResponse:
        return await run_in_threadpool(_answer, review.circuit, session, max(columns, 2))

    server.add_api_route("/circuit", circuit, methods=["GET"])
    server.add_api_route("/do", do, methods=["POST"])
    server.add_api_route("/recent", recent, methods=["GET"])
    server.add_api_route("/capture", capture, methods=["GET"])
    server.add_api_route("/opened", opened, methods=["GET"])


def _silent_wave() -> bytes:
    """Silence as a wave file: what a page has to play so that a headset's keys reach it."""
    file = io.BytesIO()
    with wave.open(file, "wb") as sound:
        sound.setnchannels(1)
        sound.setsampwidth(1)
        sound.setframerate(SILENCE_HZ)
        sound.writeframes(b"\x80" * SILENCE_HZ * SILENCE_S)
    return file.getvalue()


_SILENCE = _silent_wave()


def add_pairing_routes(server: FastAPI, pairing: Pairing | None) -> None:
    """Serve ``GET`` and ``POST /pairing``: the code for a phone, shown and made at the desk alone."""

    async def shown(request: Request) -> JSONResponse:
        return JSONResponse(pairing.status() if pairing and not is_guest(request.scope) else {"lan": False})

    async def asked(request: Request) -> JSONResponse:
        try:
            body = await request.json()
        except ValueError:
            body = None
        do = body.get("do") if isinstance(body, dict) else None
        if pairing is None or is_guest(request.scope) or do not in ("new", "forget"):
            return _refusal("do", "Codes are made at the desk, where the dashboard was started with --lan.", 422)
        if do == "new":
            pairing.new_code()
        else:
            pairing.forget_all()
        return JSONResponse(pairing.status())

    server.add_api_route("/pairing", shown, methods=["GET"])
    server.add_api_route("/pairing", asked, methods=["POST"])


def _said(door: Door, body: Any, allowed: frozenset[str]) -> JSONResponse:
    name = body.get("command") if isinstance(body, dict) else None
    if not isinstance(name, str) or name not in FROM_A_PAGE:
        return _refusal("command", "A page cannot say this to the daemon.", 422)
    if name not in allowed:
        return _refusal("command", f"{name} is said at the desk, not from a device of the LAN.", 422)
    try:
        return JSONResponse(say(door, body))
    except CommandError as error:
        return _refusal(error.field, str(error), 422)
    except DoorError as error:
        return _refusal("", str(error), 503)


def _answer(ask: Any, *arguments: Any) -> JSONResponse:
    try:
        return JSONResponse(ask(*arguments))
    except ProbetrailError as error:
        return _refusal("session", str(error), 404)


def _refusal(field: str, sentence: str, status: int) -> JSONResponse:
    return JSONResponse({"error": sentence, "field": field}, status_code=status)
