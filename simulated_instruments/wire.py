"""Bytes between a caller and an instrument: the seam at which faults can be put in.

A ``Wire`` reads and writes bytes and nothing else; ``converse`` runs a conversation over one.
Anything that wraps a ``Wire`` in another (late, silent, torn...) can be handed to the servers.
"""

from collections.abc import Callable
from contextlib import suppress
from typing import Protocol

from simulated_instruments.language.framing import MessageSplitter
from simulated_instruments.language.speaker import Answer


class Wire(Protocol):
    """One connection. Both methods raise ``OSError`` once it is gone."""

    def read(self) -> bytes:
        """What has arrived, at least one byte; empty at the end."""

    def write(self, data: bytes) -> None:
        """Send all of it."""


WireWrapper = Callable[[Wire], Wire]


def plain(wire: Wire) -> Wire:
    """No fault."""
    return wire


class Answering(Protocol):
    """What a server needs of an instrument."""

    def answer(self, message: bytes | None) -> Answer:
        """Carry out one program message."""

    def count_sent(self, series: dict[str, int]) -> None:
        """Told once an answer is out."""


def converse(wire: Wire, instrument: Answering, line_end: bytes = b"\n") -> None:
    """Read messages and write answers until the wire ends or breaks."""
    splitter = MessageSplitter()
    with suppress(OSError):
        while data := wire.read():
            for message in splitter.feed(data):
                _answer_one(wire, instrument, message, line_end)


def _answer_one(wire: Wire, instrument: Answering, message: bytes | None, line_end: bytes) -> None:
    answer = instrument.answer(message)
    if answer.data:
        wire.write(answer.data.removesuffix(b"\n") + line_end)
        instrument.count_sent(answer.sent)
