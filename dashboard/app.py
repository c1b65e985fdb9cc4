"""The screens put together: pages, live relay and routes on one server, behind the guard."""

import asyncio
import contextlib
import hashlib
import hmac
from collections.abc import AsyncIterator, Callable
from contextlib import AbstractAsyncContextManager
from pathlib import Path
from urllib.parse import parse_qsl

from dash import Dash, Input, Output, State
from dash.development.base_component import Component
from fastapi import FastAPI

from daemon.commands import Door
from daemon.drawings import Drawings
from daemon.guard import App, Guard, quiet_denials
from dashboard import bench_page, drawing_page, phone_page, sessions_page, timeline_page
from dashboard.drawing_routes import add_drawing_routes
from dashboard.headers import Headers, content_policy
from dashboard.live import Relay, add_live_route
from dashboard.page_shell import INDEX, shell
from dashboard.pairing import Pairing
from dashboard.review import Review
from dashboard.routes import add_pairing_routes, add_routes
from dashboard.timeline_routes import add_timeline_routes


def screen_token(daemon_token: str) -> str:
    """The token of the screens: made from the daemon's, so that browsers stay known after a restart."""
    return hmac.new(daemon_token.encode(), b"dashboard", hashlib.sha256).hexdigest()


def build(
    door: Door, *, token: str, sessions: Path, relay: Relay | None = None, pairing: Pairing | None = None
) -> App:
    """The whole application (ASGI 3) for one daemon; ``sessions`` is the folder of session files.

    With ``pairing`` devices of the LAN may come in that typed its code.
    """
    relay = relay or Relay(door)
    server = FastAPI(docs_url=None, redoc_url=None, openapi_url=None, lifespan=_listening(relay))
    review = Review(sessions, relay)
    add_live_route(server, relay)
    add_routes(server, door, review)
    add_timeline_routes(server, review)
    add_drawing_routes(server, door, review, Drawings(sessions.parent / "drawings"))
    add_pairing_routes(server, pairing)
    quiet_denials()
    policy = content_policy(_pages(server, review).csp_hashes())
    return Headers(Guard(server, token=token, guests=pairing), policy=policy)


def _pages(server: FastAPI, review: Review) -> Dash:
    # The scripts are modules that import one another: only the first is named in the page.
    pages = Dash(
        "dashboard",
        server=server,
        backend="fastapi",
        title="probetrail",
        update_title=None,
        assets_folder=str(Path(__file__).parent / "assets"),
        assets_ignore=r".*\.js$",
        index_string=INDEX,
        serve_locally=True,
        suppress_callback_exceptions=True,
    )
    # Live data has a route of its own; the framework's socket would only be a second door to guard.
    pages.backend.websocket_capability = False
    pages.layout = shell

    def show_page(path: str, search: str) -> Component:
        return _page(path, dict(parse_qsl((search or "").removeprefix("?"))), review)

    # A page that changes its own query, or is led to a part of itself, must not be laid out anew.
    address = Input("address", "pathname"), State("address", "search")
    pages.callback(Output("content", "children"), *address)(show_page)
    return pages


def _page(path: str, asked: dict[str, str], review: Review) -> Component:
    if path == "/timeline":
        return timeline_page.layout(review, asked.get("session", ""))
    if path == "/drawing":
        return drawing_page.layout()
    if path == "/phone":
        return phone_page.layout()
    if path == "/sessions":
        return sessions_page.layout(review)
    return bench_page.layout()


def _listening(relay: Relay) -> Callable[[FastAPI], AbstractAsyncContextManager[None]]:
    @contextlib.asynccontextmanager
    async def lifespan(_: FastAPI) -> AsyncIterator[None]:
        task = asyncio.create_task(relay.listen_for_ever())
        yield
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task

    return lifespan
