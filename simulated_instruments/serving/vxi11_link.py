"""One link of VXI-11 to the instrument: a bus with an output queue (IEEE 488.2, clause 6).

Messages are carried out by the link's own thread, so that writing returns at once and reading,
polling, clearing and aborting are possible meanwhile.
"""

import threading
from collections import deque
from collections.abc import Callable
from enum import IntEnum

from simulated_instruments.language.framing import MessageSplitter
from simulated_instruments.language.polling import Polled
from simulated_instruments.wire import Answering


class Error(IntEnum):
    """Error values of VXI-11 (table B.2)."""

    NONE = 0
    SYNTAX = 1
    NOT_ACCESSIBLE = 3
    INVALID_LINK = 4
    PARAMETER = 5
    NO_CHANNEL = 6
    NOT_SUPPORTED = 8
    OUT_OF_RESOURCES = 9
    LOCKED = 11
    NO_LOCK = 12
    TIMEOUT = 15
    IO = 17
    ABORT = 23
    CHANNEL_EXISTS = 29


REQCNT, CHR, END = 1, 2, 4  # why a read ended


class Link:
    """One caller's way to the instrument; everything in here may be called from any thread."""

    def __init__(self, number: int, instrument: Answering, requested: Callable[["Link", int], None]) -> None:
        self.number = number
        self.handle: bytes | None = None  # what the caller wants back with a service request
        self.gone = False
        self._instrument = instrument
        self._splitter = MessageSplitter()
        self._changed = threading.Condition()
        self._showing = threading.Lock()
        self._input: deque[bytes | None] = deque()
        self._output = b""
        self._begun = False  # part of the output has been read
        self._series: dict[str, int] = {}
        self._busy = False
        self._epoch = 0
        self._aborts = 0
        self._polled = Polled(getattr(instrument, "status", None), lambda status: requested(self, status))
        self._thread = threading.Thread(target=self._work, daemon=True)
        self._thread.start()

    def write(self, data: bytes, end: bool) -> None:
        """Take in bytes; a whole message interrupts an answer that was not read (6.3.2.3)."""
        with self._changed:
            messages = self._splitter.feed(data) + (self._splitter.finish() if end else [])
            interrupted = bool(messages and self._output)
            if messages:
                self._output = b""
                self._input.extend(messages)
                self._changed.notify_all()
        if interrupted:
            self._show_output()
            self._polled.report(-410)

    def read(self, size: int, terminator: int | None, timeout_s: float) -> tuple[Error, int, bytes, bool]:
        """Up to ``size`` bytes: error, reason, data, and whether these begin an answer."""
        with self._changed:
            aborts = self._aborts
            unasked = not (self._output or self._input or self._busy)
        if unasked:
            self._polled.report(-420)
        with self._changed:
            self._changed.wait_for(lambda: self._output or self.gone or self._aborts != aborts, timeout_s)
            if self._aborts != aborts or self.gone:
                return Error.ABORT, 0, b"", False
            if not self._output:
                return Error.TIMEOUT, 0, b"", False
            data, reason = self._take(size, terminator)
            begins, self._begun = not self._begun, bool(self._output)
        self._show_output()
        return Error.NONE, reason, data, begins

    def _take(self, size: int, terminator: int | None) -> tuple[bytes, int]:
        data = self._output[:size]
        if terminator is not None and terminator in data:
            data = data[: data.index(terminator) + 1]
        self._output = self._output[len(data) :]
        ended_by_chr = terminator is not None and data.endswith(bytes([terminator]))
        reason = (REQCNT if len(data) == size else 0) | (CHR if ended_by_chr else 0) | (0 if self._output else END)
        return data, reason

    def count_read(self) -> None:
        """Told once a reply is out: when nothing is left, the values of the answer count as sent."""
        with self._changed:
            series, self._series = (self._series, {}) if not self._output else ({}, self._series)
        if series:
            self._instrument.count_sent(series)

    def _show_output(self) -> None:
        """MAV as it is now; under a lock, or the slower of two threads would show the past."""
        with self._showing:
            self._polled.output(bool(self._output))

    def poll(self) -> int:
        """The status byte with RQS."""
        return self._polled.poll()

    def clear(self) -> None:
        """Device clear: both queues and what is being carried out are forgotten (5.8)."""
        with self._changed:
            self._epoch += 1
            self._splitter.clear()
            self._input.clear()
            self._output = b""
        clear_device = getattr(self._instrument, "clear_device", None)
        if clear_device:
            clear_device()
        self._show_output()

    def abort(self) -> None:
        """End a read that waits."""
        with self._changed:
            self._aborts += 1
            self._changed.notify_all()

    def close(self) -> None:
        """The end of the link and its thread."""
        with self._changed:
            self.gone = True
            self._changed.notify_all()
        self._polled.close()

    def _work(self) -> None:
        while True:
            with self._changed:
                self._busy = False
                self._changed.wait_for(lambda: self._input or self.gone)
                if self.gone:
                    return
                message, epoch = self._input.popleft(), self._epoch
                self._busy = True
            try:
                self._answer(message, epoch)
            except OSError:  # the unit behind the instrument has gone
                self.close()

    def _answer(self, message: bytes | None, epoch: int) -> None:
        answer = self._instrument.answer(message)
        if not answer.data:
            return
        with self._changed:
            if self._epoch != epoch or self.gone:
                return
            interrupted = bool(self._input)
            if not interrupted:
                self._output, self._series, self._begun = answer.data, answer.sent, False
                self._changed.notify_all()
        if interrupted:
            self._polled.report(-410)
        else:
            self._show_output()
