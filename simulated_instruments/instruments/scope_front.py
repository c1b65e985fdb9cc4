"""What a form of waveform transfer may ask of the scope that it belongs to."""

import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Protocol

from simulated_instruments.instruments.digitising import Timing
from simulated_instruments.language.errors import LanguageError
from simulated_instruments.language.headers import header_pattern
from simulated_instruments.language.numbers import nr1, number, only
from simulated_instruments.language.speaker import Call

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


class Window:
    """Which points of a record are sent, numbered from 1; at most ``at_most`` at a time (0: all, whatever is set)."""

    def __init__(self, at_most: int) -> None:
        self.at_most = at_most
        self.first, self.last = 1, at_most

    def of(self, count: int) -> slice:
        """What is sent of ``count`` points; -222 for a window that is too wide or not in the record."""
        if not self.at_most:
            return slice(0, count)
        if not 1 <= self.first <= self.last or self.last - self.first >= self.at_most:
            raise LanguageError(-222, f"{self.first} to {self.last}")
        return slice(self.first - 1, min(self.last, count))


class Front(Protocol):
    """The scope behind its words; see ``Scope`` for what each does."""

    source: int
    window: Window

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
        """Codes of the chosen channel, those in the window."""

    def points(self) -> int:
        """How many those are."""

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


def window_commands(window: Window, first: str, last: str, total: str, count: Callable[[], int]) -> list[Served]:
    """Commands and queries of a window; none for a scope that sends all at once.

    ``first``, ``last`` and ``total`` are headers, ``count`` the points of the record.
    """
    if not window.at_most:
        return []

    def setting(end: str) -> Callable[[Call], None]:
        return lambda call: setattr(window, end, round(number(only(call.parameters)[0], "", 1, 1e9)))

    def asked(end: str) -> Callable[[Call], str]:
        return lambda call: nr1(getattr(window, end))

    served: list[Served] = [(header_pattern(total), True, lambda call: nr1(count()))]
    for header, end in ((first, "first"), (last, "last")):
        served += [(header_pattern(header), False, setting(end)), (header_pattern(header), True, asked(end))]
    return served
