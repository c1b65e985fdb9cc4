"""A stretch of every series as the bytes that the timeline page draws from. Pure.

Four bytes of length (little-endian), a JSON header padded to a multiple of eight, then for each series of the header
its ``n`` times (float64, microseconds after the header's ``t0_us``) and either, where ``exact``, ``n`` values
(float64), or ``n`` lowest and ``n`` highest values (float32). NaN stands where a reading has no value.
"""

import json
from collections.abc import Mapping
from typing import Any

import numpy as np

from daemon.records import Overview


def window_bytes(views: Mapping[int, Overview], t0_us: int, t1_us: int, more: Mapping[str, Any]) -> bytes:
    """The answer for ``views`` by series; ``more`` goes into the header as it is."""
    series = [
        {"series": number, "n": len(view.t), "exact": _is_exact(view)} for number, view in views.items() if len(view.t)
    ]
    header = json.dumps({"t0_us": t0_us, "t1_us": t1_us, "series": series, **more}).encode()
    header += b" " * (-(len(header) + 4) % 8)
    bodies = [_body(view, t0_us) for view in views.values() if len(view.t)]
    return b"".join([len(header).to_bytes(4, "little"), header, *bodies])


def _is_exact(view: Overview) -> bool:
    return view.exact and bool(np.array_equal(view.low, view.high, equal_nan=True))


def _body(view: Overview, t0_us: int) -> bytes:
    times = (view.t - t0_us).astype("<f8").tobytes()
    if _is_exact(view):
        return times + view.low.astype("<f8").tobytes()
    with np.errstate(over="ignore"):  # what is beyond float32 is drawn at the edge
        return times + view.low.astype("<f4").tobytes() + view.high.astype("<f4").tobytes()
