"""A scope made to roll slowly, so that a switch-on lies whole in one record; and put back as it was found."""

import contextlib
from collections.abc import Callable
from dataclasses import dataclass

from drivers import scpi
from drivers.conversation import Conversation
from drivers.dialects.scope_words import SlowRoll
from drivers.errors import AnswerError, DriverError, InstrumentRefused
from drivers.scope_forms import Word

RECORD_S = 5.0
_SAME = 1e-3  # relative: a scope says its time base with a few digits


@dataclass(frozen=True, slots=True)
class Found:
    """How it stood: ``s_div`` seconds a division, ``word`` its time base mode; ``ours_s_div`` is what was set."""

    s_div: float
    word: str | None
    ours_s_div: float


def roll(talk: Conversation, roll: SlowRoll, word: Word, mode: str, rolls: Callable[[], bool]) -> Found:
    """Have it roll with a record of ``RECORD_S``. ``mode`` is the question for its time base mode.

    Raises ``DriverError`` where that cannot be: then it stands as it was found.
    """
    found = Found(_asked(talk, roll), word(mode), RECORD_S / roll.divisions)
    try:
        talk.tell_unchecked(f"{roll.scale} {found.ours_s_div:.6g}")
        if roll.mode and not rolls():
            talk.tell_unchecked(roll.mode)
        if not rolls():
            raise InstrumentRefused(f"it does not roll at {found.ours_s_div:g} s a division: set it by hand.")
    except DriverError:
        with contextlib.suppress(DriverError):
            put_back(talk, roll, found)
        raise
    return found


def put_back(talk: Conversation, roll: SlowRoll, found: Found) -> str:
    """As it was found, and what that is in words; a time base that a person has turned since is left alone."""
    now_s_div = _asked(talk, roll)
    if abs(now_s_div - found.ours_s_div) > _SAME * found.ours_s_div:
        return f"left at the {now_s_div:g} s a division that it was turned to"
    if roll.mode_back and found.word:
        talk.tell_unchecked(roll.mode_back.format(word=found.word))
    talk.tell_unchecked(f"{roll.scale} {found.s_div:.9g}")
    return f"put back to {_asked(talk, roll):g} s a division"


def _asked(talk: Conversation, roll: SlowRoll) -> float:
    return talk.ask(f"{roll.scale}?", _seconds).value


def _seconds(text: str) -> float:
    seconds = scpi.read_finite(scpi.last_word(text).upper().rstrip("S"))
    if seconds <= 0:
        raise AnswerError(f"{text[:60]!r}: no seconds a division.")
    return seconds
