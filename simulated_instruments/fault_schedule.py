"""When a fault is due: at the Nth answer once or for good, or drawn from a seed."""

import random
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

# Each kind with how long it lasts, seconds, unless something else is said.
KINDS: Mapping[str, float] = {
    "silence": 0.0,
    "late": 2.0,
    "half": 2.0,
    "garbage": 0.0,
    "noise": 0.0,
    "non-ascii": 0.0,
    "terminator": 0.0,
    "closed": 0.0,
    "refused": 1.0,
    "duplicate": 0.0,
    "drip": 1.0,
    "outage": 30.0,
}
_WRITTEN = re.compile(r"([a-z-]+)(?::(\d+(?:\.\d+)?))?@(\d+)(\+)?")


@dataclass(frozen=True, slots=True)
class Fault:
    """One kind at the ``at``th answer, or from there on for good; ``seconds`` None is the kind's own."""

    kind: str
    at: int
    for_good: bool = False
    seconds: float | None = None

    def __post_init__(self) -> None:
        if self.kind not in KINDS:
            raise ValueError(f"there is no fault {self.kind!r}; there are: {', '.join(KINDS)}")
        if self.at < 1:
            raise ValueError("answers are counted from 1")

    @property
    def lasts_s(self) -> float:
        """How long it takes."""
        return KINDS[self.kind] if self.seconds is None else self.seconds


def parse_fault(text: str) -> Fault:
    """``late:1.5@3`` or ``silence@3+``. Raises ``ValueError``."""
    found = _WRITTEN.fullmatch(text)
    if not found:
        raise ValueError(f"{text!r} is not KIND[:SECONDS]@N or KIND[:SECONDS]@N+")
    kind, seconds, at, for_good = found.groups()
    return Fault(kind, int(at), bool(for_good), float(seconds) if seconds else None)


class Schedule(Protocol):
    """Says which fault is due."""

    def due(self, number: int) -> Fault | None:
        """The fault for answer ``number``; asked once for each, in order from 1."""


class Scripted:
    """What was written down; for one answer the first that fits."""

    def __init__(self, faults: Sequence[Fault]) -> None:
        self._faults = tuple(faults)

    def due(self, number: int) -> Fault | None:
        """See ``Schedule``."""
        fitting = (f for f in self._faults if f.at == number or (f.for_good and f.at < number))
        return next(fitting, None)


class Seeded:
    """Each answer has a fault with probability ``rate``, of one of ``kinds`` with equal chances."""

    def __init__(
        self, seed: int, rate: float, kinds: Sequence[str] | None = None, seconds: Mapping[str, float] | None = None
    ) -> None:
        self._draw = random.Random(f"faults {seed}")
        self._rate = rate
        self._kinds = tuple(kinds or KINDS)
        self._seconds = dict(seconds or {})

    def due(self, number: int) -> Fault | None:
        """See ``Schedule``."""
        if self._draw.random() >= self._rate:
            return None
        kind = self._draw.choice(self._kinds)
        return Fault(kind, number, seconds=self._seconds.get(kind))
