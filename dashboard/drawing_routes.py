"""What the drawing page asks for: a sheet of cells that is kept, read from text, checked, and kept; photos."""

from collections.abc import Mapping
from typing import Any

from fastapi import FastAPI, Request
from fastapi.responses import JSONResponse, Response
from starlette.concurrency import run_in_threadpool

from daemon.commands import Door, say
from daemon.drawing_entry import sheet_from_text
from daemon.drawing_sheet import HEAD, PART, POINT, Sheet, checked_sheet
from daemon.drawing_toml import drawing_toml
from daemon.drawings import Drawings
from daemon.guard import is_guest
from daemon.part_kinds import KINDS
from daemon.records import open_session
from dashboard.review import Review
from drivers.errors import CommandError, DoorError, DrawingError, ProbetrailError

MOST_ROWS = 2000
LONGEST_CELL = 300
LONGEST_TEXT = 400_000


def add_drawing_routes(server: FastAPI, door: Door, review: Review, drawings: Drawings) -> None:
    """Serve ``GET /sheet`` and ``/photo``, ``POST /sheet/read``, ``/sheet/check`` and ``/sheet/keep``."""

    async def sheet(unit: str = "") -> JSONResponse:
        return await run_in_threadpool(_kept, review, drawings, unit)

    async def read(request: Request) -> JSONResponse:
        return await run_in_threadpool(_read, await _body(request))

    async def check(request: Request) -> JSONResponse:
        return await run_in_threadpool(_check, await _body(request))

    async def keep(request: Request) -> JSONResponse:
        if is_guest(request.scope):
            return _refusal("A drawing is entered at the desk, not from a device of the LAN.", 422)
        return await run_in_threadpool(_keep, door, await _body(request))

    async def photo(unit: str, name: str) -> Response:
        try:
            content, media_type = await run_in_threadpool(drawings.photo, unit, name)
        except (ProbetrailError, OSError) as error:
            return _refusal(str(error), 404)
        return Response(content, media_type=media_type, headers={"cache-control": "no-cache"})

    server.add_api_route("/sheet", sheet, methods=["GET"], response_model=None)
    server.add_api_route("/sheet/read", read, methods=["POST"], response_model=None)
    server.add_api_route("/sheet/check", check, methods=["POST"], response_model=None)
    server.add_api_route("/sheet/keep", keep, methods=["POST"], response_model=None)
    server.add_api_route("/photo", photo, methods=["GET"], response_model=None)


async def _body(request: Request) -> Mapping[str, Any]:
    try:
        body = await request.json()
    except (ValueError, RecursionError):
        return {}
    return body if isinstance(body, Mapping) else {}


def _kept(review: Review, drawings: Drawings, unit: str) -> JSONResponse:
    """The kept drawing of a model; of the unit on the bench where none is named."""
    text = drawings.text(unit) if unit else _of_running(review)
    found = _as_json(Sheet())
    lines: tuple[str, ...] = ()
    if text:
        try:
            found = _as_json(sheet_from_text(text, "drawing.toml"))
        except DrawingError as error:
            lines = tuple(error.mistakes)
    of = unit or found["head"].get("unit", "")
    return JSONResponse(
        {
            "sheet": found,
            "lines": lines,
            "photos": drawings.photos(of),
            "models": drawings.models(),
            "columns": {"head": HEAD, "points": POINT, "parts": PART},
            "kinds": {name: ", ".join(kind.nets) for name, kind in KINDS.items()},
        }
    )


def _of_running(review: Review) -> str | None:
    try:
        with open_session(review.file_of("")) as records:
            return records.meta.get("drawing")
    except (ProbetrailError, OSError):
        return None


def _read(body: Mapping[str, Any]) -> JSONResponse:
    text, name = body.get("text"), body.get("name")
    if not isinstance(text, str) or not 0 < len(text) <= LONGEST_TEXT:
        return _refusal("There is no text to read, or far too much of it.", 422)
    name = name if isinstance(name, str) and name else "pasted"
    try:
        sheet = sheet_from_text(text, name[:80])
    except DrawingError as error:
        return JSONResponse({"sheet": None, "cells": [], "lines": list(error.mistakes)})
    return JSONResponse({"sheet": _as_json(sheet), **_checked(sheet, name)})


def _check(body: Mapping[str, Any]) -> JSONResponse:
    sheet = _from_json(body)
    return _refusal("This is no sheet of cells.", 422) if sheet is None else JSONResponse(_checked(sheet, "sheet"))


def _keep(door: Door, body: Mapping[str, Any]) -> JSONResponse:
    sheet = _from_json(body)
    if sheet is None:
        return _refusal("This is no sheet of cells.", 422)
    said = _checked(sheet, "sheet")
    if not said["toml"]:
        return JSONResponse(said, status_code=422)
    try:
        return JSONResponse({**said, **say(door, {"command": "drawing", "text": said["toml"]})})
    except CommandError as error:
        return _refusal(str(error), 422)
    except DoorError as error:
        return _refusal(str(error), 503)


def _checked(sheet: Sheet, name: str) -> dict[str, Any]:
    drawing, cells, lines = checked_sheet(sheet, name)
    return {
        "cells": [[each.table, each.row, each.key, each.sentence] for each in cells],
        "lines": lines,
        "toml": "" if drawing is None else drawing_toml(drawing),
    }


def _as_json(sheet: Sheet) -> dict[str, Any]:
    return {"head": sheet.head, "points": sheet.points, "parts": sheet.parts}


def _from_json(body: Mapping[str, Any]) -> Sheet | None:
    """The sheet that a page sends: texts of bounded size, or None."""
    given = body.get("sheet")
    if not isinstance(given, Mapping):
        return None
    head, points, parts = (given.get(key) for key in ("head", "points", "parts"))
    if not (_is_row(head) and _are_rows(points) and _are_rows(parts)):
        return None
    return Sheet(dict(head or {}), [dict(row) for row in points or ()], [dict(row) for row in parts or ()])


def _are_rows(rows: object) -> bool:
    return isinstance(rows, list) and len(rows) <= MOST_ROWS and all(map(_is_row, rows))


def _is_row(row: object) -> bool:
    return isinstance(row, Mapping) and all(
        isinstance(key, str) and isinstance(cell, str) and len(key) + len(cell) <= LONGEST_CELL
        for key, cell in row.items()
    )


def _refusal(sentence: str, status: int) -> JSONResponse:
    return JSONResponse({"error": sentence, "lines": [], "cells": []}, status_code=status)
