"""``python -m dashboard``: serve the screens of one running daemon on this machine."""

import argparse
import contextlib
import ipaddress
import json
import socket
import sys
import threading
from pathlib import Path

import psutil
import uvicorn

from daemon.commands import Door
from dashboard.app import build, screen_token
from dashboard.pairing import Pairing
from drivers.clock import SystemClock


class _Announcing(uvicorn.Server):
    """Prints the address as one line of JSON once somebody can come in."""

    def __init__(self, config: uvicorn.Config, address: str) -> None:
        super().__init__(config)
        self._address = address

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        """See ``uvicorn.Server``."""
        await super().startup(sockets)
        sys.stdout.write(json.dumps({"address": self._address}) + "\n")
        sys.stdout.flush()


def main() -> None:
    """Serve until told to stop, or until the parent process is gone."""
    asked = _arguments()
    token = screen_token(asked.daemon_token)
    with socket.create_server(("0.0.0.0" if asked.lan else "127.0.0.1", asked.port)) as listening:
        port = listening.getsockname()[1]
        address = f"http://127.0.0.1:{port}/?token={token}"
        pairing = _pairing(port) if asked.lan else None
        app = build(
            Door(asked.daemon_port, asked.daemon_token), token=token, sessions=asked.sessions, pairing=pairing
        )
        config = uvicorn.Config(
            app,
            log_level="warning",
            access_log=False,
            timeout_graceful_shutdown=2,  # open streams would hold a polite shutdown up for ever
            ws="websockets-sansio",
            proxy_headers=False,  # who asks is who is connected
            ws_per_message_deflate=False,  # within one machine it only costs time, for each page anew
        )
        server = _Announcing(config, address)
        if asked.parent is not None:
            threading.Thread(target=_leave_with, args=(asked.parent, server), daemon=True).start()
        server.run(sockets=[listening])


def _pairing(port: int) -> Pairing:
    """The first code is made at once, and told in the terminal like each one after it."""

    def tell(sentence: str) -> None:
        sys.stderr.write(sentence + "\n")
        sys.stderr.flush()

    pairing = Pairing(SystemClock(), tuple(f"http://{each}:{port}/" for each in lan_addresses()), tell)
    pairing.new_code()
    return pairing


def lan_addresses() -> list[str]:
    """This machine's IPv4 addresses on its networks."""
    every = [each for owned in psutil.net_if_addrs().values() for each in owned]
    addresses = [each.address for each in every if each.family == socket.AF_INET]
    return [address for address in addresses if not ipaddress.ip_address(address).is_loopback]


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m dashboard", description=__doc__)
    parser.add_argument("--daemon-port", type=int, required=True, help="where the daemon listens")
    parser.add_argument("--daemon-token", required=True, help="the token that opens the daemon's door")
    parser.add_argument("--port", type=int, default=0, help="where to serve; 0 takes a free one")
    parser.add_argument("--sessions", type=Path, required=True, help="folder of the session files")
    parser.add_argument("--lan", action="store_true", help="let devices of the LAN in that type a code")
    parser.add_argument("--parent", type=int, help="leave when the process of this number is gone")
    return parser.parse_args()


def _leave_with(parent: int, server: uvicorn.Server) -> None:
    with contextlib.suppress(psutil.NoSuchProcess):
        psutil.Process(parent).wait()
    server.should_exit = True


if __name__ == "__main__":
    main()
