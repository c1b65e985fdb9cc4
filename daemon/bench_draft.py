"""A bench file to start from, out of what a search has found. Pure: text, no I/O."""

import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from drivers.find import Found
from drivers.finding.kinds import Guess
from drivers.resource_names import Way, parse_resource

HEAD = """\
# Begun by `probetrail find`. Read it through before the first run: what each instrument is there for, and
# what its probe is called, only you know. `probetrail check` then says what each can do, and what is wrong.

# [unit]
# name = "what is being repaired"
# serial = "its serial number"
# protection = "earthed"  # 3 wires; or "double-insulated", 2 wires: every limit follows from it
# rated_mains_v = 230     # what its label says
"""
# One instrument may answer in several ways: those whose answers carry their question's number come first.
PREFERRED = (Way.HISLIP, Way.VXI11, Way.SOCKET, Way.USB, Way.SERIAL)
NO_SERIAL = ("", "0")  # IEEE 488.2, 10.14.3.3: what stands for a serial number that is not available
UNTOLD = Guess("", "its kind was not asked for")


@dataclass(frozen=True, slots=True)
class _Box:
    """One instrument with all the ways in which it answered, the preferred one first."""

    ways: tuple[Found, ...]

    @property
    def guess(self) -> Guess:
        guesses = [way.guess for way in self.ways if way.guess is not None]
        return next((guess for guess in guesses if guess.kind), guesses[0] if guesses else UNTOLD)


def draft(found: Sequence[Found]) -> str:
    """Text of a bench file with a table for each instrument that answered; the others stand in comments.

    The file is a right one as soon as somebody answered. Where a kind could not be told a comment says so.
    """
    names = _Names()
    tables = [_table(box, names) for box in _boxes([entry for entry in found if entry.identity is not None])]
    silent = [_silent(entry) for entry in found if entry.identity is None and entry.resource]
    return "\n".join([HEAD, *tables, *silent])


def _boxes(answered: Sequence[Found]) -> list[_Box]:
    ways: dict[object, list[Found]] = {}
    for entry in answered:
        ways.setdefault(_same_box(entry), []).append(entry)
    return [_Box(tuple(sorted(group, key=_preference))) for group in ways.values()]


def _same_box(entry: Found) -> object:
    """Equal for two ways to one instrument; without a serial number nobody can tell."""
    identity = entry.identity
    if identity is None or identity.serial in NO_SERIAL:
        return entry.resource
    return (identity.maker, identity.model, identity.serial)


def _preference(entry: Found) -> int:
    way = parse_resource(entry.resource).way
    return PREFERRED.index(way) if way in PREFERRED else len(PREFERRED)


class _Names:
    """Names that are given once: ``meter``, ``meter 2`` ..."""

    def __init__(self) -> None:
        self._given: set[str] = set()

    def new(self, name: str) -> str:
        number = 2
        candidate = name
        while candidate in self._given:
            candidate, number = f"{name} {number}", number + 1
        self._given.add(candidate)
        return candidate


def _table(box: _Box, names: _Names) -> str:
    chosen, *others = box.ways
    kind = box.guess.kind or "meter"
    name = names.new(kind if box.guess.kind else "unknown")
    lines = [
        "[[instrument]]",
        f"# it answered: {_plain(str(chosen.identity))}",
        *(f"# the same instrument answers at {_plain(other.resource)}" for other in others),
        f"name = {_quoted(name)}",
        *_kind_lines(box.guess),
        f"resource = {_quoted(chosen.resource)}",
        *([f"baud = {chosen.baud}"] if chosen.baud is not None else []),
        *([f"visa_library = {_quoted(chosen.visa_library)}"] if chosen.visa_library else []),
        *_purpose(kind, box.guess, names),
    ]
    return "\n".join(lines) + "\n"


def _kind_lines(guess: Guess) -> Iterator[str]:
    if guess.kind:
        yield f'kind = "{guess.kind}"  # {_plain(guess.because)}'
        return
    yield f"# Its kind could not be told: {_plain(guess.because)}."
    yield 'kind = "meter"  # write what it is: meter, scope, generator or supply'


def _purpose(kind: str, guess: Guess, names: _Names) -> Iterator[str]:
    if kind == "meter":
        yield f"probe = {_quoted(names.new('red'))}"
        yield "# accuracy = { percent_reading = 0.05, percent_range = 0.01 }  # take both from its data sheet"
    elif kind == "scope" and guess.channels:
        prefix = names.new("scope probe").replace(" probe", "")
        probes = [f"{prefix} {'ABCDEFGH'[channel]}" for channel in range(min(guess.channels, 8))]
        yield f"probe = [{', '.join(map(_quoted, probes))}]  # one name a channel"
        yield "# watch_switch_on = true  # it may be stopped for a moment after a switch-on, to read its record"
    elif kind == "generator":
        yield "# ceiling_dbm = -20  # above this level its output is never switched on"
    elif kind == "supply":
        yield '# role = "supply current"  # where it feeds the unit on the bench: tells when that goes on and off'


def _silent(entry: Found) -> str:
    return (
        f"# {_plain(entry.resource)}\n#   {_plain(entry.remark)}\n"
        '# [[instrument]]\n# name = "..."\n# kind = "..."  # meter, scope, generator or supply\n'
        f"# resource = {_quoted(_plain(entry.resource))}\n"
    )


def _quoted(text: str) -> str:
    """A TOML basic string; JSON's escapes are a part of TOML's."""
    return json.dumps(text)


def _plain(text: str) -> str:
    """What an instrument says of itself may hold anything; a comment ends with its line."""
    return "".join(character if character.isprintable() else "?" for character in text)
