"""What the timeline page asks for: a session's story, a window of its readings, one stay, changes, what is lost."""

from collections.abc import Callable
from typing import Annotated, Any

from fastapi import FastAPI, Query
from fastapi.responses import JSONResponse, Response
from starlette.concurrency import run_in_threadpool

from daemon.records import SessionSummary
from dashboard.review import MOST_THUMBNAILS, Review
from dashboard.words import day_words
from drivers.errors import ProbetrailError

# What fits into a column of the file.
Whole = Annotated[int, Query(ge=0, lt=2**62)]


def add_timeline_routes(server: FastAPI, review: Review) -> None:
    """Serve ``GET /story``, ``/window``, ``/stay``, ``/thumbnails``, ``/history``, ``/losses`` and ``/listing``."""

    async def story(session: str = "", since: str = "") -> Response:
        return await _answered(lambda: JSONResponse(review.story(session, since)))

    async def window(
        session: str = "", start_us: Whole | None = None, end_us: Whole | None = None, columns: Whole = 1200
    ) -> Response:
        def packed() -> Response:
            return Response(review.window(session, start_us, end_us, columns), media_type="application/octet-stream")

        return await _answered(packed)

    async def stay(placement: Whole, session: str = "") -> Response:
        return await _answered(lambda: JSONResponse(review.stay(session, placement)))

    async def thumbnails(captures: str, session: str = "") -> Response:
        numbers = [int(number) for number in captures.split(",")[:MOST_THUMBNAILS] if number.isdecimal()]
        return await _answered(lambda: JSONResponse(review.thumbnails(session, numbers)))

    async def history(session: str = "") -> Response:
        return await _answered(lambda: JSONResponse(review.history(session)))

    async def losses(session: str = "") -> Response:
        return await _answered(lambda: JSONResponse(review.losses(session)))

    async def listing() -> Response:
        return await _answered(lambda: JSONResponse({"sessions": _sessions(review)}))

    routes: dict[str, Callable[..., Any]] = {
        "/story": story, "/window": window, "/stay": stay, "/thumbnails": thumbnails,
        "/history": history, "/losses": losses, "/listing": listing,
    }  # fmt: skip
    for path, answer in routes.items():
        server.add_api_route(path, answer, methods=["GET"], response_model=None)


async def _answered(ask: Callable[[], Response]) -> Response:
    try:
        return await run_in_threadpool(ask)
    except ProbetrailError as error:
        return JSONResponse({"error": str(error)}, status_code=404)


def _sessions(review: Review) -> list[dict[str, str]]:
    return [
        {"file": summary.file.name, "words": _called(summary), "state": summary.state} for summary in review.listing()
    ]


def _called(summary: SessionSummary) -> str:
    told = (summary.unit or "unit not named", summary.serial, day_words(summary.started_us))
    return ", ".join(filter(None, told))
