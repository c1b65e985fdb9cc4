"""The daemon's door as the technician uses it: two requests over HTTP."""

import json
import urllib.error
import urllib.request
from collections.abc import Mapping
from typing import Any, Protocol


class Daemon(Protocol):
    """What the technician says to and sees of the daemon."""

    def say(self, command: Mapping[str, Any]) -> dict[str, Any]:
        """Its answer; ``{"error", ...}`` where it will not take the command."""

    def state(self) -> dict[str, Any]:
        """The whole state."""


class DaemonDoor:
    """``POST /commands`` and ``GET /state``. Raises ``OSError`` when nobody answers."""

    def __init__(self, url: str, token: str, timeout_s: float = 5.0) -> None:
        self._url = url.rstrip("/")
        self._headers = {"Authorization": f"Bearer {token}", "Content-Type": "application/json"}
        self._timeout_s = timeout_s
        # The daemon is on this machine: a proxy from the environment has no part in it.
        self._opener = urllib.request.build_opener(urllib.request.ProxyHandler({}))

    def say(self, command: Mapping[str, Any]) -> dict[str, Any]:
        """See ``Daemon``."""
        try:
            return self._get("/commands", json.dumps(command).encode())
        except urllib.error.HTTPError as refusal:
            with refusal:
                if refusal.code != 422:
                    raise
                answer: dict[str, Any] = json.loads(refusal.read())
                return answer

    def state(self) -> dict[str, Any]:
        """See ``Daemon``."""
        return self._get("/state", None)

    def _get(self, path: str, body: bytes | None) -> dict[str, Any]:
        request = urllib.request.Request(self._url + path, data=body, headers=self._headers)
        with self._opener.open(request, timeout=self._timeout_s) as response:
            answer: dict[str, Any] = json.loads(response.read())
            return answer
