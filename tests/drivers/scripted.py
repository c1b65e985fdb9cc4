"""An instrument made of a table of answers, with faults that can be put on its next answer.

Shared by all byte servers of the tests; it knows nothing of the drivers.
"""

from collections.abc import Callable
from dataclasses import dataclass, field

CLOSE = b"\x00CLOSE"  # a piece that makes the server close the connection
Pieces = list[bytes]
Fault = Callable[[bytes, "Scripted"], Pieces]

IDENTITY = "BENCH,SCRIPTED,0042,1.0"


@dataclass
class Scripted:
    """``answers`` maps a query (short form, capitals) to text, bytes, or a function that gives one.

    A command without an answer has None. Anything else is an undefined header: an entry in the error
    queue and no answer to the whole message (IEEE 488.2, 6.1.11 and SCPI-99 vol. 2, 21.8.9).
    """

    answers: dict[str, object] = field(default_factory=dict)
    identity: str = IDENTITY
    faults: list[tuple[str, Fault]] = field(default_factory=list)
    heard: list[str] = field(default_factory=list)
    errors: list[str] = field(default_factory=list)
    held: Pieces = field(default_factory=list)
    enable: int = 0
    status: int = 128
    knows_errors: bool = True
    silent: bool = False

    def fault(self, query: str, fault: Fault) -> None:
        """Spoil the answer to the next message that contains ``query``."""
        self.faults.append((query, fault))

    def hear(self, line: bytes) -> Pieces:
        """The pieces that are sent in answer to one message."""
        text = line.decode("latin-1").strip()
        self.heard.append(text)
        released, self.held = self.held, []
        if self.silent:
            return released
        answer = self._answer(text)
        for number, (query, fault) in enumerate(self.faults):
            if query in text:
                del self.faults[number]
                return released + fault(answer, self)
        return released + ([answer] if answer else [])

    def _answer(self, text: str) -> bytes:
        parts = []
        for unit in text.split(";"):
            answer = self._one(unit.strip().lstrip(":"))
            if answer is None:
                return b""
            if answer:
                parts.append(answer)
        return b";".join(parts) + b"\n" if parts else b""

    def _one(self, unit: str) -> bytes | None:
        common = self._common(unit)
        if common is not None:
            return common
        header, _, parameter = unit.partition(" ")
        if header not in self.answers:
            self.errors.append('-113,"Undefined header"')
            return None
        answer = self.answers[header]
        if callable(answer):
            answer = answer(parameter) if parameter or not header.endswith("?") else answer()
        if answer is None:
            return b""
        return answer if isinstance(answer, bytes) else str(answer).encode("latin-1")

    def _common(self, unit: str) -> bytes | None:
        if unit.startswith("*ESE "):
            self.enable = int(unit[5:])
            return b""
        if unit == "*ESR?":
            self.status, status = 0, self.status
            return str(status).encode()
        if unit == "SYST:ERR?" and self.knows_errors:
            return (self.errors.pop(0) if self.errors else '0,"No error"').encode()
        answer = {"*IDN?": self.identity, "*OPC?": "1", "*ESE?": str(self.enable)}.get(unit)
        return None if answer is None else answer.encode()


def silence(answer: bytes, instrument: Scripted) -> Pieces:
    """No answer at all."""
    return []


def late(answer: bytes, instrument: Scripted) -> Pieces:
    """The answer comes when the next question arrives, in front of that one's answer."""
    instrument.held.append(answer)
    return []


def twice(answer: bytes, instrument: Scripted) -> Pieces:
    """The same answer two times."""
    return [answer + answer]


def twice_late(answer: bytes, instrument: Scripted) -> Pieces:
    """The same answer again when the next question has been asked."""
    instrument.held.append(answer)
    return [answer]


def close_in_the_middle(answer: bytes, instrument: Scripted) -> Pieces:
    """Half of it, then the connection is closed."""
    return [answer[: len(answer) // 2], CLOSE]


def stall_in_the_middle(answer: bytes, instrument: Scripted) -> Pieces:
    """Half of it, and no more."""
    return [answer[: len(answer) // 2]]


def replaced_by(other: bytes) -> Fault:
    """Something else instead."""
    return lambda answer, instrument: [other]


def in_pieces(answer: bytes, instrument: Scripted) -> Pieces:
    """Byte by byte."""
    return [answer[n : n + 1] for n in range(len(answer))]
