"""How long a meter looks and how finely it resolves, followed as they are turned."""

from functools import lru_cache

from drivers import scpi
from drivers.conversation import Conversation
from drivers.errors import AnswerError

LOOK_EVERY = 10  # polls between two questions for settings that a knob seldom changes
LINE_HZ_QUERY = "SYST:LFR?"


class IntegrationTime:
    """Seconds of one measurement: ``APERture``, or ``NPLCycles`` of the mains (SCPI-99 vol. 2, 18: SENSe).

    Asked for anew when the function changes and at every tenth poll; what a function does not
    answer is not asked again. Cycles are seconds only where the meter says its line frequency.
    """

    def __init__(self, conversation: Conversation) -> None:
        self._conversation = conversation
        self._queries: dict[str, str] = {}
        self._line_hz: float | None = None
        self._asked_line = False
        self._function = ""
        self._seconds: float | None = None
        self._polls = 0

    def follow(self, function: str) -> float | None:
        """The time for ``function`` (a SENSe node such as ``VOLT:DC``), seconds; None where the meter is silent."""
        if not function:
            return None
        self._polls += 1
        if function != self._function or self._polls >= LOOK_EVERY:
            self._function, self._polls = function, 0
            self._seconds = self._ask(function)
        return self._seconds

    def _ask(self, function: str) -> float | None:
        if function not in self._queries:
            return self._find(function)
        query = self._queries[function]
        if not query:
            return None
        return self._in_seconds(query, self._conversation.ask(query, scpi.read_finite).value)

    def _find(self, function: str) -> float | None:
        for query in (f"SENS:{function}:APER?", f"SENS:{function}:NPLC?"):
            answer = self._conversation.try_ask(query, _positive)
            if answer is not None:
                self._queries[function] = query
                return self._in_seconds(query, answer.value)
        self._queries[function] = ""
        return None

    def _in_seconds(self, query: str, value: float) -> float | None:
        if query.endswith("APER?"):
            return value
        if not self._asked_line:
            answer = self._conversation.try_ask(LINE_HZ_QUERY, _positive)
            self._line_hz, self._asked_line = (None if answer is None else answer.value), True
        return None if self._line_hz is None else value / self._line_hz


@lru_cache(maxsize=256)  # asked at each poll for the same few functions
def sense_node(function: str) -> str:
    """``:SENS:VOLT:DC`` or ``volt:dc`` as the node below SENSe that its settings have."""
    return function.upper().removeprefix(":").removeprefix("SENSE:").removeprefix("SENS:")


def _positive(text: str) -> float:
    value = scpi.read_finite(text)
    if value <= 0:
        raise AnswerError(f"{text[:40]!r}: not above zero.")
    return value
