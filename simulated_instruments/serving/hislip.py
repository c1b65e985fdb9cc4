"""HiSLIP (IVI-6.1): two connections a client, told apart by their first message."""

import itertools

from simulated_instruments.serving.hislip_messages import Fatal, FatalError, Type, message, read_header
from simulated_instruments.serving.hislip_session import Channel, Session
from simulated_instruments.serving.locks import Locks
from simulated_instruments.serving.server import SocketServer, SocketWire
from simulated_instruments.wire import Answering, WireWrapper, plain

VERSION = (1, 1)
SUB_ADDRESSES = ("", "hislip0")


class HislipServer(SocketServer):
    """Serves ``hislip0``; ``prefers_overlap`` is the mode before a client asks for another."""

    def __init__(
        self,
        instrument: Answering,
        port: int = 0,
        wrap: WireWrapper = plain,
        prefers_overlap: bool = False,
        most_clients: int = 16,
    ) -> None:
        super().__init__(port)
        self._instrument = instrument
        self._wrap = wrap
        self._prefers_overlap = prefers_overlap
        self._most_clients = most_clients
        self._locks = Locks()
        self._numbers = itertools.count(1)
        self._sessions: dict[int, Session] = {}

    @property
    def resource(self) -> str:
        """See ``Server``."""
        return f"TCPIP::{self.host}::hislip0,{self.port}::INSTR"

    def attend(self, wire: SocketWire) -> None:
        """See ``SocketServer``."""
        channel = Channel(self._wrap(wire), wire.end)
        try:
            first = read_header(channel.reader)
            if first.type == Type.INITIALIZE and first.length < 256:
                self._attend_sync(channel, first.parameter >> 16, channel.reader.exactly(first.length))
            elif first.type == Type.ASYNC_INITIALIZE and first.length == 0:
                self._attend_async(channel, first.parameter)
            else:
                raise FatalError(Fatal.INVALID_INITIALIZATION, "a connection begins with Initialize")
        except FatalError as error:
            channel.fail(error)

    def _attend_sync(self, channel: Channel, version: int, sub_address: bytes) -> None:
        if sub_address.decode("latin-1").lower() not in SUB_ADDRESSES:
            raise FatalError(Fatal.INVALID_INITIALIZATION, "there is only hislip0 here")
        if len(self._sessions) >= self._most_clients:
            raise FatalError(Fatal.TOO_MANY_CLIENTS, f"{self._most_clients} clients are the most")
        number = next(self._numbers) & 0xFFFF
        session = Session(number, self._instrument, self._locks, channel, self._prefers_overlap)
        self._sessions[number] = session
        agreed = min(version, VERSION[0] << 8 | VERSION[1])
        try:
            channel.send(message(Type.INITIALIZE_RESPONSE, int(self._prefers_overlap), agreed << 16 | number))
            session.run_sync()
        finally:
            self._end(number)

    def _attend_async(self, channel: Channel, number: int) -> None:
        if number not in self._sessions:
            raise FatalError(Fatal.INVALID_INITIALIZATION, f"there is no session {number}")
        session = self._sessions[number]
        if session.has_async:
            raise FatalError(Fatal.INVALID_INITIALIZATION, f"session {number} has its asynchronous channel")
        try:
            session.run_async(channel)
        finally:
            self._end(number)

    def _end(self, number: int) -> None:
        """A session ends with either of its channels."""
        session = self._sessions.pop(number, None)
        if session is not None:
            session.close()


def serve_hislip(
    instrument: Answering, port: int = 0, wrap: WireWrapper = plain, prefers_overlap: bool = False
) -> HislipServer:
    """A HiSLIP server to be used in a ``with``; port 0 takes a free one."""
    return HislipServer(instrument, port, wrap, prefers_overlap)
