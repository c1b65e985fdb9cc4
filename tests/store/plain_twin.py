"""Reads a session file slowly with what Python has: written from FORMAT.md, shares no code with the store."""

import sqlite3
import struct
import zlib


def integers(plain, n):
    if n == 0:
        return []
    number, width = struct.unpack_from("<qB", plain)
    planes = plain[9:]
    assert len(planes) == width * (n - 1)
    numbers = [number]
    for i in range(n - 1):
        folded = sum(planes[plane * (n - 1) + i] << 8 * plane for plane in range(width))
        step = folded >> 1 if folded % 2 == 0 else -(folded >> 1) - 1
        number = (number + step + 2**63) % 2**64 - 2**63
        numbers.append(number)
    return numbers


def values(plain, n):
    if plain[0] == 0:
        planes = plain[1:]
        return [struct.unpack("<d", bytes(planes[plane * n + i] for plane in range(8)))[0] for i in range(n)]
    exponent, count = struct.unpack_from("<BI", plain, 1)
    at, exceptions = 6, {}
    if count:
        mask = plain[at : at + (n + 7) // 8]
        at += len(mask)
        marked = [i for i in range(n) if mask[i // 8] >> (7 - i % 8) & 1]
        exceptions = dict(zip(marked, struct.unpack_from(f"<{count}d", plain, at), strict=True))
        at += 8 * count
    scaled = integers(plain[at:], n)
    return [exceptions.get(i, k / 10**exponent) for i, k in enumerate(scaled)]


def readings(path):
    """All readings by (instrument, channel, quantity): lists of (t, value, flags)."""
    with sqlite3.connect(f"file:{path}?mode=ro", uri=True) as sql:
        names = {row[0]: row[1:] for row in sql.execute("SELECT id, instrument, channel, quantity FROM series")}
        found = {name: [] for name in names.values()}
        for series, n, tb, vb, fb in sql.execute("SELECT series, n, tb, vb, fb FROM chunk ORDER BY t0"):
            planes = integers(zlib.decompress(tb), n), values(zlib.decompress(vb), n), zlib.decompress(fb)
            found[names[series]] += zip(*planes, strict=True)
        for series, n, body in sql.execute("SELECT series, n, body FROM tail ORDER BY t0"):
            times, volts, flags = (
                struct.unpack_from(f"<{n}q", body),
                struct.unpack_from(f"<{n}d", body, 8 * n),
                struct.unpack_from(f"<{n}B", body, 16 * n),
            )
            found[names[series]] += zip(times, volts, flags, strict=True)
    sql.close()
    return found


def envelopes(path):
    """All envelope rows, in order of series and time."""
    with sqlite3.connect(f"file:{path}?mode=ro", uri=True) as sql:
        bodies = sql.execute("SELECT env FROM chunk ORDER BY series, t0").fetchall()
    sql.close()
    return [row for (body,) in bodies for row in struct.iter_unpack("<qddfB", body)]


def codes(path, capture):
    """All samples of a capture as the converter's numbers."""
    with sqlite3.connect(f"file:{path}?mode=ro", uri=True) as sql:
        parts = sql.execute("SELECT n, body FROM wave WHERE capture = ? ORDER BY part", (capture,)).fetchall()
    sql.close()
    return [code for n, body in parts for code in integers(zlib.decompress(body), n)]
