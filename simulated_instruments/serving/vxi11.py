"""VXI-11 (VXI-11.1 and .3; clauses from memory): core channel, abort channel, and a port mapper if wanted."""

from types import TracebackType

from simulated_instruments.serving.portmapper import Portmapper
from simulated_instruments.serving.reading import Reader
from simulated_instruments.serving.rpc import Program, read_record, record, reply_to
from simulated_instruments.serving.server import SocketServer, SocketWire
from simulated_instruments.serving.vxi11_core import ABORT_PROGRAM, CORE_PROGRAM, VERSION, Core, Shared
from simulated_instruments.wire import Answering, WireWrapper, plain


class _AbortServer(SocketServer):
    def __init__(self, shared: Shared) -> None:
        super().__init__()
        self._programs = {ABORT_PROGRAM: Program(VERSION, {1: shared.abort})}

    @property
    def resource(self) -> str:
        return f"{self.host}:{self.port}"

    def attend(self, wire: SocketWire) -> None:
        reader = Reader(wire)
        while True:
            reply = reply_to(read_record(reader), self._programs)
            if reply is not None:
                wire.write(record(reply))


class Vxi11Server(SocketServer):
    """Serves ``inst0``. ``portmapper`` is the port for one of its own (0: a free one); None: there is none."""

    def __init__(
        self,
        instrument: Answering,
        port: int = 0,
        wrap: WireWrapper = plain,
        portmapper: int | None = None,
    ) -> None:
        super().__init__(port)
        self._wrap = wrap
        self._shared = Shared(instrument)
        self._aborts = _AbortServer(self._shared)
        self._ports: dict[tuple[int, int], int] = {}
        self.portmapper = None if portmapper is None else Portmapper(self._ports, portmapper)

    @property
    def resource(self) -> str:
        """See ``Server``; with the port, so that no port mapper is asked."""
        return f"TCPIP::{self.host},{self.port}::inst0::INSTR"

    def _come(self) -> None:
        super()._come()
        self._aborts.come_back()
        self._shared.abort_port = self._aborts.port
        self._ports[CORE_PROGRAM, VERSION] = self.port
        self._ports[ABORT_PROGRAM, VERSION] = self._aborts.port
        if self.portmapper:
            self.portmapper.come_back()

    def _leave(self) -> None:
        super()._leave()
        for link in list(self._shared.links.values()):
            link.close()
        self._shared.locks.wake()
        self._aborts.vanish()
        if self.portmapper:
            self.portmapper.vanish()

    def attend(self, wire: SocketWire) -> None:
        """See ``SocketServer``."""
        core = Core(self._shared)
        programs = {CORE_PROGRAM: core.program}
        wrapped = self._wrap(wire)
        reader = Reader(wrapped)
        try:
            while True:
                reply = reply_to(read_record(reader), programs)
                if reply is not None:
                    wrapped.write(record(reply))
                if core.sent:
                    core.sent()
                    core.sent = None
        finally:
            core.close()

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        super().__exit__(kind, error, at)
        self._aborts.__exit__(kind, error, at)
        if self.portmapper:
            self.portmapper.__exit__(kind, error, at)


def serve_vxi11(
    instrument: Answering, port: int = 0, wrap: WireWrapper = plain, portmapper: int | None = None
) -> Vxi11Server:
    """A VXI-11 server to be used in a ``with``; port 0 takes a free one."""
    return Vxi11Server(instrument, port, wrap, portmapper)
