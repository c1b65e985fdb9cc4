"""Parts lifted out of circuit, and what was led past, as people say it: in a mark's words or beside a reading."""

import re
from collections.abc import Iterable, Iterator

from daemon.drawing import Drawing
from daemon.suspects.altered import LIKE, LINK
from daemon.suspects.mending import BACK, DONE, LIFTED, MENDED
from daemon.suspects.readings import BESIDE, Seen, suspect_names

UNNAMED = "a part that is not named"
OUT_WORDS = re.compile(r"\b(lift(ed)?|out|off|free|(un|de)soldered|disconnected|removed)\b", re.I)
SURELY_BACK = re.compile(
    r"\b(re-?fitted|re-?soldered|reconnected|(soldered|put|fitted) (back|in)|back in(?! order)"
    r"|no longer (lifted|out|off|free|disconnected|removed)|in circuit again)\b",
    re.I,
)
GONE = re.compile(r"\b(removed?|taken (off|away|out)|out again|off again|no longer)\b", re.I)
BACK_WORDS = re.compile(r"\b(back|soldered|fitted|in again|in circuit)\b", re.I)
NOT_YET = re.compile(r"\b(not|never|nothing|isn't|wasn't|still|yet)\b", re.I)
LEG = re.compile(
    r"\b(base|collector|emitter|input|output|common|one end|contact \w+|(\w+ )?(leg|pin)( \d)?)\b", re.I
)
ALL_LEGS = re.compile(r"\b(all|both|three) (of )?(its )?(three )?(legs|pins|ends)\b", re.I)
DESIGNATOR = re.compile(r"\b[A-Z]{1,3}\d{1,4}[A-Za-z]?\b")
LIKE_WORDS = re.compile(r"\b(like|another|substitute|same|similar|equal|second)\b", re.I)
LINK_WORDS = re.compile(r"\b(link(ed)?|wire|clip lead|strap|bridged?|jumper(ed)?|shorted)\b", re.I)
Told = tuple[int, int | None, Seen]  # when, the placement that it was read in, what


def named_parts(text: str, drawing: Drawing) -> list[str]:
    """Parts of the drawing (without a network: points) whose names stand in a text as words of their own."""
    return [name for name in dict.fromkeys(suspect_names(drawing)) if _stands_in(name, text)]


def _stands_in(name: str, text: str) -> bool:
    """Capitals do not matter, but for a name of one letter: "a" is a word of its own."""
    return re.search(rf"(?<![\w.+-]){re.escape(name)}(?!\w)", text, 0 if len(name) == 1 else re.I) is not None


def lifted_or_back(text: str, drawing: Drawing, mode: str = "") -> list[Seen]:
    """What a mark of the kind "part lifted" says: out of circuit, unless its words say that it is back."""
    if says_back(text):
        return [Seen(name, mode, BACK) for name in _names_in(text, drawing)]
    return [Seen(name, mode, LIFTED, how=_leg(name, text)) for name in _names_in(text, drawing)]


def says_back(text: str) -> bool:
    """True where the words about a lifted part say that it is in circuit again."""
    back = SURELY_BACK.search(text) or (BACK_WORDS.search(text) and not OUT_WORDS.search(text))
    return bool(back) and NOT_YET.search(text) is None


def says_surely_back(text: str) -> bool:
    """The same of words that may be about anything: only where nothing else can be meant."""
    return SURELY_BACK.search(text) is not None and NOT_YET.search(text) is None


def says_gone(text: str) -> bool:
    """True where the words about a bypass say that it has been taken away."""
    return GONE.search(text) is not None and NOT_YET.search(text) is None


def surely_back(text: str, drawing: Drawing, mode: str = "") -> list[Seen]:
    """What a note of any other kind says to be back."""
    found = [*named_parts(text, drawing), *DESIGNATOR.findall(text)] if says_surely_back(text) else []
    return [Seen(name, mode, BACK) for name in dict.fromkeys(found)]


def replaced(text: str, drawing: Drawing, mode: str = "") -> list[Seen]:
    """What a mark of the kind "part replaced" says; a part that is not on the drawing can only be back."""
    parts = named_parts(text, drawing)
    rest = [] if parts else DESIGNATOR.findall(text)
    return [*(Seen(part, mode, MENDED) for part in parts), *(Seen(name, mode, BACK) for name in rest)]


def what_lies_across(text: str) -> str:
    """A link or a like part, where a mark's words tell; else ""."""
    return LIKE if LIKE_WORDS.search(text) else LINK if LINK_WORDS.search(text) else ""


def _names_in(text: str, drawing: Drawing) -> list[str]:
    """Parts of the drawing; where it has none of that name, what is written like one."""
    return named_parts(text, drawing) or list(dict.fromkeys(DESIGNATOR.findall(text))) or [UNNAMED]


def _leg(name: str, text: str) -> str:
    """The leg that was lifted, where the words tell of one; "" all of them."""
    if ALL_LEGS.search(text):
        return ""
    letter = re.search(rf"{re.escape(name)}[ -]([BCE])\b", text)
    found = letter or LEG.search(text)
    return "" if found is None else found[letter is not None].strip()


def lifted_beside(condition: str, drawing: Drawing | None) -> list[str]:
    """Parts that a reading's condition says are out ("isolation, C7 lifted"); "cover lifted" is about no part."""
    if BESIDE.search(condition) is None:
        return []
    named = named_parts(condition, drawing) if drawing is not None else []
    return named or list(dict.fromkeys(DESIGNATOR.findall(condition)))


def with_what_is_lifted(told: Iterable[Told], drawing: Drawing) -> Iterator[Told]:
    """The same, with parts lifted and put back where a reading's condition says so ("isolation, C7 lifted"), and
    without those put back that were never lifted."""
    marked: set[str] = set()
    beside: set[str] = set()
    for at_us, placement, seen in told:
        if seen.quantity in DONE:
            if seen.quantity == BACK and seen.point not in marked:
                continue
            marked = marked | {seen.point} if seen.quantity == LIFTED else marked - {seen.point}
            beside -= {seen.point}
        else:
            now = set(lifted_beside(seen.condition, drawing)) - marked
            for name in sorted(beside - now):
                yield at_us, None, Seen(name, seen.mode, BACK)
            for name in sorted(now - beside):
                yield at_us, None, Seen(name, seen.mode, LIFTED, how=_leg(name, seen.condition))
            beside = now
        yield at_us, placement, seen
