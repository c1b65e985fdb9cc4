"""Bytes between a caller and an instrument: the seam at which faults can be put in.

A ``Wire`` reads and writes bytes and nothing else; ``converse`` runs a conversation over one.
Anything that wraps a ``Wire`` in another (late, silent, torn...) can be handed to the servers;
``simulated_instruments.faults`` has the usual ones.
"""

from collections.abc import Callable
from typing import Protocol, Self

from simulated_instruments.language.framing import MessageSplitter
from simulated_instruments.language.speaker import Answer


class Wire(Protocol):
    """One connection. Reading and writing raise ``OSError`` once it is gone."""

    def read(self) -> bytes:
        """What has arrived, at least one byte; empty at the end."""

    def write(self, data: bytes) -> None:
        """Send all of it."""

    def rest(self, seconds: float) -> None:
        """Wait that long, or until the connection is ended from this side; raises ``OSError`` then."""


WireWrapper = Callable[[Wire], Wire]


def plain(wire: Wire) -> Wire:
    """No fault."""
    return wire


class Spoken(bytes):
    """Bytes on their way out that carry an instrument's answer; ``body`` says where its own words are.

    Whatever else goes over a wire (replies to a lock, acknowledgements) is plain ``bytes``.
    """

    body: slice

    @classmethod
    def framed(cls, data: bytes, body: slice) -> Self:
        """``data`` with the answer at ``body``."""
        spoken = cls(data)
        spoken.body = body
        return spoken

    @classmethod
    def bare(cls, data: bytes) -> Self:
        """Nothing but the answer."""
        return cls.framed(data, slice(0, len(data)))


class HungUp(ConnectionResetError):
    """Raised by a wrapper: end this connection, and let nobody in for ``away_s`` seconds."""

    def __init__(self, away_s: float = 0.0) -> None:
        super().__init__("hung up by a scripted fault")
        self.away_s = away_s


class Answering(Protocol):
    """What a server needs of an instrument.

    HiSLIP and VXI-11 also use what it has of a ``Speaker``'s ``status`` (a status byte beyond MAV),
    ``clear_device()`` and a ``Panelled``'s ``hold_panel(held)``.
    """

    def answer(self, message: bytes | None) -> Answer:
        """Carry out one program message."""

    def count_sent(self, series: dict[str, int]) -> None:
        """Told once an answer is out."""


def converse(wire: Wire, instrument: Answering, line_end: bytes = b"\n") -> None:
    """Read messages and write answers until the wire ends or breaks. Raises only ``HungUp``."""
    splitter = MessageSplitter()
    try:
        while data := wire.read():
            for message in splitter.feed(data):
                _answer_one(wire, instrument, message, line_end)
    except HungUp:
        raise
    except OSError:
        return


def _answer_one(wire: Wire, instrument: Answering, message: bytes | None, line_end: bytes) -> None:
    answer = instrument.answer(message)
    if answer.data:
        wire.write(Spoken.bare(answer.data.removesuffix(b"\n") + line_end))
        instrument.count_sent(answer.sent)
