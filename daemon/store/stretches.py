"""Long and short stretches of a series from an open session: what is needed is read, nothing else."""

from collections.abc import Iterable, Iterator

from daemon.store.choice import EARLIEST_US, Span, overlap
from daemon.store.codec import Stretch, joined
from daemon.store.overview import Blocks
from daemon.store.reader import Part, SessionReader


def within(reader: SessionReader, series: int, spans: list[Span]) -> Stretch:
    """The readings of a series in ``spans``, which are in order; no chunk is read that none of them touches."""
    pieces = []
    for part in reader.parts(series, spans[0][0], spans[-1][1]) if spans else []:
        own = overlap(spans, [(part.t0, part.t1)])
        whole = reader.load(part) if own else joined([])
        pieces += [whole.between(start_us, end_us) for start_us, end_us in own]
    return joined(pieces)


def cut(reader: SessionReader, parts: Iterable[Part], start_us: int, end_us: int) -> Stretch:
    """The readings of ``parts`` between two times, both ends included."""
    touched = [part for part in parts if part.t1 >= start_us and part.t0 <= end_us]
    return joined([reader.load(part).between(start_us, end_us) for part in touched])


def blocks(reader: SessionReader, parts: list[Part], start_us: int, end_us: int, exact_readings: int) -> Blocks:
    """Every reading a block of its own up to so many; else the envelopes of the chunks that lie wholly inside, and the
    readings themselves at both ends.
    """
    if sum(part.n for part in parts) <= exact_readings:
        return Blocks.of_readings(cut(reader, parts, start_us, end_us))
    inside = [part.chunk is not None and start_us <= part.t0 and part.t1 <= end_us for part in parts]
    first = inside.index(True) if any(inside) else len(parts)
    stop = len(parts) - inside[::-1].index(True) if any(inside) else len(parts)
    pieces = [
        Blocks.of_readings(cut(reader, parts[:first], start_us, end_us)),
        Blocks.of_envelope(reader.envelopes(parts[first:stop])),
        Blocks.of_readings(cut(reader, parts[stop:], start_us, end_us)),
    ]
    return Blocks.joined(pieces)


def slices(parts: list[Part], rows: int) -> Iterator[Span]:
    """Stretches of time, both ends included, that hold about ``rows`` readings each and all together."""
    start_us, waiting = EARLIEST_US, 0
    for part in sorted(parts, key=lambda each: each.t1):
        waiting += part.n
        if waiting >= rows:
            yield start_us, part.t1
            start_us, waiting = part.t1 + 1, 0
    if waiting:
        yield start_us, max(part.t1 for part in parts)
