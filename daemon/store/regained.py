"""What salvaged rows are made into: chunks and stretches without overlap, captures without torn parts. Pure."""

from itertools import groupby
from typing import Any

import numpy as np

from daemon.store import codec
from daemon.store.buffers import wave_row
from daemon.store.codec import Stretch
from daemon.store.salvage import Row, Salvaged
from daemon.store.schema import CHUNK_READINGS, PART_SAMPLES

Run = tuple[int, int, Stretch]  # series, number of the first reading, readings


def readings(found: Salvaged) -> tuple[list[Row], list[Run]]:
    """Whole chunks as they are, and runs of readings that were not sealed, or whose chunk is lost."""
    chunks, runs = [], []
    everywhere = [*found.rows["chunk"].values(), *found.rows["tail"].values(), *found.old_tails]
    for series in sorted({row["series"] for row in everywhere}):
        own = sorted((row for row in found.rows["chunk"].values() if row["series"] == series), key=_time)
        tails = sorted((row for row in found.rows["tail"].values() if row["series"] == series), key=_time)
        _number(own, tails)
        old = sorted((row for row in found.old_tails if row["series"] == series), key=_time)
        chunks += own
        runs += [(series, first, stretch) for first, stretch in _uncovered(own, [*tails, *old])]
    return chunks, runs


def _time(row: Row) -> Any:
    return row["t0"]


def _number(chunks: list[Row], tails: list[Row]) -> None:
    """Rows of an earlier version do not say the number of their first reading: they are counted through."""
    count = 0
    for row in [*chunks, *tails]:
        row["first"] = count if row.get("first") is None else row["first"]
        count = row["first"] + row["n"]


def _uncovered(chunks: list[Row], tails: list[Row]) -> list[tuple[int, Stretch]]:
    """The readings of ``tails`` that no chunk holds, each once, in runs that fit a chunk."""
    starts = np.array([row["first"] for row in chunks], np.int64)
    ends = np.array([*(row["first"] + row["n"] for row in chunks), 0], np.int64)
    single: dict[int, tuple[int, float, int]] = {}
    for row in tails:
        numbers = row["first"] + np.arange(row["n"])
        missing = numbers >= ends[np.searchsorted(starts, numbers, "right") - 1]
        stretch = codec.decode_tail(row["body"], row["n"])
        columns = (each[missing].tolist() for each in (numbers, stretch.t, stretch.v, stretch.flags))
        for number, *reading in zip(*columns, strict=True):
            single.setdefault(number, tuple(reading))
    return [(first, _stretch(run)) for first, run in _runs(single)]


def _runs(single: dict[int, tuple[int, float, int]]) -> list[tuple[int, list[tuple[int, float, int]]]]:
    runs = []
    for _, group in groupby(enumerate(sorted(single)), key=lambda pair: pair[1] - pair[0]):
        numbers = [number for _, number in group]
        for at in range(0, len(numbers), CHUNK_READINGS):
            part = numbers[at : at + CHUNK_READINGS]
            runs.append((part[0], [single[number] for number in part]))
    return runs


def _stretch(run: list[tuple[int, float, int]]) -> Stretch:
    t, v, flags = zip(*run, strict=True)
    return Stretch(np.array(t, np.int64), np.array(v, np.float64), np.array(flags, np.uint8))


def captures(found: Salvaged, lost: list[str]) -> list[tuple[object, ...]]:
    """The rows of ``wave``; a capture with a torn part becomes one for each run of whole parts.

    What is lost is added to ``lost`` as sentences.
    """
    waves: list[tuple[object, ...]] = []
    next_number = max([0, *found.rows["capture"]]) + 1
    parts: dict[int, dict[int, Row]] = {}
    for (capture, part), row in found.rows["wave"].items():
        parts.setdefault(capture, {})[part] = row
    found.numbers["capture"] = set(found.rows["capture"]) | set(parts)
    for capture in sorted(set(parts) - set(found.rows["capture"])):
        lost.append(f"Capture {capture}: its samples are there, but not what they mean (time, scale, channel).")
    for capture, facts in sorted(found.rows["capture"].items()):
        own = parts.get(capture, {})
        if sum(row["n"] for row in own.values()) == facts["n"]:
            waves += [_as_it_is(row) for row in own.values()]
            continue
        del found.rows["capture"][capture]
        kept: list[tuple[int, int]] = []
        for run in _whole_runs(sorted(own)):
            number = next_number if kept else capture
            next_number += bool(kept)
            kept.append(_shortened(found, facts, number, [own[part] for part in run], waves))
        whole = f"Capture {capture}: {facts['n'] - sum(n for _, n in kept):,} of {facts['n']:,} samples lost"
        pieces = ", ".join(f"{n:,} samples from number {first:,} on" for first, n in kept)
        lost.append(f"{whole}; kept are {pieces}." if kept else f"{whole}.")
    return waves


def _as_it_is(row: Row) -> tuple[object, ...]:
    return tuple(row.get(name) for name in ("capture", "part", "n", "crc", "env_crc", "env", "body"))


def _whole_runs(parts: list[int]) -> list[list[int]]:
    groups = groupby(enumerate(parts), key=lambda pair: pair[1] - pair[0])
    return [[part for _, part in group] for _, group in groups]


def _shortened(
    found: Salvaged, facts: Row, number: int, run: list[Row], waves: list[tuple[object, ...]]
) -> tuple[int, int]:
    """A capture of its own for parts that follow each other; returns its first sample and its length."""
    first, n = run[0]["part"] * PART_SAMPLES, sum(row["n"] for row in run)
    note = f"{facts['note']} (samples {first} to {first + n - 1} of {facts['n']}: the others are lost)".strip()
    t_us = facts["t"] + round(first * facts["dt"] * 1e6)
    found.take("capture", {**facts, "id": number, "t": t_us, "n": n, "note": note})
    waves += [wave_row(number, part, codec.decode_wave(row["body"], row["n"])) for part, row in enumerate(run)]
    return first, n
