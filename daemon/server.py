"""The two doors over HTTP on 127.0.0.1: state and feed to read, commands to write, all behind the guard."""

import asyncio
import json
import logging
import socket
import threading
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from typing import Any

import uvicorn
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route, WebSocketRoute
from starlette.websockets import WebSocket, WebSocketDisconnect

from daemon.commands import CLIENT, checked, who_says
from daemon.feed import Feed
from daemon.guard import Guard, quiet_denials
from drivers.errors import CommandError, DoorError

log = logging.getLogger("probetrail.server")

LONGEST_BODY = 3 * 1024 * 1024  # the largest is a photo of a board
Execute = Callable[[dict[str, Any], str], dict[str, Any]]
GetState = Callable[[], str]


def make_app(execute: Execute, state_text: GetState, feed: Feed, token: str) -> Guard:
    """The guarded application. ``execute`` blocks until the keeper has carried out the command of who said it."""

    async def state(_: Request) -> Response:
        return Response(await asyncio.to_thread(state_text), media_type="application/json")

    async def commands(request: Request) -> Response:
        try:
            body = checked(await _read_json(request))
            return JSONResponse(await asyncio.to_thread(execute, body, who_says(request.headers.get(CLIENT))))
        except CommandError as error:
            return JSONResponse({"error": str(error), "field": error.field}, status_code=422)
        except DoorError as error:
            return JSONResponse({"error": str(error), "field": ""}, status_code=503)

    async def listen(websocket: WebSocket) -> None:
        await websocket.accept()
        queue = feed.listen()
        leaving = asyncio.create_task(_until_gone(websocket))
        try:
            first = await asyncio.to_thread(state_text)
            await websocket.send_text('{"kind":"state","state":' + first + "}")
            while not leaving.done():
                next_frame = asyncio.ensure_future(queue.get())
                await asyncio.wait({next_frame, leaving}, return_when=asyncio.FIRST_COMPLETED)
                if not next_frame.done():
                    next_frame.cancel()
                    break
                frame = next_frame.result()
                if frame is None:
                    await websocket.close(1013, "too slow: come back for the state anew")
                    break
                await (websocket.send_text(frame) if isinstance(frame, str) else websocket.send_bytes(frame))
        except (WebSocketDisconnect, RuntimeError):
            pass  # the listener left while a frame was on its way
        finally:
            feed.leave(queue)
            leaving.cancel()

    @asynccontextmanager
    async def lifespan(_: Starlette) -> AsyncIterator[None]:
        feed.attach(asyncio.get_running_loop())
        yield

    routes = [
        Route("/state", state),
        Route("/commands", commands, methods=["POST"]),
        WebSocketRoute("/feed", listen),
    ]
    return Guard(Starlette(routes=routes, lifespan=lifespan), token=token)


async def _read_json(request: Request) -> object:
    body = bytearray()
    async for part in request.stream():
        body += part
        if len(body) > LONGEST_BODY:
            raise CommandError("command", f"The command is longer than {LONGEST_BODY} bytes.")
    try:
        return json.loads(body)
    except (ValueError, RecursionError) as error:
        raise CommandError("command", f"The body is not JSON: {error}.") from error


async def _until_gone(websocket: WebSocket) -> None:
    while (await websocket.receive())["type"] != "websocket.disconnect":
        pass  # a listener has nothing to say here: its words go through the command door


class Server:
    """Uvicorn in a thread of its own, on a port that is known before it starts."""

    def __init__(self, app: Guard, port: int = 0) -> None:
        self._socket = socket.create_server(("127.0.0.1", port))
        self.port: int = self._socket.getsockname()[1]
        config = uvicorn.Config(
            app,
            log_level="warning",
            lifespan="on",
            timeout_graceful_shutdown=2,  # an open stream would hold the end up for 8 s
            ws="websockets-sansio",
        )
        quiet_denials()
        self._server = uvicorn.Server(config)
        self._thread = threading.Thread(target=self._serve, name="door", daemon=True)

    def start(self) -> None:
        """Serve from now on."""
        self._thread.start()

    def stop(self) -> None:
        """Let the listeners go and end the thread."""
        self._server.should_exit = True
        self._thread.join(timeout=10)
        self._socket.close()

    def _serve(self) -> None:
        self._server.run(sockets=[self._socket])
