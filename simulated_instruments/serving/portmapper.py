"""A port mapper of our own (RFC 1057, appendix A; from memory), on TCP and UDP, and for UDP broadcasts too."""

import select
import socket
import sys
import threading
from collections.abc import Mapping
from contextlib import suppress

from simulated_instruments.serving.reading import Reader
from simulated_instruments.serving.rpc import Arguments, Program, read_record, record, reply_to, uints
from simulated_instruments.serving.server import SocketServer, SocketWire

PROGRAM, VERSION, PORT = 100_000, 2, 111
TCP, UDP = 6, 17
_BROADCAST = "127.255.255.255"


class Portmapper(SocketServer):
    """Says on which TCP port a program listens: ``ports`` maps (program, version) to it.

    It stays on the loopback network; a broadcast there (127.255.255.255) is answered where the
    system lets a socket listen to it. Port 111, where everybody asks, needs the right to have it.
    """

    def __init__(self, ports: Mapping[tuple[int, int], int], port: int = 0) -> None:
        super().__init__(port)
        self._ports = ports
        self._datagrams: list[socket.socket] = []
        self._programs = {PROGRAM: Program(VERSION, {3: self._get_port, 4: self._dump})}

    @property
    def resource(self) -> str:
        """Not an instrument: host and port."""
        return f"{self.host}:{self.port}"

    def _get_port(self, given: Arguments) -> bytes:
        """PMAPPROC_GETPORT: the port, or 0."""
        program, version, protocol, _ = (given.uint() for _ in range(4))
        return uints(self._ports.get((program, version), 0) if protocol == TCP else 0)

    def _dump(self, given: Arguments) -> bytes:
        """PMAPPROC_DUMP: every mapping."""
        entries = {(PROGRAM, VERSION): self.port, **self._ports}
        return b"".join(uints(1, *key, TCP, port) for key, port in entries.items()) + uints(0)

    def attend(self, wire: SocketWire) -> None:
        """See ``SocketServer``."""
        reader = Reader(wire)
        while True:
            reply = reply_to(read_record(reader), self._programs)
            if reply is not None:
                wire.write(record(reply))

    def _come(self) -> None:
        if self._datagrams:
            return
        super()._come()
        hosts = [self.host, _BROADCAST] if sys.platform == "linux" else [self.host]
        for host in hosts:
            datagrams = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
            datagrams.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            datagrams.bind((host, self.port))
            self._datagrams.append(datagrams)
        self._ending, self._end = socket.socketpair()
        sockets = [*self._datagrams, self._ending]
        threading.Thread(target=self._attend_datagrams, args=(sockets,), daemon=True).start()

    def _leave(self) -> None:
        super()._leave()
        if self._datagrams:
            self._datagrams = []
            self._end.close()

    def _attend_datagrams(self, sockets: list[socket.socket]) -> None:
        *datagrams, ending = sockets
        while True:
            ready = select.select(sockets, [], [])[0]
            if ending in ready:
                break
            for one in ready:
                with suppress(OSError):
                    call, caller = one.recvfrom(8192)
                    reply = reply_to(call, self._programs)
                    if reply is not None:
                        # From the first: what listens to a broadcast address cannot send from it.
                        datagrams[0].sendto(reply, caller)
        for one in sockets:
            one.close()
