"""Instruments through a VISA library that the bench file names, such as a maker's own or another backend of pyvisa.

Only what every VISA library has to have is used (VPP-4.3): nothing here looks inside. So a peer that has gone is
noticed as the library notices it, by its error or by the deadline.
"""

import contextlib
from collections.abc import Sequence

import pyvisa

from drivers.errors import LinkError, LinkRefused, OutOfStep
from drivers.links.stream import LONGEST_DRAIN_S
from drivers.links.visa import VisaLink

PURE_PYTHON = "@py"
LOOK_MS = 1


class LibraryLink(VisaLink):
    """One session of the library."""

    _can_clear = True

    def _check_host(self, deadline_s: float) -> None:
        """The library has to know by itself who is there: its names may lead through a server of its own."""

    def _check_connected(self) -> None:
        """See ``_check_host``."""

    def _connection(self) -> None:
        """Nothing inside of the library is looked at."""

    def _wait_for_socket(self, deadline_s: float) -> None:
        """The library waits by itself."""

    def drain(self, quiet_s: float) -> bytes:
        """See ``Link``. Whole messages do not wait: each is read to its end, and given up by device clear."""
        return self._take_waiting(quiet_s) if self._is_stream else b""

    def _take_waiting(self, quiet_s: float) -> bytes:
        taken = bytearray()
        end_s = self._clock.monotonic_s() + quiet_s + LONGEST_DRAIN_S
        while piece := self._look(max(LOOK_MS, round(quiet_s * 1000)), end_s):
            taken += piece
            if self._clock.monotonic_s() > end_s:
                raise OutOfStep("it does not stop sending unasked: switch off its free talking.")
        return bytes(taken)

    def _look(self, within_ms: int, end_s: float) -> bytes:
        """One byte that waits; VISA has no other way that holds for sockets too."""
        with self._open_session(end_s) as session, self._without_termination(session):
            session.timeout = self._timeout_ms = within_ms
            with contextlib.suppress(pyvisa.VisaIOError):
                return session.read_bytes(1, chunk_size=1)
        return b""

    def clear(self, deadline_s: float) -> None:
        """See ``Link``: device clear and a new session; where there is no device clear, what waits is read away."""
        try:
            with self._open_session(deadline_s) as session:
                session.clear()
        except LinkError:
            self._can_clear = False
        self.reopen(deadline_s)

    def reopen(self, deadline_s: float) -> None:
        """See ``Link``. Some libraries keep what waits over the end of a session."""
        super().reopen(deadline_s)
        if self._is_stream or not self._can_clear:
            self._take_waiting(0.0)


def library_names(library: str) -> Sequence[str]:
    """What the library lists: instruments on GPIB, USB and where else it looks. Raises ``LinkRefused``."""
    try:
        return tuple(pyvisa.ResourceManager(library).list_resources())
    except Exception as error:  # whatever a library that is not there, or half there, makes of it
        raise LinkRefused(f"the VISA library {library!r} lists nothing ({error}).") from error
