"""The push stream: what just happened, handed from the keeper's thread to every listener.

A listener that does not keep up is let go, not waited for: it comes back and gets the state anew.
"""

import asyncio
import json
import struct
from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from drivers.readings import Trace

Frame = str | bytes
MOST_WAITING = 400
MOST_POINTS = 2000


def text_frame(message: dict[str, Any]) -> str:
    """One message as JSON text."""
    return json.dumps(message, separators=(",", ":"), allow_nan=False)


def trace_frame(instrument: str, trace: Trace, hum: Mapping[str, float] | None = None) -> bytes:
    """A trace for the screen: header, then float32 volts, lowest and highest of each stretch where it is long.

    ``hum`` are its ``mains_hz`` and rms volts ``f_v`` and ``two_f_v`` there and at twice that.
    """
    volts, dt_s = thinned(trace.volts.astype(np.float32), trace.dt_s)
    ends = (trace.lowest_code * trace.scale_v + trace.offset_v, trace.highest_code * trace.scale_v + trace.offset_v)
    header = {
        "kind": "trace",
        "instrument": instrument,
        "channel": trace.channel,
        "t0_us": trace.t0_us,
        "dt_s": dt_s,
        "n": len(volts),
        "clipped": trace.clipped,
        "lowest_v": min(ends),
        "highest_v": max(ends),
        "hum": hum,
    }
    text = json.dumps(header).encode()
    text += b" " * (-len(text) % 4)  # so that the floats lie on a four-byte boundary for the browser
    return b"".join((struct.pack("<I", len(text)), text, volts.astype("<f4").tobytes()))


def thinned(volts: NDArray[np.float32], dt_s: float) -> tuple[NDArray[np.float32], float]:
    """At most ``MOST_POINTS`` samples that keep every extreme, and their distance in seconds."""
    stretch = -(-len(volts) // (MOST_POINTS // 2))
    if stretch <= 2:
        return volts, dt_s
    whole = len(volts) // stretch * stretch
    blocks = volts[:whole].reshape(-1, stretch)
    pairs = np.stack([blocks.min(axis=1), blocks.max(axis=1)], axis=1)
    falling = blocks.argmin(axis=1) > blocks.argmax(axis=1)
    pairs[falling] = pairs[falling, ::-1]
    return pairs.ravel(), dt_s * stretch / 2


class Feed:
    """Fans frames out to listeners; ``send`` may be called from any thread."""

    def __init__(self) -> None:
        self._loop: asyncio.AbstractEventLoop | None = None
        self._listeners: set[asyncio.Queue[Frame | None]] = set()

    def attach(self, loop: asyncio.AbstractEventLoop) -> None:
        """Name the event loop that the listeners wait in."""
        self._loop = loop

    def send(self, frame: Frame) -> None:
        """Hand a frame to every listener; without listeners it costs next to nothing."""
        if self._listeners and self._loop is not None and not self._loop.is_closed():
            self._loop.call_soon_threadsafe(self._spread, frame)

    @property
    def heard(self) -> bool:
        """True while somebody listens."""
        return bool(self._listeners)

    def listen(self) -> "asyncio.Queue[Frame | None]":
        """A queue of frames from now on; None in it means that the listener was too slow."""
        queue: asyncio.Queue[Frame | None] = asyncio.Queue(MOST_WAITING + 1)
        self._listeners.add(queue)
        return queue

    def leave(self, queue: "asyncio.Queue[Frame | None]") -> None:
        """Stop listening."""
        self._listeners.discard(queue)

    def _spread(self, frame: Frame) -> None:
        for queue in list(self._listeners):
            if queue.qsize() >= MOST_WAITING:
                self.leave(queue)
                queue.put_nowait(None)
            else:
                queue.put_nowait(frame)
