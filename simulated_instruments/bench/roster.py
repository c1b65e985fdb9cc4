"""Which instruments stand on the bench: made-up makers, models and serial numbers."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

from simulated_instruments.asking import Asker
from simulated_instruments.clock import Clock
from simulated_instruments.instruments.measuring import Specification
from simulated_instruments.instruments.panelled import Panelled
from simulated_instruments.wire import Answering

BENCH_METER = Specification(percent_reading=0.05, percent_range=0.01, counts=60_000, period_s=0.09)
CLIP_METER = Specification(percent_reading=0.1, percent_range=0.02, counts=20_000, period_s=0.18)
SCOPE_PERCENT = 3.0


@dataclass(frozen=True, slots=True)
class Entry:
    """One instrument: how it is made, whether it is on a serial line, its table in the bench file.

    ``panel`` is whose knobs at the unit it has; empty: its own.
    """

    make: Callable[[Asker, Clock, int, bool], Answering]
    serial: bool
    table: Mapping[str, object]
    panel: str = ""


def with_transfer(entry: Entry, form: str, window: int) -> Entry:
    """A scope's entry with another form of waveform transfer, ``window`` points at a time (0: all at once)."""
    if entry.table.get("kind") != "scope":
        raise ValueError("only a scope has a form of waveform transfer")
    return replace(entry, make=_scope_of(form, window))


def _meter(unit: Asker, clock: Clock, seed: int, can_fetch: bool) -> Panelled:
    from simulated_instruments.instruments.meter import Meter  # noqa: PLC0415 because each process loads its own kind

    identity = ("Benchwright", "M-60 bench meter", "BW60113", "1.4")
    return Meter("meter", "red", identity, unit, clock, BENCH_METER, seed, can_fetch)


def _clip_meter(unit: Asker, clock: Clock, seed: int, can_fetch: bool) -> Panelled:
    from simulated_instruments.instruments.meter import Meter  # noqa: PLC0415 because each process loads its own kind

    identity = ("Benchwright", "H-20 serial meter", "BW20871", "0.9")
    return Meter("clip meter", "clip", identity, unit, clock, CLIP_METER, seed, can_fetch)


def _scope(unit: Asker, clock: Clock, seed: int, can_fetch: bool) -> Panelled:
    from simulated_instruments.instruments.scope import Scope  # noqa: PLC0415 because only this process needs numpy

    identity = ("Ostrel", "Twotrace 8", "OS80442", "2.0")
    return Scope("scope", ("scope A", "scope B"), identity, unit, clock, seed)


def _scope_of(form: str, window: int = 0) -> Callable[[Asker, Clock, int, bool], Panelled]:
    def make(unit: Asker, clock: Clock, seed: int, can_fetch: bool) -> Panelled:
        from simulated_instruments.instruments.scope import Scope  # noqa: PLC0415 because only this process needs numpy

        identity = ("Ostrel", f"Twotrace 8{form.upper()}", "OS80443", "2.0")
        return Scope("scope", ("scope A", "scope B"), identity, unit, clock, seed, form, window)

    return make


def _letters(unit: Asker, clock: Clock, seed: int, can_fetch: bool) -> Answering:
    from simulated_instruments.instruments.old_generator import LettersGenerator  # noqa: PLC0415 because of the same

    return LettersGenerator()


def _deaf(unit: Asker, clock: Clock, seed: int, can_fetch: bool) -> Answering:
    from simulated_instruments.instruments.old_generator import DeafGenerator  # noqa: PLC0415 because of the same

    return DeafGenerator()


def _generator(unit: Asker, clock: Clock, seed: int, can_fetch: bool) -> Panelled:
    from simulated_instruments.instruments.generator import Generator  # noqa: PLC0415 because each loads its own

    return Generator("generator", ("Ostrel", "Tonemark 150", "OS15027", "1.1"), unit, clock)


def _supply(unit: Asker, clock: Clock, seed: int, can_fetch: bool) -> Panelled:
    from simulated_instruments.instruments.supply import SupplyMonitor  # noqa: PLC0415 because each loads its own

    identity = ("Benchwright", "L-230 lead monitor", "BW23009", "1.0")
    return SupplyMonitor("supply monitor", identity, unit, clock, seed)


def _accuracy(percent_reading: float, percent_range: float) -> dict[str, float]:
    return {"percent_reading": percent_reading, "percent_range": percent_range}


ROSTER: Mapping[str, Entry] = {
    "meter": Entry(
        _meter,
        False,
        {"kind": "meter", "poll_s": 0.1, "probe": "red", "accuracy": _accuracy(0.05, 0.01)},
    ),
    "clip meter": Entry(
        _clip_meter,
        True,
        {"kind": "meter", "poll_s": 0.2, "probe": "clip", "accuracy": _accuracy(0.1, 0.02)},
    ),
    "scope": Entry(
        _scope,
        False,
        {
            "kind": "scope",
            "poll_s": 0.5,
            "link": "visa",
            "probe": ["scope A", "scope B"],
            "watch_switch_on": True,
            "accuracy": _accuracy(0.0, SCOPE_PERCENT),
        },
    ),
    "generator": Entry(_generator, False, {"kind": "generator", "poll_s": 5.0}),
    "supply monitor": Entry(
        _supply,
        False,
        {"kind": "supply", "poll_s": 0.1, "role": "supply current", "accuracy": _accuracy(0.2, 0.05)},
    ),
}

# Kinds that stand on no bench and can be started alone.
OFF_BENCH: Mapping[str, Entry] = {
    "scope form b": Entry(_scope_of("b"), False, {"kind": "scope"}, "scope"),
    "scope form c": Entry(_scope_of("c"), False, {"kind": "scope"}, "scope"),
    "letters generator": Entry(_letters, False, {"kind": "generator"}, "generator"),
    "deaf generator": Entry(_deaf, False, {"kind": "generator"}, "generator"),
}
