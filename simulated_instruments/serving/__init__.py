"""Instruments on sockets, ttys, HiSLIP and VXI-11. Each server can vanish and come back on the same address.

In a test, one line is enough::

    with serve_tcp(instrument) as server:
        connect(server.host, server.port)

``serve_tty``, ``serve_hislip`` and ``serve_vxi11`` are used the same way; ``wrap=`` takes what
``simulated_instruments.faults`` makes.
"""

from simulated_instruments.serving.hislip import HislipServer, serve_hislip
from simulated_instruments.serving.server import Server
from simulated_instruments.serving.tcp import TcpServer, serve_tcp
from simulated_instruments.serving.tty import TtyServer, serve_tty
from simulated_instruments.serving.vxi11 import Vxi11Server, serve_vxi11

__all__ = [
    "HislipServer",
    "Server",
    "TcpServer",
    "TtyServer",
    "Vxi11Server",
    "serve_hislip",
    "serve_tcp",
    "serve_tty",
    "serve_vxi11",
]
