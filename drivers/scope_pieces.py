"""A long record that a scope hands out in pieces only, joined exactly or not at all.

Which points are sent is chosen by the dialect's ``[transfer.window]``, and put back as it was found. The
record has to be held: a scope that runs writes over it. That it was one and the same is proved three times: the
scope says before each piece and at the end that it is held, all pieces are described alike, and the first points
come again at the end.
"""

import contextlib
from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np

from drivers import scpi
from drivers.conversation import Answer, Conversation
from drivers.dialects.scope_words import Transfer, Window
from drivers.errors import AnswerError, DriverError, OutOfStep
from drivers.scope_forms import Waveform, Word, fetch
from drivers.waveform import Layout

LONGEST_RECORD = 10_000_000
CHECKED_AGAIN = 1_000  # points of a record's beginning that are read once more at the end


def fetch_whole(
    talk: Conversation, transfer: Transfer, channel: int, word: Word, is_held: Callable[[], bool]
) -> Answer[Waveform]:
    """The whole waveform of ``channel``, in pieces where the scope knows the words for that.

    Raises ``OutOfStep`` where the record changed in between: nothing of it is to be kept.
    """
    window = transfer.window
    if window is None:
        return fetch(talk, transfer.form, channel, word)
    points, found = whole_size(window, word)
    if not points:
        return fetch(talk, transfer.form, channel, word)
    if points > LONGEST_RECORD:
        raise DriverError(f"its record has {points} points: set it to {LONGEST_RECORD} at most.")
    pieces = _Pieces(talk, transfer, window, channel, word)
    try:
        return _joined(pieces, points, window.points_at_most, is_held)
    finally:
        with contextlib.suppress(DriverError):
            _put_back(talk, found)


def whole_size(window: Window, word: Word) -> tuple[int, list[tuple[str, str]]]:
    """Points of the whole record and how the window is set; 0 where the scope does not know these words."""
    points = _whole_number(word(window.total))
    if not points:
        return 0, []
    found = [(header, word(f"{header}?")) for header in map(_header, window.select)]
    known = [(header, value) for header, value in found if value is not None]
    return (points, known) if len(known) == len(found) else (0, [])


class _Pieces:
    """Asks for points ``first`` (from 0) to ``first + count`` of one channel."""

    def __init__(self, talk: Conversation, transfer: Transfer, window: Window, channel: int, word: Word) -> None:
        self._talk, self._window, self._form = talk, window, transfer.form
        self._channel, self._word = channel, word

    def __call__(self, first: int, count: int) -> Answer[Waveform]:
        begin = first + self._window.first_number
        for command in self._window.select:
            self._talk.tell_unchecked(command.format(first=begin, last=begin + count - 1, count=count))
        piece = fetch(self._talk, self._form, self._channel, self._word)
        if (came := len(piece.value.samples.codes)) != count:
            raise OutOfStep(f"{count} points from number {begin} on were asked for, {came} came: nothing is kept.")
        return piece


def _joined(pieces: _Pieces, points: int, at_most: int, is_held: Callable[[], bool]) -> Answer[Waveform]:
    _check(is_held())
    beginning = pieces(0, min(points, at_most))
    one = beginning.value
    codes = np.empty(points, one.samples.codes.dtype)
    codes[: len(one.samples.codes)] = one.samples.codes
    for first in range(at_most, points, at_most):
        _check(is_held())
        codes[first : first + at_most] = _like(one, pieces(first, min(at_most, points - first)))
    again = min(points, at_most, CHECKED_AGAIN)
    _check(np.array_equal(_like(one, pieces(0, again)), codes[:again]) and is_held())
    whole = Waveform(replace(one.layout, points=points), replace(one.samples, codes=codes))
    return Answer(whole, beginning.t_us, beginning.half_width_us)


def _like(one: Waveform, piece: Answer[Waveform]) -> np.ndarray[tuple[int, ...], np.dtype[np.generic]]:
    """The codes of a piece that is described as the first one was."""
    other = piece.value
    _check(_meaning(other.layout) == _meaning(one.layout))
    if (other.samples.scale_v, other.samples.offset_v) != (one.samples.scale_v, one.samples.offset_v):
        raise AnswerError("its samples come as text with more digits than can be joined: set it to bytes or words.")
    return other.samples.codes


def _meaning(layout: Layout) -> Layout:
    """A layout without what differs from piece to piece."""
    return replace(layout, points=0, start_s=0.0)


def _check(same: bool) -> None:
    if not same:
        raise OutOfStep("its record changed while it was read in pieces: nothing of it is kept.")


def _put_back(talk: Conversation, found: Sequence[tuple[str, str]]) -> None:
    for header, value in found:
        talk.tell_unchecked(f"{header} {value}")


def _header(command: str) -> str:
    return command.partition(" ")[0]


def _whole_number(word: str | None) -> int | None:
    """The number of points as the scope says it; None where it says none, such as AUTO."""
    try:
        return None if word is None else round(scpi.read_finite(word))
    except AnswerError:
        return None
