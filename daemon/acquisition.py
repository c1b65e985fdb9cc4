"""The acquisition process: pollers, keeper and doors, from a bench to a closed session file."""

import logging
import queue
import threading
from collections.abc import Callable
from concurrent.futures import Future
from pathlib import Path
from typing import Any

from daemon.acts import Act
from daemon.bench_file import Bench
from daemon.commands import Door
from daemon.feed import Feed
from daemon.guard import new_token
from daemon.keeper.keeper import Folders, Keeper, Said, Stop
from daemon.poller import Order, Poller
from daemon.priority import ahead_of_others
from daemon.running import outputs_folder, references_folder, sessions_folder
from daemon.server import Server, make_app
from drivers.clock import Clock, SystemClock
from drivers.errors import DoorError

log = logging.getLogger("probetrail.acquisition")

TICK_S = 0.05
LONGEST_COMMAND_S = 8.0


class Acquisition:
    """Everything of one running daemon; ``start`` it, wait on ``ended``, ``stop`` it."""

    def __init__(self, bench: Bench, session: Path, port: int = 0, clock: Clock | None = None) -> None:
        self._clock = clock or SystemClock()
        self._queue: queue.SimpleQueue[Any] = queue.SimpleQueue()
        self._feed = Feed()
        self.ended = threading.Event()
        marks = outputs_folder()
        self._pollers = {
            setup.spec.name: Poller(setup, self._clock, self._queue.put, marks=marks) for setup in bench.setups
        }
        folders = Folders(sessions_folder(), references_folder())
        self._keeper = Keeper(
            bench, self._clock, self._feed, folders, self._order, self.ended.set, self._order_act
        )
        self._file = session
        self._opened: Future[None] = Future()
        token = new_token()
        self._server = Server(make_app(self._execute, lambda: self._keeper.state_text, self._feed, token), port)
        self.door = Door(self._server.port, token)
        self._thread = threading.Thread(target=self._keep, name="keeper", daemon=True)

    @property
    def session(self) -> Path:
        """The file that is being written now."""
        return self._keeper.session

    @property
    def last_words(self) -> str:
        """How the session was closed, with what was still noted as in place; "" while it runs."""
        return self._keeper.last_words

    def monotonic_s(self) -> float:
        """Seconds of the daemon's own clock, for deadlines."""
        return self._clock.monotonic_s()

    def start(self) -> None:
        """Open the session and the doors and begin to poll. Raises ``SessionError`` or ``DrawingError``."""
        with ahead_of_others():
            self._thread.start()
            self._opened.result()
            self._server.start()
            for poller in self._pollers.values():
                poller.start()

    def stop(self) -> None:
        """End in good order: the poll under way is kept, the session becomes one closed file."""
        for poller in self._pollers.values():
            poller.stop()
        for poller in self._pollers.values():
            poller.join(timeout=poller.setup.spec.timeout_s * 3 + 2)
        self._queue.put(Stop())
        self._thread.join(timeout=30)
        self._server.stop()

    def _order(self, instrument: str, order: Order) -> None:
        self._pollers[instrument].order(order)

    def _order_act(self, instrument: str, act: Act) -> bool:
        return self._pollers[instrument].order_act(act)

    def _execute(self, body: dict[str, Any], by: str) -> dict[str, Any]:
        reply: Future[dict[str, Any]] = Future()
        self._queue.put(Said(body, reply, by))
        try:
            return reply.result(timeout=LONGEST_COMMAND_S)
        except TimeoutError as error:
            raise DoorError("The daemon has not answered in time; the command may still come through.") from error

    def _keep(self) -> None:
        try:
            self._keeper.open(self._file)
        except Exception as error:
            self._opened.set_exception(error)
            return
        self._opened.set_result(None)
        while True:
            try:
                message = self._queue.get(timeout=TICK_S)
            except queue.Empty:
                message = None
            if isinstance(message, Stop):
                break
            self._guarded(lambda taken=message: self._keeper.take(taken))  # type: ignore[misc]  # because of the bound default
            self._guarded(self._keeper.tick)
        self._guarded(self._keeper.close)

    def _guarded(self, step: Callable[[], None]) -> None:
        try:
            step()
        except Exception:  # one message that cannot be taken must not end the keeping of all others
            log.exception("the keeper could not take a message")
