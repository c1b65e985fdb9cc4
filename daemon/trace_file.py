"""Waveform files: CSV with ``t_s`` and then volts; and the switch-on verdict on such a file."""

import csv
import io
import math
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import numpy as np

from daemon.judge.course import step_of
from daemon.judge.hum import Volts
from daemon.judge.ripple import ripple
from daemon.judge.switch_on import judge_switch_on
from drivers.errors import TraceFileError

UNEVEN = 0.01  # of a step: what rounding of the written times may make
MOST_RESAMPLED = 2.0  # between the shortest and the longest step; beyond, it is no even record any more
GAP_STEPS = 4.0
TRIGGER_U_S = 0.1
UNTOLD_U_S = 1.0  # a bare file tells its switch-on no better than a key press does
_LEAST_ROWS = 50


def read_trace_csv(text: str, name: str) -> tuple[Volts, Volts]:
    """Times in seconds and volts, shape (n,) each, evenly spaced; gaps are NaN volts.

    The first row names the columns, ``t_s`` first, then volts; further columns are passed over. Times that
    jitter by up to a factor of two are brought to an even step by interpolation. Raises ``TraceFileError``.
    """
    rows = list(csv.reader(io.StringIO(text.lstrip("\ufeff"), newline="")))
    filled = [(number, row) for number, row in enumerate(rows, 1) if any(cell.strip() for cell in row)]
    if not filled or filled[0][1][0].strip() != "t_s":
        got = repr(filled[0][1][0].strip()) if filled else "nothing"
        raise TraceFileError(
            f"{name}, line 1: the first column must be headed t_s, not {got}: write t_s,volts there"
        )
    if len(filled[0][1]) < 2:
        raise TraceFileError(f"{name}, line 1: a second column with the volts is missing")
    if len(filled) - 1 < _LEAST_ROWS:
        raise TraceFileError(f"{name}: {len(filled) - 1} samples are too few: {_LEAST_ROWS} are needed")
    pairs = np.array([_numbers(row, number, name) for number, row in filled[1:]])
    lines = np.array([number for number, _ in filled[1:]])
    return _evened(pairs[:, 0], pairs[:, 1], lines, name)


def _numbers(row: list[str], number: int, name: str) -> tuple[float, float]:
    if len(row) < 2:
        raise TraceFileError(f"{name}, line {number}: time and volts are needed, separated by a comma")
    try:
        pair = float(row[0]), float(row[1])
    except ValueError:
        raise TraceFileError(
            f"{name}, line {number}: {row[0]!r}, {row[1]!r} are not two numbers: write 0.001,1.25"
        ) from None
    if not all(math.isfinite(each) for each in pair):
        raise TraceFileError(f"{name}, line {number}: not a finite number: leave the line out, it is a gap then")
    return pair


def _evened(times_s: Volts, volts: Volts, lines: Any, name: str) -> tuple[Volts, Volts]:
    steps = np.diff(times_s)
    if (steps <= 0).any():
        line = int(lines[1:][steps <= 0][0])
        raise TraceFileError(f"{name}, line {line}: time does not go on: sort the rows by t_s, one a time")
    dt_s = float(np.median(steps))
    gaps = steps > GAP_STEPS * dt_s
    regular = steps[~gaps]
    if not gaps.any() and np.abs(np.cumsum(steps - dt_s)).max() <= UNEVEN * dt_s * max(1, len(steps) / 1000):
        return times_s, volts
    if regular.max() > MOST_RESAMPLED * dt_s or regular.min() < dt_s / MOST_RESAMPLED:
        worst = int(np.argmax(np.where(gaps, 0, np.abs(np.log(steps / dt_s)))))
        raise TraceFileError(
            f"{name}, line {int(lines[worst + 1])}: a step of {steps[worst]:.6g} s where {dt_s:.6g} s are usual:"
            " write the record with even steps"
        )
    return _resampled(times_s, volts, gaps, float(np.mean(regular)))


