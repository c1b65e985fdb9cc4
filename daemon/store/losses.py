"""What a session file holds no more, as rows and as sentences."""

import logging
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from drivers.clock import iso_utc

log = logging.getLogger("probetrail.store")


@dataclass(frozen=True, slots=True)
class Loss:
    """``n`` readings of the series ``number`` (samples of the capture of that number) between two times.

    ``kind`` is readings, capture or log; ``number`` 0 and ``n`` 0 where it is not known which and how many.
    """

    kind: str
    number: int
    t0_us: int
    t1_us: int
    n: int
    why: str


def sentence(loss: Loss, series: Mapping[int, str]) -> str:
    """The loss in words, with the names of ``series`` by number."""
    span = f"from {iso_utc(loss.t0_us)} to {iso_utc(loss.t1_us)}"
    if loss.kind == "capture":
        return f"Capture {loss.number} of {iso_utc(loss.t0_us)} has lost {loss.n:,} samples: {loss.why}."
    if loss.kind == "log":
        return f"{loss.why} (last stored: {iso_utc(loss.t1_us)})."
    whose = f"{series.get(loss.number, f'series {loss.number}')}: " if loss.number else ""
    return f"{whose}{loss.n:,} readings lost {span}: {loss.why}."


def told(losses: Iterable[Loss], series: Mapping[int, str]) -> list[dict[str, Any]]:
    """Losses as rows with ``t0`` and ``t1``, each with its sentence as ``text``."""
    return [
        {**asdict(loss), "t0": loss.t0_us, "t1": loss.t1_us, "text": sentence(loss, series)} for loss in losses
    ]


def series_names(rows: Iterable[Mapping[str, Any]]) -> dict[int, str]:
    """Number of each series to the words that a person knows it by."""
    return {row["id"]: " ".join(filter(None, (row["instrument"], row["channel"], row["quantity"]))) for row in rows}


class Met:
    """Losses that reading has come across; each is logged once, so that no script misses them."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self.losses: dict[Loss, None] = {}

    def note(self, loss: Loss, series: Mapping[int, str]) -> None:
        """Remember one, and say it the first time."""
        if loss not in self.losses:
            self.losses[loss] = None
            log.warning("%s: %s", self._path, sentence(loss, series))
