"""SCPI on a serial line, as a pseudo terminal."""

import os
import select
import threading
from contextlib import suppress
from pathlib import Path

from simulated_instruments.serving.server import Coming
from simulated_instruments.wire import Answering, HungUp, WireWrapper, converse, plain

_AWAY_S = 0.3  # a line that was hung up: how long until its adapter is there again


class _TtyWire:
    """Ends when ``ended`` becomes readable: closing a tty does not wake a thread that reads it."""

    def __init__(self, master: int, ended: int) -> None:
        self._master = master
        self._ended = ended

    def read(self) -> bytes:
        ready, _, _ = select.select([self._master, self._ended], [], [])
        return b"" if self._ended in ready else os.read(self._master, 65536)

    def write(self, data: bytes) -> None:
        view = memoryview(data)
        while view:
            # Not blocking in write(): a caller that reads nothing would hold up the end for ever.
            ready, writable, _ = select.select([self._ended], [self._master], [])
            if ready:
                raise ConnectionAbortedError("ended while it wrote")
            if writable:
                with suppress(BlockingIOError):
                    view = view[os.write(self._master, view[:4096]) :]

    def rest(self, seconds: float) -> None:
        if select.select([self._ended], [], [], seconds)[0]:
            raise ConnectionAbortedError("ended while it waited")


class TtyServer(Coming):
    """Reached through a link that keeps its name; lines end in CR LF. No status byte, no clear."""

    def __init__(self, instrument: Answering, link: Path, wrap: WireWrapper = plain) -> None:
        super().__init__()
        self.link = link
        self._instrument = instrument
        self._wrap = wrap
        self._running: tuple[int, threading.Thread] | None = None

    @property
    def resource(self) -> str:
        """See ``Server``."""
        return f"ASRL{self.link}::INSTR"

    def _come(self) -> None:
        import tty  # noqa: PLC0415 because Windows has none, and needs none until here

        if self._running is not None:
            return
        master, slave = os.openpty()
        tty.setraw(slave)
        os.set_blocking(master, False)
        self.link.unlink(missing_ok=True)
        self.link.symlink_to(os.ttyname(slave))
        ended, end = os.pipe()
        # The far end stays open here too: otherwise reading fails whenever no caller is there.
        thread = threading.Thread(target=self._attend, args=((master, slave, ended),), daemon=True)
        self._running = (end, thread)
        thread.start()

    def _leave(self) -> None:
        running, self._running = self._running, None
        if running is None:
            return
        end, thread = running
        self.link.unlink(missing_ok=True)
        os.close(end)
        thread.join()

    def _attend(self, ends: tuple[int, int, int]) -> None:
        master, _, ended = ends
        try:
            converse(self._wrap(_TtyWire(master, ended)), self._instrument, b"\r\n")
        except HungUp as hung_up:
            # Whoever leaves waits for this thread to end.
            threading.Thread(target=self.be_away, args=(hung_up.away_s or _AWAY_S,), daemon=True).start()
        finally:
            for end in ends:
                with suppress(OSError):
                    os.close(end)


def serve_tty(instrument: Answering, link: Path, wrap: WireWrapper = plain) -> TtyServer:
    """A serial server to be used in a ``with``; ``link`` is where the tty will be found."""
    return TtyServer(instrument, link, wrap)
