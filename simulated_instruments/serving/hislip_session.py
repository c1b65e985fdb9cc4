"""One HiSLIP session: its two channels, its mode, and the message exchange between them.

Synchronised mode: a new message while an answer is undelivered interrupts it (IEEE 488.2, 6.3.2.3):
Interrupted on one channel, AsyncInterrupted on the other, -410 in the queue. Overlap mode: answers
are sent as they come, each with the number of its question. Sections are IVI-6.1's, from memory.
"""

import struct
import threading
from collections.abc import Callable
from contextlib import suppress

from simulated_instruments.language.framing import MessageSplitter
from simulated_instruments.language.polling import Polled
from simulated_instruments.language.status import MESSAGE_AVAILABLE
from simulated_instruments.serving.hislip_messages import (
    FIRST_ID,
    FIRST_VENDOR_TYPE,
    Fatal,
    FatalError,
    Header,
    Type,
    Wrong,
    answer_messages,
    is_newer,
    message,
    read_header,
)
from simulated_instruments.serving.locks import Locks
from simulated_instruments.serving.reading import Reader
from simulated_instruments.wire import Answering, Wire

LARGEST_MESSAGE = 1 << 20
_RMT_DELIVERED, _OVERLAP = 1, 1


class Channel:
    """One connection: whole messages in and out, from any thread."""

    def __init__(self, wire: Wire, hang_up: Callable[[], None]) -> None:
        self.reader = Reader(wire)
        self.hang_up = hang_up
        self._wire = wire
        self._lock = threading.Lock()

    def send(self, data: bytes) -> None:
        """Send whole messages."""
        with self._lock:
            self._wire.write(data)

    def serve(self, handlers: dict[int, Callable[[Header, bytes], None]]) -> None:
        """Hand each message to its handler until the wire ends; answers what is wrong with an Error or FatalError."""
        try:
            while True:
                self._serve_one(handlers)
        except FatalError as error:
            self.fail(error)

    def _serve_one(self, handlers: dict[int, Callable[[Header, bytes], None]]) -> None:
        header = read_header(self.reader)
        if header.length > LARGEST_MESSAGE:
            self.reader.skip(header.length)
            self.object(Wrong.TOO_LARGE, "message too large")
            return
        payload = self.reader.exactly(header.length)
        handler = handlers.get(header.type)
        if handler:
            handler(header, payload)
        elif header.type >= FIRST_VENDOR_TYPE:
            self.object(Wrong.VENDOR_MESSAGE, f"message type {header.type} is unknown here")
        else:
            self.object(Wrong.MESSAGE_TYPE, f"message type {header.type} does not belong on this channel")

    def fail(self, error: FatalError) -> None:
        """Send a FatalError; whoever calls ends the connection."""
        self.send(message(Type.FATAL_ERROR, error.code, 0, str(error).encode()))

    def object(self, code: Wrong, text: str) -> None:
        """Send an Error."""
        self.send(message(Type.ERROR, code, 0, text.encode()))


