"""Series for the placements benchmark: what a meter shows while a careless hand works its way through points.

Invented hands on an invented meter (counts, ranges, blank readings on a change of range, a specimen's own error
within its stated accuracy); common practice, no source. The input is drawn on a grid of 5 ms, goes through the
meter's first-order filter and is then read at the meter's rate.
"""

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

Samples = NDArray[np.float64]

GRID_S = 0.005
RANGES_V = (0.6, 6.0, 60.0, 600.0)
STILL_S, STILL_READINGS = 1.5, 6
RATES_HZ = (1.0, 2.0, 4.0, 5.0, 10.0, 10.0, 10.0, 20.0, 50.0, 100.0)
SETTLED_SHARE = 0.001  # and one count: what a value still lacks when it counts as settled
NO_VALUE, OVER = "", "9.9E37"


@dataclass(frozen=True)
class Placement:
    """One deliberate touch: ``volts`` is where the point ends up; ``shown`` the same through this specimen."""

    from_s: float
    to_s: float
    volts: float
    shown: float
    half_width: float  # limits of error of the meter here
    still_from_s: float | None  # from when it was still for long enough; None: it never was


@dataclass(frozen=True)
class Series:
    """Times and cells as a meter's log has them, and the truth."""

    kind: str
    rate_hz: float
    t_s: list[float]
    cells: list[str]
    truth: list[Placement]

    def as_csv(self) -> str:
        """The file that ``probetrail placements`` takes."""
        rows = (f"{t_s:.4f},{cell}" for t_s, cell in zip(self.t_s, self.cells, strict=True))
        return "\n".join(["t_s,value", *rows, ""])


@dataclass
class Meter:
    """One specimen of a meter with its auto-range."""

    rng: np.random.Generator
    rate_hz: float
    counts: int = field(init=False)
    percent_reading: float = field(init=False)

    def __post_init__(self) -> None:
        # The finer the display, the better the meter: counts, per cent of reading, digits.
        kinds = ((6_000, 0.5, 2), (20_000, 0.1, 4), (60_000, 0.05, 6))
        self.counts, self.percent_reading, self.digits = kinds[self.rng.integers(len(kinds))]
        self.gain = self.rng.uniform(-0.9, 0.9) * self.percent_reading / 100
        self.offset_digits = self.rng.uniform(-0.7, 0.7) * self.digits
        self.noise_digits = self.rng.uniform(0.1, 0.8)
        self.tau_s = self.rng.uniform(0.02, 0.12)
        self.blanks = round(self.rng.uniform(0.1, 0.4) * self.rate_hz)  # readings lost on a change of range
        self.blank_cell = [NO_VALUE, OVER, None][self.rng.integers(3)]

    def range_of(self, volts: float) -> float:
        return next(r for r in RANGES_V if abs(volts) <= r)

    def half_width(self, volts: float) -> float:
        return abs(volts) * self.percent_reading / 100 + self.digits * self.range_of(volts) / self.counts

    def shown(self, volts: float) -> float:
        """What this specimen shows of ``volts`` in the long run."""
        return volts * (1 + self.gain) + self.offset_digits * self.range_of(volts) / self.counts

    def read(self, volts: Samples) -> Iterator[str | None]:
        """Cells; None where the meter sent nothing."""
        range_v, blank = RANGES_V[0], 0
        for each in volts.tolist():
            wanted = range_v
            if abs(each) > range_v or abs(each) < 0.095 * range_v:
                wanted = self.range_of(each)
            if wanted != range_v:
                over, range_v, blank = abs(each) > range_v, wanted, self.blanks
                yield OVER if over else self.blank_cell
            elif blank:
                blank -= 1
                yield self.blank_cell
            else:
                count = range_v / self.counts
                shown = self.shown(each) + self.rng.normal(0, self.noise_digits * count)
                digits = max(0, round(-math.log10(count)))
                yield f"{round(shown / count) * count:.{digits}f}"


