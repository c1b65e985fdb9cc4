"""Faults on the wire, as wrappers around a ``Wire``: one line makes any server a bad one.

    wrap = faulty("late:2@3", "silence@7+")          # the 3rd answer 2 s late; none from the 7th on
    wrap = seeded(42, rate=0.1)                      # each answer has one chance in ten; 42 gives it again
    with serve_tcp(instrument, wrap=wrap) as server:
        ...
        wrap.arm("closed")                           # put one on the next answer
    wrap.injected                                    # what was done, and when

A fault falls on an instrument's *answer* (the number counts answers over all connections of the
server); what a transport says for itself is never counted, and let through, late only during an outage.

========== =================================================================== ===================
kind       what happens to the answer                                          seconds (default)
========== =================================================================== ===================
silence    never sent
late       sent after a while; what is asked meanwhile waits behind it         delay (2)
half       its first half, a pause, the rest                                   pause (2)
garbage    other bytes in its place, as many; never a digit
noise      bytes in front of it that belong to no frame and end no line
non-ascii  its first byte has the high bit set
terminator carriage return where the newline belongs
closed     its first half, then the connection is closed
refused    the connection is closed, and nobody is let in for a while          absence (1)
duplicate  sent twice
drip       sent in at most 40 pieces over a while                              whole time (1)
outage     nothing leaves the server for a while, on any connection; then all  length (30)
========== =================================================================== ===================
"""

import random
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from simulated_instruments.clock import Clock, MachineClock, wall_us
from simulated_instruments.fault_schedule import Fault, Schedule, Scripted, Seeded, parse_fault
from simulated_instruments.wire import HungUp, Spoken, Wire

_NEVER_DIGITS = bytes(set(range(256)) - set(b"0123456789\r\n"))
_PIECES = 40
_NOISE = 12


@dataclass(frozen=True, slots=True)
class Injected:
    """One fault that was carried out: when (UTC microseconds, monotonic seconds), which, on which answer."""

    t_us: int
    t_s: float
    kind: str
    answer: int


class Faults:
    """Wraps every wire of one server; counts answers, does what the schedule says, keeps a log."""

    def __init__(self, schedule: Schedule, seed: int = 0, clock: Clock | None = None) -> None:
        self.injected: list[Injected] = []
        self.told: Callable[[Injected], None] = lambda injected: None
        self._schedule = schedule
        self._draw = random.Random(f"garbage {seed}")
        self._clock = clock or MachineClock()
        self._armed: list[Fault] = []
        self._answers = 0
        self._outage_until_s = 0.0
        self._lock = threading.Lock()

    def __call__(self, wire: Wire) -> Wire:
        """The wire with faults on it."""
        return _FaultyWire(wire, self)

    def arm(self, kind: str, seconds: float | None = None) -> None:
        """Put a fault on the next answer, before whatever the schedule has for it."""
        with self._lock:
            self._armed.append(Fault(kind, 1, seconds=seconds))

    @property
    def answers(self) -> int:
        """How many answers there have been."""
        return self._answers

    def due(self) -> Fault | None:
        """Count an answer; the fault for it, already logged."""
        with self._lock:
            self._answers += 1
            fault = self._armed.pop(0) if self._armed else self._schedule.due(self._answers)
            if fault is None:
                return None
            injected = Injected(wall_us(), self._clock.now_s(), fault.kind, self._answers)
            self.injected.append(injected)
        self.told(injected)
        return fault

    def begin_outage(self, seconds: float) -> None:
        """Nothing leaves from now on."""
        self._outage_until_s = max(self._outage_until_s, self._clock.now_s() + seconds)

    def outage_left_s(self) -> float:
        """How long still; not positive when there is none."""
        return self._outage_until_s - self._clock.now_s()

    def garbage(self, count: int) -> bytes:
        """That many bytes, none of which is a digit or ends a line."""
        with self._lock:
            return bytes(self._draw.choices(_NEVER_DIGITS, k=count))


def faulty(*written: str, seed: int = 0) -> Faults:
    """Faults from their short form, ``KIND[:SECONDS]@N`` or ``KIND[:SECONDS]@N+`` (from the Nth on, for good)."""
    return Faults(Scripted([parse_fault(text) for text in written]), seed)


