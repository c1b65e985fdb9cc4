"""Healthy switch-on captures to compare with: from the bench file, and kept for each model.

A reference lies in the session as a capture of the role ``reference``. Which capture serves which
point and mode, and the moment of switch-on on the capture's own time axis, is the session's meta
row ``references``.
"""

import json
import re
from dataclasses import asdict, dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from daemon.drawings import model_folder
from daemon.keeper.desk import Desk, Reference
from daemon.trace_file import read_trace_csv
from drivers.errors import TraceFileError
from drivers.readings import Trace

CODES = 32767


@dataclass(frozen=True, slots=True)
class _Card:
    """What is known of a reference file before it is read."""

    point: str
    mode: str
    file: Path
    on_s: float
    coupling: str = "DC"


def import_references(desk: Desk) -> None:
    """Bring the references of the unit's model into the session, once each."""
    desk.references = [Reference(**row) for row in json.loads(desk.writer.meta("references") or "[]")]
    known = {reference.file for reference in desk.references}
    wanted = [_Card(entry.point, entry.mode, entry.file, entry.on_s) for entry in desk.bench.references]
    for card in [*wanted, *_kept(desk)]:
        if str(card.file) in known:
            continue
        try:
            t_s, volts = read_trace_csv(card.file.read_text(encoding="utf-8"), card.file.name)
        except (OSError, UnicodeDecodeError, TraceFileError) as error:
            desk.tell("remark", f"Reference {card.file.name} cannot be used: {error}")
            continue
        _add(desk, card, np.asarray(t_s), np.asarray(volts))


def _add(desk: Desk, card: _Card, t_s: NDArray[np.float64], volts: NDArray[np.float64]) -> None:
    on_us = desk.clock.now_us()
    trace = replace(_as_trace(t_s - card.on_s, volts, on_us), coupling=card.coupling)
    number = desk.writer.add_capture(
        trace, role="reference", point=card.point, leg="", mode=card.mode, condition="", note=card.file.name
    )
    remember(desk, Reference(card.point, card.mode, number, on_us, str(card.file)))


def _as_trace(t_s: NDArray[np.float64], volts: NDArray[np.float64], on_us: int) -> Trace:
    """Volts as 16-bit codes, far finer than any scope's own steps; switch-on lies at ``t_s`` = 0."""
    lowest, highest = float(volts.min()), float(volts.max())
    offset_v = (lowest + highest) / 2
    scale_v = max((highest - lowest) / 2, 1e-9) / CODES
    return Trace(
        t0_us=on_us + round(float(t_s[0]) * 1e6),
        dt_s=float((t_s[-1] - t_s[0]) / (len(t_s) - 1)),
        codes=np.round((volts - offset_v) / scale_v).astype(np.int16),
        scale_v=scale_v,
        offset_v=offset_v,
        channel="",
    )


def remember(desk: Desk, reference: Reference) -> None:
    """Let a capture of the session serve as reference from now on."""
    desk.references.append(reference)
    desk.writer.set_meta("references", json.dumps([asdict(kept) for kept in desk.references]))
    desk.state_is_old = True


def find(desk: Desk, point: str, mode: str) -> Reference | None:
    """The newest reference of a point: of this mode where there is one, else one of no stated mode."""
    of_point = [reference for reference in desk.references if reference.point == point]
    fitting = [reference for reference in of_point if reference.mode == mode]
    fitting = fitting or [reference for reference in of_point if not reference.mode]
    return fitting[-1] if fitting else None


def keep(folder: Path, unit: str, point: str, mode: str, trace: Trace, on_us: int) -> Path:
    """Write a healthy capture where later sessions of the same model find it."""
    target = model_folder(folder, unit)
    target.mkdir(parents=True, exist_ok=True)
    stem = re.sub(r"[^\w+-]+", "_", f"{point} {mode}").strip("_")
    times_s = (trace.t0_us - on_us) / 1e6 + np.arange(len(trace.codes)) * trace.dt_s
    rows = "\n".join(f"{t:.7g},{v:.6g}" for t, v in zip(times_s, trace.volts, strict=True))
    path = target / f"{stem}.csv"
    path.write_text(f"t_s,volt\n{rows}\n", encoding="utf-8")
    card = {"point": point, "mode": mode, "on_s": 0.0, "coupling": trace.coupling}
    (target / f"{stem}.json").write_text(json.dumps(card), encoding="utf-8")
    return path


def _kept(desk: Desk) -> list[_Card]:
    found = []
    for path in sorted(model_folder(desk.references_folder, desk.unit.unit).glob("*.json")):
        try:
            content = json.loads(path.read_text(encoding="utf-8"))
            coupling = str(content.get("coupling", "DC"))
            card = _Card(
                content["point"], content["mode"], path.with_suffix(".csv"), float(content["on_s"]), coupling
            )
        except (OSError, ValueError, KeyError) as error:
            desk.tell("remark", f"Reference {path.name} cannot be used: {error}")
            continue
        found.append(card)
    return found
