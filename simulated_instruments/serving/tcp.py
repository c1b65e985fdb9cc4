"""Raw SCPI on a socket."""

from simulated_instruments.serving.server import SocketServer, SocketWire
from simulated_instruments.wire import Answering, WireWrapper, converse, plain


class TcpServer(SocketServer):
    """Lines that end in a newline, any number of callers. Shows no status byte and knows no clear."""

    def __init__(self, instrument: Answering, port: int = 0, wrap: WireWrapper = plain) -> None:
        super().__init__(port)
        self._instrument = instrument
        self._wrap = wrap

    @property
    def resource(self) -> str:
        """See ``Server``."""
        return f"TCPIP::{self.host}::{self.port}::SOCKET"

    def attend(self, wire: SocketWire) -> None:
        """See ``SocketServer``."""
        converse(self._wrap(wire), self._instrument)


def serve_tcp(instrument: Answering, port: int = 0, wrap: WireWrapper = plain) -> TcpServer:
    """A TCP server to be used in a ``with``; port 0 takes a free one."""
    return TcpServer(instrument, port, wrap)
