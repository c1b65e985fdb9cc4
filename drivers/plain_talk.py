"""Questions and answers with an instrument that knows neither ``*IDN?`` nor an error queue.

An answer counts only when the whole of it has the pattern of its question and nothing follows. After
anything else the link is suspect: it is cleared, and a question whose answer is known must be answered
rightly before the next value is believed. What cannot answer anything cannot be proved to be there.
"""

import re
from collections.abc import Sequence

from drivers import scpi
from drivers.clock import Clock
from drivers.conversation import Answer
from drivers.errors import AnswerError, OutOfStep
from drivers.links.link import Link

Proof = tuple[str, str]  # a question and the pattern of its answer


class PlainTalk:
    """Owns a link. ``open`` first; methods raise only ``DriverError``."""

    def __init__(self, link: Link, clock: Clock, timeout_s: float, proof: Proof | None) -> None:
        self._link = link
        self._clock = clock
        self._timeout_s = timeout_s
        self._proof = proof
        self._suspect = False
        self._remarks: list[str] = []

    def open(self) -> str:
        """Connect; the answer to the proving question, empty where there is none."""
        self._link.open(self._deadline_s())
        return self._prove()

    def ask(self, query: str, pattern: str) -> Answer[re.Match[str]]:
        """Ask, and read the whole answer by ``pattern``."""
        self._make_ready()
        return self._exchange(query, pattern)

    def tell(self, command: str) -> None:
        """Send a command; nothing comes back, so nothing says that it was understood."""
        self._make_ready()
        self._suspect = True
        self._link.write(command.encode("ascii"), self._deadline_s())
        self._suspect = False

    def remark(self, text: str) -> None:
        """Keep a remark for the time line, once."""
        if text not in self._remarks:
            self._remarks.append(text)

    def take_remarks(self) -> tuple[str, ...]:
        """Anomalies since the last call."""
        remarks, self._remarks = tuple(self._remarks), []
        return remarks

    def close(self) -> None:
        """Let go; safe to call twice, never raises."""
        self._link.close()

    def _deadline_s(self) -> float:
        return self._clock.monotonic_s() + self._timeout_s

    def _make_ready(self) -> None:
        if not self._suspect and (waiting := self._link.drain(0.0).strip()):
            self._suspect = True
            self.remark(f"out of step: {waiting[:60]!r} was waiting before a question and was thrown away")
        if self._suspect:
            self._link.clear(self._deadline_s())
            self._prove()

    def _prove(self) -> str:
        if self._proof is None:
            self._suspect = False
            return ""
        return self._exchange(*self._proof).value.group()

    def _exchange(self, query: str, pattern: str) -> Answer[re.Match[str]]:
        self._suspect = True
        deadline_s = self._deadline_s()
        asked_us = self._clock.now_us()
        self._link.write(query.encode("ascii"), deadline_s)
        text = scpi.decode(self._link.read_line(deadline_s))
        answered_us = self._clock.now_us()
        if extra := self._link.drain(0.0).strip():
            raise OutOfStep(f"{query} was answered twice ({text[:60]!r}, then {extra[:60]!r}): neither is kept.")
        found = re.fullmatch(pattern, text)
        if found is None:
            raise AnswerError(f"{text[:60]!r}: not the answer that its dialect has for {query}.")
        self._suspect = False
        return Answer(found, (asked_us + answered_us) // 2, (answered_us - asked_us + 1) // 2)


def proof_of(identify: str, identity: str, asks: Sequence[Proof]) -> Proof | None:
    """Which question proves that the link is in step: the one for its identity, else the first that there is."""
    if identify:
        return identify, identity
    return asks[0] if asks else None