class Session:
    """State of one client. ``run_sync`` and ``run_async`` are its two threads; it ends with either channel."""

    def __init__(self, number: int, instrument: Answering, locks: Locks, sync: Channel, overlap: bool) -> None:
        self.number = number
        self.overlap = overlap
        self.gone = threading.Event()
        self._prefers_overlap = overlap
        self._instrument = instrument
        self._locks = locks
        self._sync = sync
        self._async: Channel | None = None
        self._splitter = MessageSplitter()
        self._largest = LARGEST_MESSAGE
        self._clearing = False
        self._last_id = FIRST_ID - 2
        self._answered_id: int | None = None  # of the last answer that was sent and may be undelivered
        self._polled: Polled | None = None

    def close(self) -> None:
        """Let go of locks and status; safe to call twice."""
        self.gone.set()
        if self._polled:
            self._polled.close()
            self._polled = None
        while self._locks.release(self.number):
            pass
        self._locks.wake()
        for channel in (self._sync, self._async):
            if channel:
                channel.hang_up()

    @property
    def has_async(self) -> bool:
        """Whether the second channel is there."""
        return self._async is not None

    # ---- synchronous channel

    def run_sync(self) -> None:
        """Serve the synchronous channel until it ends."""
        self._sync.serve(
            {
                Type.DATA: self._data,
                Type.DATA_END: self._data,
                Type.TRIGGER: self._trigger,
                Type.DEVICE_CLEAR_COMPLETE: self._clear_complete,
                Type.FATAL_ERROR: self._fatal,
                Type.ERROR: lambda header, payload: None,
            }
        )

    def _fatal(self, header: Header, payload: bytes) -> None:
        raise ConnectionAbortedError("the client found a fatal error")

    def _admit(self, header: Header) -> bool:
        """Whether a message is to be carried out; notes its number and what was delivered (6.10)."""
        if self._async is None:
            raise FatalError(Fatal.CHANNEL_MISSING, "the asynchronous channel was not established")
        if self._clearing:
            return False
        if header.control & ~_RMT_DELIVERED:
            self._sync.object(Wrong.CONTROL_CODE, f"control code {header.control} is unknown here")
            return False
        if header.control & _RMT_DELIVERED:
            self._delivered()
        self._last_id = header.parameter
        return self._locks.wait_free(self.number, None, self.gone.is_set)

    def _data(self, header: Header, payload: bytes) -> None:
        if not self._admit(header):
            return
        self._interrupt(header)
        messages = self._splitter.feed(payload)
        if header.type == Type.DATA_END:
            messages += self._splitter.finish()
        for one in messages:
            self._answer(one, header.parameter)

    def _interrupt(self, header: Header) -> None:
        if self.overlap or self._answered_id is None:
            return
        self._sync.send(message(Type.INTERRUPTED, 0, header.parameter))
        self._say(message(Type.ASYNC_INTERRUPTED, 0, header.parameter))
        self._delivered()
        if self._polled:
            self._polled.report(-410)

    def _answer(self, one: bytes | None, message_id: int) -> None:
        answer = self._instrument.answer(one)
        if not answer.data or self._clearing:
            return
        self._answered_id = message_id
        self._output(True)
        self._sync.send(answer_messages(answer.data, message_id, self._largest))
        self._instrument.count_sent(answer.sent)

    def _trigger(self, header: Header, payload: bytes) -> None:
        if self._admit(header):
            self._interrupt(header)
            self._instrument.answer(b"*TRG")

    def _clear_complete(self, header: Header, payload: bytes) -> None:
        """The client's wish is granted: it names the mode (6.12)."""
        self.overlap = bool(header.control & _OVERLAP)
        self._splitter.clear()
        self._delivered()
        self._last_id = FIRST_ID - 2
        self._clearing = False
        self._sync.send(message(Type.DEVICE_CLEAR_ACKNOWLEDGE, header.control & _OVERLAP))

    # ---- asynchronous channel

    def run_async(self, channel: Channel) -> None:
        """Serve the asynchronous channel until it ends."""
        self._async = channel
        self._polled = Polled(getattr(self._instrument, "status", None), self._request_service)
        channel.send(message(Type.ASYNC_INITIALIZE_RESPONSE, 0, int.from_bytes(b"SI", "big")))
        channel.serve(
            {
                Type.ASYNC_MAXIMUM_SIZE: self._maximum_size,
                Type.ASYNC_STATUS_QUERY: self._status_query,
                Type.ASYNC_DEVICE_CLEAR: self._clear,
                Type.ASYNC_LOCK: self._lock,
                Type.ASYNC_LOCK_INFO: self._lock_info,
                Type.ASYNC_REMOTE_LOCAL: self._remote_local,
                Type.FATAL_ERROR: self._fatal,
                Type.ERROR: lambda header, payload: None,
            }
        )

    def _say(self, data: bytes) -> None:
        if self._async is not None:
            with suppress(OSError):
                self._async.send(data)

    def _request_service(self, status: int) -> None:
        self._say(message(Type.ASYNC_SERVICE_REQUEST, status))

    def _maximum_size(self, header: Header, payload: bytes) -> None:
        if len(payload) != 8:
            self._say(message(Type.ERROR, Wrong.UNIDENTIFIED, 0, b"a size has eight bytes"))
            return
        self._largest = min(struct.unpack("!Q", payload)[0], LARGEST_MESSAGE)
        self._say(message(Type.ASYNC_MAXIMUM_SIZE_RESPONSE, 0, 0, struct.pack("!Q", LARGEST_MESSAGE)))

    def _status_query(self, header: Header, payload: bytes) -> None:
        """The MAV bit is for what the client has not taken yet (6.14.1 and 6.14.2)."""
        if self._has_taken(header):
            self._delivered()
        status = self._polled.poll() if self._polled else 0
        # A message still on its way will interrupt the answer. One ahead is the number to come, as some clients count.
        if not self.overlap and is_newer(header.parameter, (self._last_id + 2) % (1 << 32)):
            status &= ~MESSAGE_AVAILABLE
        self._say(message(Type.ASYNC_STATUS_RESPONSE, status))

    def _has_taken(self, header: Header) -> bool:
        if self._answered_id is None or not self.overlap:
            return bool(header.control & _RMT_DELIVERED)
        return not is_newer(self._answered_id, header.parameter)

    def _clear(self, header: Header, payload: bytes) -> None:
        self._clearing = True
        clear_device = getattr(self._instrument, "clear_device", None)
        if clear_device:
            clear_device()
        self._delivered()
        self._say(message(Type.ASYNC_DEVICE_CLEAR_ACKNOWLEDGE, _OVERLAP if self._prefers_overlap else 0))

    def _lock(self, header: Header, payload: bytes) -> None:
        """Request (control 1, timeout in ms) or release (control 0); 1 success, 2 shared given back, 3 an error."""
        word = payload.decode("latin-1")
        if header.control == 0:
            result = {"exclusive": 1, "shared": 2, "": 3}[self._locks.release(self.number)]
        elif self._locks.holds(self.number, exclusive=not word):
            result = 3
        else:
            result = int(self._locks.take(self.number, word, header.parameter / 1000, self.gone.is_set))
        self._say(message(Type.ASYNC_LOCK_RESPONSE, result))

    def _lock_info(self, header: Header, payload: bytes) -> None:
        exclusive, holders = self._locks.info
        self._say(message(Type.ASYNC_LOCK_INFO_RESPONSE, int(exclusive), holders))

    def _remote_local(self, header: Header, payload: bytes) -> None:
        """Codes 0 to 6 (table 19): going to local frees the panel, going to remote or lockout holds it."""
        if header.control > 6:
            self._say(message(Type.ERROR, Wrong.CONTROL_CODE, 0, b"control code is unknown here"))
            return
        hold_panel = getattr(self._instrument, "hold_panel", None)
        if hold_panel and header.control != 1:
            hold_panel(header.control in (3, 4, 5))
        self._say(message(Type.ASYNC_REMOTE_LOCAL_RESPONSE))

    # ---- output queue

    def _delivered(self) -> None:
        self._answered_id = None
        self._output(False)

    def _output(self, waits: bool) -> None:
        if self._polled:
            self._polled.output(waits)
