"""Which stretches of time may hold what is asked for, and words for what is not there. Pure."""

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

EARLIEST_US, LATEST_US = -(2**63), 2**63 - 1
_SHOWN = 20

Span = tuple[int, int]
Row = Mapping[str, Any]


def span(row: Row) -> Span:
    """Begin and end of a placement or context; what lasts still ends with time itself."""
    return row["t0"], LATEST_US if row["t1"] is None else row["t1"]


def spans_of(tag: str, word: str, placements: Iterable[Row], contexts: Iterable[Row]) -> list[Span]:
    """Where readings may carry ``word`` as their ``tag``, in order: both ends included, none overlapping."""
    if not word:
        return [(EARLIEST_US, LATEST_US)]  # between placements and before any context too
    found = [span(row) for row in placements if row[tag] == word]
    found += [span(row) for row in contexts if (row["kind"], row["value"]) == (tag, word)]
    spans: list[Span] = []
    for start_us, end_us in sorted(found):
        if spans and start_us <= spans[-1][1]:
            spans[-1] = (spans[-1][0], max(end_us, spans[-1][1]))
        else:
            spans.append((start_us, end_us))
    return spans


def overlap(one: Sequence[Span], other: Sequence[Span]) -> list[Span]:
    """What lies in a span of ``one`` and in a span of ``other``; each in order, and so is the result."""
    found, i, j = [], 0, 0
    while i < len(one) and j < len(other):
        start_us, end_us = max(one[i][0], other[j][0]), min(one[i][1], other[j][1])
        if start_us <= end_us:
            found.append((start_us, end_us))
        i, j = (i + 1, j) if one[i][1] < other[j][1] else (i, j + 1)
    return found


def those_there_are(words: Iterable[object]) -> str:
    """A sentence that lists them, numbers that follow each other as their ends: ``It has 1 to 2000``."""
    known = list(words)
    if not known:
        return "It has none"
    if len(known) > 2 and isinstance(known[0], int) and known == [*range(known[0], known[0] + len(known))]:
        return f"It has {known[0]} to {known[-1]}"
    more = f" and {len(known) - _SHOWN} more" if len(known) > _SHOWN else ""
    return f"It has {', '.join(str(word) or 'an empty one' for word in known[:_SHOWN])}{more}"
