"""What was noted as temporary and not as undone: parts led past, parts lifted; and a unit not as drawn by it. Pure.

A mark is a person's word, and so is all of this: nobody but who looks at the board knows what is there.
"""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from daemon.drawing import Drawing
from daemon.suspects.lifting import DESIGNATOR, lifted_beside, named_parts, says_back, says_gone, says_surely_back

BYPASSED, LIFTED, REPLACED, NOTE = "bypassed", "part lifted", "part replaced", "note"  # kinds of notes
_WHAT = {BYPASSED: "bypassed", LIFTED: "lifted"}
# Words of somebody who is about to be done: common practice, no source.
CLOSING = re.compile(
    r"\b(soak(s|ing|ed)?|burn(s|ing|t)?[ -]?in|hand(s|ed|ing)?[ -]?(it )?(back|over)|goes back"
    r"|final (safety )?(check|test)s?)\b",
    re.I,
)
CAPACITOR = re.compile(r"C\d+\w?")
NotAsDrawn = tuple[tuple[str, str], ...]  # parts ("" for one without a name), each with what it is


@dataclass(frozen=True, slots=True)
class Temporary:
    """One thing that is noted as in place: ``what`` is bypassed or lifted, ``part`` "" where the note names none.

    ``event`` is the number of the note, ``since_us`` its time.
    """

    what: str
    part: str
    text: str
    since_us: int
    event: int

    @property
    def name(self) -> str:
        """``F1 bypassed``; of a part that has no name, the words of the note."""
        return f"{self.part} {self.what}" if self.part else f'"{self.text}" ({self.what})'


def after_note(
    known: Sequence[Temporary], kind: str, text: str, at_us: int, event: int, drawing: Drawing | None
) -> tuple[Temporary, ...]:
    """What is in place once this was noted too."""
    parts = _parts(text, drawing)
    if kind == REPLACED or (kind == NOTE and says_surely_back(text)):
        return tuple(each for each in known if each.what != "lifted" or each.part not in parts)
    if kind not in _WHAT:
        return tuple(known)
    what = _WHAT[kind]
    if _says_undone(kind, text):
        gone = _meant([each for each in known if each.what == what], parts)
        return tuple(each for each in known if each not in gone)
    there = {(each.what, each.part) for each in known if each.part}
    new = [Temporary(what, part, text, at_us, event) for part in parts or [""] if (what, part) not in there]
    return (*known, *new)


def not_as_drawn(known: Sequence[Temporary], condition: str, drawing: Drawing | None) -> NotAsDrawn:
    """What is not as drawn while a reading is taken: by what was noted, and by the words of its condition."""
    noted = [(each.part, each.what) for each in known]
    return tuple(dict.fromkeys([*noted, *((part, "lifted") for part in lifted_beside(condition, drawing))]))


def moves_volts(altered: NotAsDrawn, drawing: Drawing) -> NotAsDrawn:
    """What of it keeps volts at rest from being as printed: all but capacitors, which carry none of their current.

    A sound unit reads the same with one out, and that it does is the proof that was lifted for. Where there is no
    network, the letter says what is a capacitor (IEEE 315, class designation C; from memory).
    """
    kinds = {part.name: part.kind for part in drawing.parts}
    return tuple(each for each in altered if not _is_capacitor(each[0], kinds))


def _is_capacitor(name: str, kinds: Mapping[str, str]) -> bool:
    return kinds[name] == "capacitor" if name in kinds else CAPACITOR.fullmatch(name) is not None


def altered_words(altered: NotAsDrawn) -> str:
    """``R5 and C7 are lifted, F1 is bypassed``; "" of a unit as drawn."""
    told = []
    for what in dict.fromkeys(what for _, what in altered):
        names = [part or "a part" for part, each in altered if each == what]
        several = f"{', '.join(names[:-1])} and {names[-1]} are" if len(names) > 1 else f"{names[0]} is"
        told.append(f"{several} {what}")
    return ", ".join(told)


def _says_undone(kind: str, text: str) -> bool:
    return says_back(text) if kind == LIFTED else says_gone(text)


def _meant(known: Sequence[Temporary], parts: Sequence[str]) -> Sequence[Temporary]:
    """Those that the words name; without a name the only one that there is."""
    if parts:
        return [each for each in known if each.part in parts]
    return known if len(known) == 1 else [each for each in known if not each.part][-1:]


def _parts(text: str, drawing: Drawing | None) -> list[str]:
    named = named_parts(text, drawing) if drawing is not None else []
    return named or list(dict.fromkeys(DESIGNATOR.findall(text)))
