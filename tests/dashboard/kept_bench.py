"""A daemon's two doors with its own keeper behind them: what is said is carried out, and time is turned by hand."""

import threading
from concurrent.futures import Future
from pathlib import Path
from typing import Any

from daemon.commands import Door
from daemon.feed import Feed
from daemon.guard import new_token
from daemon.keeper.keeper import Said
from daemon.server import Server, make_app
from tests.daemon.test_keeper import Desk

DRAWING = """
[drawing]
unit = "cassette deck"
modes = ["STOP", "PLAY"]
[[point]]
name = "B12"
printed_v = { STOP = 12.0, PLAY = 12.0 }
[[point]]
name = "PBD"
leg = "C301+"
printed_v = { STOP = 0.0, PLAY = 10.6 }
[[point]]
name = "Q302"
leg = "C"
printed_v = { STOP = 0.0, PLAY = 6.54 }
[[point]]
name = "Q302"
leg = "E"
printed_v = { STOP = 0.0, PLAY = 0.63 }
[[point]]
name = "HT"
printed_v = { STOP = 72.0, PLAY = 72.0 }
"""


class KeptBench(Desk):
    """Commands come in on the server's thread, readings on the test's: one lock keeps them apart."""

    def __init__(self, folder: Path) -> None:
        self._lock = threading.Lock()
        self._feed = Feed()
        super().__init__(folder, DRAWING)
        token = new_token()
        self._server = Server(make_app(self._execute, lambda: self.keeper.state_text, self._feed, token))
        self.door = Door(self._server.port, token)
        self._server.start()

    def new_keeper(self) -> Any:
        keeper = super().new_keeper()
        keeper._feed = self._feed
        return keeper

    def _execute(self, body: dict[str, Any], by: str) -> dict[str, Any]:
        reply: Future[dict[str, Any]] = Future()
        with self._lock:
            self.keeper.take(Said(body, reply, by))
        return reply.result(timeout=10)

    def volts(self, *arguments: Any, **more: Any) -> None:
        with self._lock:
            super().volts(*arguments, **more)

    def touch(self, volts: float, seconds: float = 2.0) -> None:
        """Land, hold still, lift."""
        self.volts(volts, seconds)
        self.floating()

    def rest(self) -> None:
        """Let the state of the last readings go out."""
        with self._lock:
            self.clock.turn(1.0)
            self.keeper.tick()

    def kept(self) -> list[tuple[str, float]]:
        """Point and value of every settled placement that counts."""
        with self._lock, self.records() as records:
            rows = records.placements().to_dict("records")
        counting = [row for row in rows if row["count"] and not row["struck"]]
        return [(f"{row['point']} {row['leg']}".strip(), round(row["value"], 1)) for row in counting]

    def stop(self) -> None:
        self._server.stop()
        with self._lock:
            self.keeper.close()