def _resampled(times_s: Volts, volts: Volts, gaps: Any, dt_s: float) -> tuple[Volts, Volts]:
    even_s = times_s[0] + dt_s * np.arange(math.floor((times_s[-1] - times_s[0]) / dt_s + 1.000001))
    even_v = np.interp(even_s, times_s, volts)
    for start, end in zip(times_s[:-1][gaps], times_s[1:][gaps], strict=True):
        even_v[(even_s > start + dt_s / 2) & (even_s < end - dt_s / 2)] = np.nan
    return even_s, even_v


def judge_trace_file(
    trace_path: Path | str,
    reference_path: Path | str | None = None,
    on_s: float | None = None,
    on_uncertainty_s: float | None = None,
) -> dict[str, Any]:
    """The verdict on a waveform file as plain JSON values. Raises ``TraceFileError``.

    ``on_s`` is the switch-on on the file's own time axis, ``on_uncertainty_s`` how far either side it may lie.
    Untold, zero is the switch-on where the times begin below zero (the usual trigger); else the file is taken to
    begin at the switch-on or up to a second before it, and ``why`` says so. ``onset_s`` counts from there.
    """
    times_s, volts = _load(Path(trace_path))
    told = (
        _switch_on_of(times_s)
        if on_s is None
        else _told_switch_on(times_s, on_s, TRIGGER_U_S if on_uncertainty_s is None else on_uncertainty_s)
    )
    after_first_s, unsure_s, note = told
    if on_s is None and on_uncertainty_s is not None:
        unsure_s = (on_uncertainty_s, on_uncertainty_s)
        note = f"{note} Taken as +-{on_uncertainty_s:.3g} s."
    verdict = judge_switch_on(
        volts,
        _step_s(times_s),
        on_s=after_first_s,
        on_uncertainty_s=unsure_s,
        reference=None if reference_path is None else _reference(Path(reference_path)),
        lsb_v=step_of(volts[np.isfinite(volts)]),
    )
    return replace(verdict, why=f"{verdict.why} {note}").as_dict()


def ripple_of_file(path: Path | str) -> dict[str, Any]:
    """Ripple and hum of a waveform file as plain JSON values, volts and hertz. Raises ``TraceFileError``."""
    times_s, volts = _load(Path(path))
    if np.isnan(volts).any():
        raise TraceFileError(f"{path}: has gaps: ripple is measured over whole mains periods without any")
    found = ripple(volts, _step_s(times_s), step_of(volts))
    if found is None:
        raise TraceFileError(f"{path}: is shorter than one period of the mains: take a record of 20 ms or more")
    return asdict(found)


def _told_switch_on(times_s: Volts, on_s: float, unsure_s: float) -> tuple[float, tuple[float, float], str]:
    """As ``_switch_on_of``, from what was told; at the end of the record the verdict says what that means."""
    note = f"Switch-on as told: t_s = {on_s:.6g}, +-{unsure_s:.3g} s."
    return on_s - float(times_s[0]), (unsure_s, unsure_s), note


def _step_s(times_s: Volts) -> float:
    return float(times_s[-1] - times_s[0]) / (len(times_s) - 1)


def _load(path: Path) -> tuple[Volts, Volts]:
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise TraceFileError(f"{path}: cannot be read: {error}") from error
    return read_trace_csv(text, str(path))


def _reference(path: Path) -> tuple[Volts, float, float]:
    times_s, volts = _load(path)
    if np.isnan(volts).any():
        raise TraceFileError(f"{path}: has gaps: a reference must be whole")
    return volts, _step_s(times_s), max(0.0, -float(times_s[0]))


def _switch_on_of(times_s: Volts) -> tuple[float, tuple[float, float], str]:
    """Seconds from the first sample to the switch-on, how unsure that is, and the sentence that says so."""
    first_s, last_s = float(times_s[0]), float(times_s[-1])
    if first_s < 0 < last_s:
        return -first_s, (TRIGGER_U_S, TRIGGER_U_S), "Switch-on taken as t_s = 0."
    later_s = min(UNTOLD_U_S, (last_s - first_s) / 4)
    note = (
        "The file does not say when the unit was switched on:"
        f" taken as its first sample or up to {later_s:.2g} s after it."
    )
    return 0.0, (0.0, later_s), note
