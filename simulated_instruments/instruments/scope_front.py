"""What a form of waveform transfer may ask of the scope that it belongs to."""

import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Protocol

from simulated_instruments.instruments.digitising import Timing

Served = tuple[re.Pattern[str], bool, Callable[..., Any]]  # pattern of a header, is it a query, what serves it
DIVISIONS_S = 10
ROLL_POINTS, MAIN_POINTS = 10_000, 1_000


@dataclass(frozen=True, slots=True)
class Record:
    """One record of both channels, as the converter kept it."""

    timing: Timing
    origin_s: float
    rolling: bool
    v_div: tuple[float, float]
    coupling: tuple[str, str]
    codes: tuple[bytes, bytes]


class Front(Protocol):
    """The scope behind its words; see ``Scope`` for what each does."""

    source: int

    def stop(self) -> None:
        """Latch what is on the screen."""

    def run_freely(self) -> None:
        """Let go of it."""

    def arm(self) -> None:
        """Wait for one sweep."""

    def state(self) -> str:
        """Stopped, waiting or running."""

    def rolls(self) -> bool:
        """Whether the record rolls."""

    def choose(self, channel: int) -> None:
        """Which channel is sent next."""

    def fresh(self) -> Record:
        """The record that is asked about now."""

    def shown(self) -> Record:
        """The record that was last asked about."""

    def take_codes(self) -> bytes:
        """Codes of the chosen channel."""

    def knob(self, knob: str, channel: int) -> Any:
        """Where a channel's knob stands."""

    def panel(self) -> tuple[dict[str, Any], float]:
        """All knobs."""

    def turn(self, knob: str, position: float | str | bool) -> None:
        """Turn one."""


class Form(Protocol):
    """The words of one family."""

    def commands(self) -> list[Served]:
        """All that it serves."""
