"""Series files: CSV with ``t_s`` and ``value``, one reading a row, as any logger writes them."""

import csv
import io
import math
from collections.abc import Iterator, Sequence
from pathlib import Path

from daemon.judge.placements import Shown
from drivers.errors import AnswerError, ProbetrailError
from drivers.readings import Flag
from drivers.scpi import read_number

MOST_DECIMALS = 9  # more were not written for a reader
LEAST_AGAIN = 0.1  # of values that come again within two readings, where a display rounded them
MOST_MISTAKES = 20
LONGEST_S = 1e11  # more than the seconds since 1970; beyond, microseconds do not fit any more


class SeriesFileError(ProbetrailError):
    """A series that cannot be read: one line a mistake, each with its cure."""


def read_series(path: Path) -> list[Shown]:
    """The readings of a file. Raises ``SeriesFileError``."""
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise SeriesFileError(f"{path}: cannot be read: {error}") from error
    return parse_series(text, str(path))


def parse_series(text: str, name: str) -> list[Shown]:
    """Readings in order of time; the first row names the columns, others than the two are passed over.

    An empty cell or ``nan`` is a reading without a value, 9.9E37, ``OL`` or ``inf`` one beyond the range (SCPI-99
    vol. 1, 7.2.1.4/5). The resolution is that of the digits as written, apart for each decade.
    Raises ``SeriesFileError``.
    """
    rows = enumerate(csv.reader(io.StringIO(text.lstrip("\ufeff"), newline="")), 1)
    filled = [(number, [cell.strip() for cell in row]) for number, row in rows if any(cell.strip() for cell in row)]
    time, value = _columns(filled, name)
    series, mistakes, last_s = [], [], -math.inf
    for number, row in filled[1:]:
        try:
            shown = _reading(row, time, value, last_s)
        except ValueError as error:
            mistakes.append(f"{name}, line {number}: {error}")
        else:
            series.append((shown, row[value] if value < len(row) else ""))
            last_s = shown.t_us / 1e6
    if mistakes:
        more = len(mistakes) - MOST_MISTAKES
        raise SeriesFileError("\n".join([*mistakes[:MOST_MISTAKES], *([f"and {more} more"] if more > 0 else [])]))
    return list(_with_resolution(series))


def _columns(filled: Sequence[tuple[int, list[str]]], name: str) -> tuple[int, int]:
    if not filled:
        raise SeriesFileError(f"{name}, line 1: the file is empty: write t_s,value there, then one reading a line")
    number, header = filled[0]
    if "t_s" in header and "value" in header:
        return header.index("t_s"), header.index("value")
    cure = "separate the columns by commas" if any(mark in cell for cell in header for mark in ";\t") else ""
    raise SeriesFileError(
        f"{name}, line {number}: the columns t_s and value must be named there, and are {', '.join(header)!r}:"
        f" {cure or 'write t_s,value in the first line'}"
    )


def _reading(row: list[str], time: int, value: int, last_s: float) -> Shown:
    """One row; its resolution is not known yet. Raises ``ValueError`` with the cure."""
    written = row[time] if time < len(row) else ""
    try:
        t_s = float(written)
    except ValueError:
        raise ValueError(f"{written!r} is no time: write seconds, such as 12.5") from None
    if not abs(t_s) < LONGEST_S:
        raise ValueError(f"{written!r} is no time: write seconds, such as 12.5")
    if t_s < last_s:
        raise ValueError(f"time goes back from {last_s:.10g} to {t_s:.10g}: sort the lines by t_s")
    volts, flags = _value(row[value] if value < len(row) else "")
    return Shown(round(t_s * 1e6), volts, flags)


def _value(cell: str) -> tuple[float, Flag]:
    if not cell:
        return math.nan, Flag.NOT_A_NUMBER
    try:
        return read_number(cell)
    except AnswerError:
        raise ValueError(f"{cell!r} is no number: write one such as 23.37, OL for overload, or nothing") from None


def _with_resolution(series: Sequence[tuple[Shown, str]]) -> Iterator[Shown]:
    """A display drops digits as its range goes up, and writers drop zeros: a decade has the most that it shows.

    What a display rounded comes again from one reading to the next; where hardly anything does, the digits are
    not those of a meter, and no resolution is known.
    """
    places, again = _written(series)
    known = {decade: 10.0 ** -places[decade] for decade in places if again[decade]}
    for shown, _ in series:
        yield Shown(shown.t_us, shown.value, shown.flags, known.get(_decade(shown.value)))


def _written(series: Sequence[tuple[Shown, str]]) -> tuple[dict[int, int], dict[int, bool]]:
    """The most decimals of each decade, and whether its values come again."""
    rows: dict[int, list[str]] = {}
    for shown, cell in series:
        if math.isfinite(shown.value):
            rows.setdefault(_decade(shown.value), []).append(cell)
    again = {
        decade: sum(a in cells[at + 1 : at + 3] for at, a in enumerate(cells)) >= LEAST_AGAIN * len(cells)
        for decade, cells in rows.items()
    }
    return {decade: max(map(_decimals, cells)) for decade, cells in rows.items()}, again


def _decade(value: float) -> int:
    """Digits before the point; below 1 all is one decade, for around 0 V readings have any size."""
    return max(0, math.floor(math.log10(abs(value))) + 1) if value and math.isfinite(value) else 0


def _decimals(cell: str) -> int:
    """Decimals as written; of one that was written to the last bit (0.30000000000000004) those that it means."""
    mantissa, _, exponent = cell.lower().partition("e")
    written = len(mantissa.partition(".")[2]) - int(exponent or 0)
    if written <= MOST_DECIMALS:
        return written
    value = float(cell)
    means = (places for places in range(MOST_DECIMALS) if math.isclose(round(value, places), value, rel_tol=1e-10))
    return next(means, written)
