"""What the scripts ask for: one command said to the daemon, what was lately read, one capture."""

from typing import Any

from fastapi import FastAPI, Request
from fastapi.responses import JSONResponse
from starlette.concurrency import run_in_threadpool

from daemon.commands import COMMANDS, Door, say
from dashboard.review import Review
from drivers.errors import CommandError, DoorError, ProbetrailError

# A page marks and names; ending the daemon and saying verdicts belong to other callers.
FROM_A_PAGE = frozenset(COMMANDS) - {"stop", "judged", "suspected"}
MOST_MINUTES = 120


def add_routes(server: FastAPI, door: Door, review: Review) -> None:
    """Serve ``POST /do``, ``GET /recent``, ``GET /capture`` and ``GET /circuit``."""

    async def do(request: Request) -> JSONResponse:
        try:
            body = await request.json()
        except ValueError:
            return _refusal("command", "This is not JSON.", 422)
        return await run_in_threadpool(_said, door, body)

    async def recent(minutes: float = 30, series: bool = True) -> JSONResponse:
        return await run_in_threadpool(_answer, review.recent, min(max(minutes, 0.1), MOST_MINUTES), series)

    async def capture(number: int, session: str = "") -> JSONResponse:
        return await run_in_threadpool(_answer, review.capture, session, number)

    async def circuit(session: str = "") -> JSONResponse:
        return await run_in_threadpool(_answer, review.circuit, session)

    server.add_api_route("/circuit", circuit, methods=["GET"])
    server.add_api_route("/do", do, methods=["POST"])
    server.add_api_route("/recent", recent, methods=["GET"])
    server.add_api_route("/capture", capture, methods=["GET"])


def _said(door: Door, body: Any) -> JSONResponse:
    name = body.get("command") if isinstance(body, dict) else None
    if not isinstance(name, str) or name not in FROM_A_PAGE:
        return _refusal("command", "A page cannot say this to the daemon.", 422)
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
