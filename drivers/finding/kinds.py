"""What kind an instrument seems to be: told by the questions it understands, never by its maker's name.

Queries only, and none that measures or triggers: what is asked changes nothing. ``MEAS:...?`` and ``READ?``
would, so they are not asked. SCPI-99 vol. 2: 3.1 (CONFigure), 3.2 (FETCh), 15 (OUTPut), 18.9
(SENSe:FUNCtion), 19.7 (FREQuency), 19.17 (POWer).
"""

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from drivers import scpi
from drivers.conversation import Conversation
from drivers.dialects import ScopeDialect, scope_dialect, scope_dialects
from drivers.errors import AnswerError

KINDS_IN_ORDER = ("scope", "meter", "generator", "supply")
TRY_S = 0.6  # an unknown word is answered by silence, so each one costs this much


@dataclass(frozen=True, slots=True)
class Guess:
    """The bench file's kind ("" where it cannot be told), what it was told by, and the number of a scope's channels."""

    kind: str
    because: str
    channels: int = 0


def guess_kind(talk: Conversation, kinds: Sequence[str] = KINDS_IN_ORDER) -> Guess:
    """Ask an open conversation which of ``kinds`` it is. Raises ``DriverError`` where the link itself fails."""
    tellings = {"scope": _scope, "meter": _meter, "generator": _source, "supply": _supply}
    for kind in kinds:
        if (guess := tellings[kind](talk)) is not None:
            return guess
    return Guess("", "it understood none of the questions by which the kinds are told apart")


def _scope(talk: Conversation) -> Guess | None:
    for dialect in map(scope_dialect, scope_dialects()):
        if dialect.recognise and talk.try_ask(dialect.recognise, _like(dialect.recognised_by), TRY_S) is not None:
            return Guess("scope", f"it describes a waveform in {dialect.name}", _channels(talk, dialect))
    return None


def _like(pattern: str) -> Callable[[str], str]:
    def read(text: str) -> str:
        if re.fullmatch(pattern, text) is None:
            raise AnswerError(f"{text[:60]!r} is no description of a waveform.")
        return text

    return read


def _channels(talk: Conversation, dialect: ScopeDialect) -> int:
    for channel in range(1, dialect.channels + 1):
        if not dialect.shown or talk.try_ask(dialect.shown.format(channel=channel), scpi.unquoted, TRY_S) is None:
            return channel - 1
    return dialect.channels


def _meter(talk: Conversation) -> Guess | None:
    for query in ("CONF?", "SENS:FUNC?"):
        answer = talk.try_ask(query, scpi.read_configuration, TRY_S)
        if answer is not None and answer.value.quantity is not None:
            return Guess("meter", f"{query} says that it is on {answer.value.function}")
    return None


def _source(talk: Conversation) -> Guess | None:
    output = talk.try_ask("OUTP?", scpi.read_boolean, TRY_S)
    if output is None:
        return None
    frequency = talk.try_ask("FREQ?", scpi.read_finite, TRY_S)
    level = talk.try_ask("POW?", scpi.read_finite, TRY_S)
    if frequency is not None and level is not None:
        return Guess("generator", "it tells a frequency, a level and whether its output is on")
    if frequency is not None:
        return Guess("", "it has an output and a frequency but no POW?: maybe a generator in words of its own")
    if talk.try_ask("CURR?", scpi.read_finite, TRY_S) is None:
        return None
    return Guess("supply", "it has an output, a current and no frequency")


def _supply(talk: Conversation) -> Guess | None:
    if talk.try_ask("FETC:CURR?", scpi.read_number, TRY_S) is not None:
        return Guess("supply", "it has a current to fetch and no function that could be turned")
    return None
