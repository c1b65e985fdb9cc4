"""What a technician does, one action at a time; nothing is done here."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True, slots=True)
class Pause:
    """The log's time between two actions; the only thing that ``--speed`` shortens."""

    seconds: float


@dataclass(frozen=True, slots=True)
class Wait:
    """Real time that the unit or the scope needs, whatever the speed."""

    seconds: float


@dataclass(frozen=True, slots=True)
class Say:
    """A command to the daemon."""

    command: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Hand:
    """Something done to the unit or to a knob, as the unit's door takes it."""

    request: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Hold:
    """Keep a probe still until the daemon calls it settled with ``enough`` readings, or ``most_s`` is over.

    ``line`` is the index in the log; where the value cannot show it (an
    overload, a scope input) the point is said to be left before lifting.
    """

    line: int
    probe: str
    enough: int
    most_s: float


@dataclass(frozen=True, slots=True)
class Strike:
    """Take back the placement of an earlier line."""

    line: int
    why: str


@dataclass(frozen=True, slots=True)
class Answer:
    """Read and answer whatever caution is due."""


Action = Pause | Wait | Say | Hand | Hold | Strike | Answer