Source = Callable[[Samples], Samples]


@dataclass
class Hand:
    """Segments of what the tip touches; ``None`` is the air."""

    rng: np.random.Generator
    rate_hz: float
    now_s: float = 0.0
    segments: list[tuple[float, Source | None]] = field(default_factory=list)
    placed: list[tuple[float, float, float]] = field(default_factory=list)
    strong: list[tuple[float, float]] = field(default_factory=list)

    def _add(self, seconds: float, source: Source | None) -> None:
        self.segments.append((self.now_s, source))
        self.now_s += seconds

    def air(self, low_s: float, high_s: float) -> None:
        self._add(self.rng.uniform(low_s, high_s), None)

    def between_points(self) -> None:
        self.air(max(0.7, 2.2 / self.rate_hz), max(2.5, 5 / self.rate_hz))

    def on(self, volts: float, low_s: float, high_s: float | None = None) -> None:
        seconds = low_s if high_s is None else self.rng.uniform(low_s, high_s)
        self._add(seconds, lambda t: np.full(len(t), volts))

    def bridged(self, volts: float, other: float, seconds: float) -> None:
        """On both legs at once, more on the one than on the other, never the same for long."""

        def mixed(t: Samples) -> Samples:
            pieces = self.rng.uniform(0.2, 0.8, 1 + len(t) // 10)
            return volts + (other - volts) * np.repeat(pieces, 10)[: len(t)]

        self._add(seconds, mixed)

    def towards(self, volts: float, away: float, tau_s: float, seconds: float) -> None:
        """On a capacitor that comes from ``away`` beside its end."""
        begun_s = self.now_s
        self._add(seconds, lambda t: volts + away * np.exp(-(t - begun_s) / tau_s))

    def looks(self, rate_hz: float) -> Iterator[tuple[float, float | None]]:
        """What the tip touches at each reading: (seconds, value), None in the air; no filter, no pick-up."""
        for number in range(int(self.now_s * rate_hz)):
            t_s = (number + 0.5) / rate_hz
            source = [source for from_s, source in self.segments if from_s <= t_s][-1]
            yield t_s, None if source is None else float(source(np.array([t_s]))[0])

    def still(self, volts: float) -> None:
        """Long enough to be read: filter, a change of range and then 1.5 s or six readings."""
        least_s = max(STILL_S, (STILL_READINGS + 1) / self.rate_hz)
        self.on(volts, least_s + 0.9, 2 * least_s + 2.0)

    def place(self, volts: float, touch: Callable[[], None]) -> None:
        """One deliberate touch, whatever happens in it."""
        from_s = self.now_s
        touch()
        self.placed.append((from_s, self.now_s, volts))


def some_volts(rng: np.random.Generator) -> float:
    """0 V as often as in practice, else anything between a junction and a high rail, either sign."""
    if rng.random() < 0.15:
        return 0.0
    return float(np.exp(rng.uniform(math.log(0.05), math.log(59.0))) * (1 if rng.random() < 0.8 else -1))


def another(rng: np.random.Generator, volts: float) -> float:
    """What the leg beside it has: visibly something else."""
    while True:
        other = some_volts(rng)
        if abs(other - volts) > 0.03 + 0.05 * abs(volts):
            return other


def bounces(hand: Hand, volts: float) -> None:
    def touch() -> None:
        for _ in range(hand.rng.integers(2, 7)):
            hand.on(volts, 0.01, 0.08)
            hand.air(0.01, 0.08)
        hand.still(volts)

    hand.place(volts, touch)


def slips_and_comes_back(hand: Hand, volts: float) -> None:
    def touch() -> None:
        early = hand.rng.random() < 0.4
        hand.on(volts, 0.2, 0.9) if early else hand.still(volts)
        hand.on(another(hand.rng, volts), 0.15, 0.7)
        hand.still(volts)

    hand.place(volts, touch)


def slips_onto_the_next_leg(hand: Hand, volts: float) -> None:
    first = hand.rng.random() < 0.5
    if first:
        hand.on(another(hand.rng, volts), 0.2, 0.8)
    hand.place(volts, lambda: hand.still(volts))
    if not first:
        hand.on(another(hand.rng, volts), 0.2, 0.8)


def touches_two_legs(hand: Hand, volts: float) -> None:
    def touch() -> None:
        if hand.rng.random() < 0.3:
            hand.still(volts)
        hand.bridged(volts, another(hand.rng, volts), hand.rng.uniform(0.2, 0.9))
        hand.still(volts)

    hand.place(volts, touch)


def lifts_for_a_moment(hand: Hand, volts: float) -> None:
    def touch() -> None:
        hand.still(volts)
        hand.air(0.1, 0.4)
        hand.still(volts)

    hand.place(volts, touch)


def drifts(hand: Hand, volts: float) -> None:
    """A capacitor that the meter or the supply charges for seconds."""
    tau_s = hand.rng.uniform(0.3, 2.5)
    away = hand.rng.uniform(-0.4, 0.4) * (abs(volts) or 1.0)

    def touch() -> None:
        least_s = max(STILL_S, (STILL_READINGS + 1) / hand.rate_hz)
        seconds = tau_s * hand.rng.uniform(1.0, 9.0) + hand.rng.uniform(1, 2) * least_s
        hand.towards(volts, away, tau_s, seconds)

    hand.place(volts, touch)


def scratches(hand: Hand, volts: float) -> None:
    """Through lacquer or oxide: contact comes and goes, for a while or now and then throughout."""

    def touch() -> None:
        for _ in range(hand.rng.integers(3, 9)):
            hand.on(volts, 0.03, 0.2)
            hand.on(volts * hand.rng.uniform(0.1, 0.9), 0.02, 0.15)
        hand.still(volts)
        for _ in range(hand.rng.integers(0, 3)):
            hand.on(volts * hand.rng.uniform(0.1, 0.9), 0.02, 0.06)
            hand.still(volts)

    hand.place(volts, touch)


def over_the_range(hand: Hand, volts: float) -> None:
    """Something large for a moment (a charged part, the next leg), then the point: ranges all the way."""

    def touch() -> None:
        hand.on(float(np.copysign(hand.rng.uniform(100, 500), volts)), 0.05, 0.4)
        hand.still(volts)

    hand.place(volts, touch)


def taps_first(hand: Hand, volts: float) -> None:
    for _ in range(hand.rng.integers(1, 4)):
        hand.on(another(hand.rng, volts) if hand.rng.random() < 0.5 else volts, 0.1, 0.6)
        hand.air(0.2, 0.6)
    hand.place(volts, lambda: hand.still(volts))


def waves_the_lead(hand: Hand, volts: float) -> None:
    """Past the transformer, and held there for a while."""
    begun_s = hand.now_s
    hand.air(2.0, 6.0)
    hand.strong.append((begun_s, hand.now_s))
    hand.place(volts, lambda: hand.still(volts))


KINDS: dict[str, Callable[[Hand, float], None]] = {
    "bounces": bounces,
    "slips and comes back": slips_and_comes_back,
    "slips onto the next leg": slips_onto_the_next_leg,
    "touches two legs": touches_two_legs,
    "lifts for a moment": lifts_for_a_moment,
    "a capacitor drifts": drifts,
    "scratches": scratches,
    "over the range": over_the_range,
    "taps first": taps_first,
    "waves the lead": waves_the_lead,
}


def open_lead(rng: np.random.Generator, t: Samples, rate_hz: float) -> Samples:
    """Volts of an open lead: what is left of the mains pick-up in the meter's own rhythm; three ways of wandering."""
    size_v = float(np.exp(rng.uniform(math.log(0.01), math.log(0.08))))
    which = rng.integers(3)
    if which == 0:
        step = max(1, round(1 / rate_hz / GRID_S))
        return size_v * np.repeat(rng.normal(0, 1, 1 + len(t) // step), step)[: len(t)]
    if which == 1:  # the mains beats with the meter's rate
        hz, phase = rng.uniform(0.15, 3.0), rng.uniform(0, 2 * np.pi)
        sway = 0.6 + 0.4 * np.sin(2 * np.pi * rng.uniform(0.1, 0.5) * t)
        return 1.5 * size_v * sway * np.sin(2 * np.pi * hz * t + phase)
    keep = math.exp(-GRID_S / rng.uniform(0.1, 1.0))
    return size_v * lfilter([math.sqrt(1 - keep**2)], [1, -keep], rng.normal(0, 1, len(t)))


def input_volts(hand: Hand, meter: Meter) -> tuple[Samples, Samples]:
    """The grid's times, and the volts behind the meter's filter."""
    t = np.arange(0.0, hand.now_s, GRID_S)
    volts = open_lead(hand.rng, t, hand.rate_hz)
    for from_s, to_s in hand.strong:
        volts[(t >= from_s) & (t < to_s)] *= hand.rng.uniform(3, 20)
    ends = [start for start, _ in hand.segments[1:]] + [hand.now_s]
    for (start_s, source), end_s in zip(hand.segments, ends, strict=True):
        here = (t >= start_s) & (t < end_s)
        if source is not None:
            volts[here] = source(t[here])
    keep = math.exp(-GRID_S / meter.tau_s)
    return t, lfilter([1 - keep], [1, -keep], volts)


def make_series(kind: str, seed: int, placements: int = 8, rate_hz: float | None = None) -> Series:
    """One series of one kind of carelessness. Every second touch is careless, the others are by a steady hand."""
    rng = np.random.default_rng(seed)
    rate_hz = rate_hz or RATES_HZ[rng.integers(len(RATES_HZ))]
    hand, meter = Hand(rng, rate_hz), Meter(rng, rate_hz)
    hand.air(1.0, 6.0)
    for number in range(placements):
        volts = some_volts(rng)
        KINDS[kind](hand, volts) if number % 2 == 0 else hand.place(volts, lambda v=volts: hand.still(v))
        hand.between_points()
    return read_by(hand, meter, kind)


def read_by(hand: Hand, meter: Meter, kind: str) -> Series:
    """What a meter shows of what a hand did."""
    rng, rate_hz = hand.rng, hand.rate_hz
    t, volts_in = input_volts(hand, meter)
    count = int(hand.now_s * rate_hz)
    t_s = np.sort((np.arange(count) + rng.uniform(-0.1, 0.1, count)) / rate_hz + 0.5 / rate_hz)
    inside = np.interp(t_s, t, volts_in)
    rows = [(time, cell) for time, cell in zip(t_s.tolist(), meter.read(inside), strict=True) if cell is not None]
    cells = dict(rows)
    truth = [_truth(meter, placed, t_s, inside, cells) for placed in hand.placed]
    return Series(kind, rate_hz, [time for time, _ in rows], [cell for _, cell in rows], truth)


def _truth(
    meter: Meter, placed: tuple[float, float, float], t_s: Samples, inside: Samples, cells: dict[float, str]
) -> Placement:
    from_s, to_s, volts = placed
    half_width = meter.half_width(volts)
    settled = min(half_width, SETTLED_SHARE * abs(volts) + meter.range_of(volts) / meter.counts)
    run: list[float] = []
    still_from_s = None
    for time, value in zip(t_s.tolist(), inside.tolist(), strict=True):
        good = from_s <= time < to_s and abs(value - volts) <= settled and cells.get(time) not in (NO_VALUE, OVER, None)
        run = [*run, time] if good else []
        if still_from_s is None and len(run) >= STILL_READINGS and run[-1] - run[0] >= STILL_S:
            still_from_s = run[0]
    return Placement(from_s, to_s, volts, meter.shown(volts), half_width, still_from_s)