def seeded(
    seed: int,
    rate: float = 0.1,
    kinds: Sequence[str] | None = None,
    seconds: Mapping[str, float] | None = None,
) -> Faults:
    """Faults drawn at random: each answer has one with probability ``rate``; the seed repeats them.

    ``seconds`` sets how long a kind takes (``{"outage": 2.0}``).
    """
    return Faults(Seeded(seed, rate, kinds, seconds or {}), seed)


class _FaultyWire:
    def __init__(self, wire: Wire, faults: Faults) -> None:
        self._wire = wire
        self._faults = faults

    def read(self) -> bytes:
        return self._wire.read()

    def rest(self, seconds: float) -> None:
        self._wire.rest(seconds)

    def write(self, data: bytes) -> None:
        fault = self._faults.due() if isinstance(data, Spoken) else None
        if fault is None:
            self._out(data)
        else:
            assert isinstance(data, Spoken)
            _WAYS[fault.kind](self, data, fault.lasts_s)

    def _out(self, data: bytes) -> None:
        left_s = self._faults.outage_left_s()
        if left_s > 0:
            self._wire.rest(left_s)
        self._wire.write(data)

    def _silence(self, data: Spoken, seconds: float) -> None:
        """Nothing at all."""

    def _late(self, data: Spoken, seconds: float) -> None:
        self.rest(seconds)
        self._out(data)

    def _half(self, data: Spoken, seconds: float) -> None:
        middle = _middle(data)
        self._out(data[:middle])
        self.rest(seconds)
        self._out(data[middle:])

    def _garbage(self, data: Spoken, seconds: float) -> None:
        body = data[data.body]
        kept = len(body) - len(body.rstrip(b"\r\n"))
        self._out(_with_body(data, self._faults.garbage(len(body) - kept) + body[len(body) - kept :]))

    def _noise(self, data: Spoken, seconds: float) -> None:
        self._out(self._faults.garbage(_NOISE) + data)

    def _non_ascii(self, data: Spoken, seconds: float) -> None:
        body = data[data.body]
        self._out(_with_body(data, bytes([body[0] | 0x80]) + body[1:]))

    def _terminator(self, data: Spoken, seconds: float) -> None:
        body = data[data.body]
        self._out(_with_body(data, body.removesuffix(b"\n") + (b"\r" if body.endswith(b"\n") else b"")))

    def _closed(self, data: Spoken, seconds: float) -> None:
        self._out(data[: _middle(data)])
        raise HungUp

    def _refused(self, data: Spoken, seconds: float) -> None:
        raise HungUp(seconds)

    def _duplicate(self, data: Spoken, seconds: float) -> None:
        self._out(data + data)

    def _drip(self, data: Spoken, seconds: float) -> None:
        pieces = list(_pieces(data))
        for piece in pieces:
            self._out(piece)
            self.rest(seconds / len(pieces))

    def _outage(self, data: Spoken, seconds: float) -> None:
        self._faults.begin_outage(seconds)
        self._out(data)


def _middle(data: Spoken) -> int:
    """In the middle of the answer's own words, after the frame that announces them."""
    middle: int = (data.body.start + data.body.stop) // 2
    return middle


def _with_body(data: Spoken, body: bytes) -> bytes:
    return data[: data.body.start] + body + data[data.body.stop :]


def _pieces(data: bytes) -> Iterator[bytes]:
    size = -(-len(data) // _PIECES)
    return (data[at : at + size] for at in range(0, len(data), size))


_WAYS: dict[str, Callable[[_FaultyWire, Spoken, float], None]] = {
    "silence": _FaultyWire._silence,
    "late": _FaultyWire._late,
    "half": _FaultyWire._half,
    "garbage": _FaultyWire._garbage,
    "noise": _FaultyWire._noise,
    "non-ascii": _FaultyWire._non_ascii,
    "terminator": _FaultyWire._terminator,
    "closed": _FaultyWire._closed,
    "refused": _FaultyWire._refused,
    "duplicate": _FaultyWire._duplicate,
    "drip": _FaultyWire._drip,
    "outage": _FaultyWire._outage,
}
