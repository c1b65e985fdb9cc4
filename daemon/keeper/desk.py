"""What lies on the desk: the open session, the unit, the context and everything that is known live.

The other modules of this room work on one ``Desk``; only the keeper's thread touches it.
"""

from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from daemon.bench_file import Bench, Setup, UnitCard
from daemon.drawing import Drawing, parse_drawing
from daemon.drawings import Drawings
from daemon.judge.expected import Judgement
from daemon.judge.settle import Settled
from daemon.judge.stays import Stay
from daemon.keeper.probe import Probe
from daemon.keeper.walk import Walk
from daemon.store.writer import ContextKind, SessionWriter
from daemon.suspects.in_place import NotAsDrawn, Temporary
from drivers.clock import Clock
from drivers.errors import DrawingError
from drivers.readings import Quantity, Reading, Trace

NOTHING: Mapping[str, Any] = {}
NO_CARD = UnitCard()
CONTEXT_KINDS: tuple[ContextKind, ...] = ("mode", "condition", "hypothesis")
FIRST_CONDITION = "off"  # nobody has fed the unit yet: the first mark of a condition says how it is fed
OBJECTIONS_SHOWN = 20
REPAIRS = frozenset({"proof", "part replaced", "part lifted", "bypassed", "adjusted", "cleaned"})  # kinds of events

CORRECTIONS = frozenset({"strike", "move", "split", "relabel", "undo"})

Publish = Callable[[dict[str, Any]], None]


@dataclass
class InstrumentLine:
    """What is known of one instrument now."""

    setup: Setup
    status: str = "opening"
    why: str = ""
    identity: str = ""
    last_us: int | None = None
    values: dict[str, float] = field(default_factory=dict)  # the last of each quantity (with its channel)
    armed: bool = False  # of a scope: waits for one trigger, by a command
    captures: bool = False  # the next trace of a scope is what it was armed for
    last: Reading | None = None  # of a meter: what it is turned to


@dataclass(frozen=True, slots=True)
class Reference:
    """A healthy capture of the session that serves ``point`` in ``mode`` ("" = any), and its switch-on."""

    point: str
    mode: str
    capture: int
    on_us: int
    file: str


@dataclass
class OpenPlacement:
    """The placement that a probe's stay under way is stored as."""

    id: int
    quantity: Quantity
    t0_us: int
    judgement: Judgement | None = None
    settled: Settled | None = None
    half_width: float = 0.0  # of the limits of error at the settled value
    stored_count: int = 0
    altered: NotAsDrawn = ()  # what keeps it from being compared


@dataclass(frozen=True, slots=True)
class Lift:
    """A probe has lifted from a placement that had settled (to ``value``, NaN for overload)."""

    probe: str
    placement: int
    value: float
    at_us: int


@dataclass(frozen=True, slots=True)
class Left:
    """What a probe has just lifted from: the stop of its walk, its settled value, when.

    ``said``: a person has said "next" since, which was about this step.
    """

    stop: int
    value: float
    at_us: int
    said: bool = False


@dataclass(frozen=True, slots=True)
class Step:
    """What a person said of a walk, to be taken back; ``act`` is the correction that it came with."""

    probe: str
    before: Walk | None
    after: Walk | None
    sentence: str
    act: int | None
    next_act: int


@dataclass
class Desk:
    """The open session and its surroundings."""

    bench: Bench
    clock: Clock
    publish: Publish
    writer: SessionWriter
    references_folder: Path
    unit: UnitCard = NO_CARD
    drawing: Drawing | None = None
    context: dict[str, str] = field(default_factory=lambda: dict.fromkeys(CONTEXT_KINDS, ""))
    probes: dict[str, Probe] = field(default_factory=dict)
    instruments: dict[str, InstrumentLine] = field(default_factory=dict)
    placements: dict[str, OpenPlacement] = field(default_factory=dict)  # by probe
    walks: dict[str, Walk] = field(default_factory=dict)  # by probe
    lifts: list[Lift] = field(default_factory=list)  # that the walks have not been told of yet
    heard: dict[str, deque[tuple[int, float]]] = field(default_factory=dict)  # the last readings of walking probes
    left: dict[str, Left] = field(default_factory=dict)  # by probe, until it lands again
    steps: list[Step] = field(default_factory=list)  # of walks, for undo
    stays: list[Stay] = field(default_factory=list)  # settled stays of the session, for objections
    repairs_us: list[int] = field(default_factory=list)
    hypotheses: dict[str, dict[str, Any]] = field(default_factory=dict)
    in_place: tuple[Temporary, ...] = ()  # noted as temporary, and not as undone
    was_in_place: list[tuple[int, tuple[Temporary, ...]]] = field(default_factory=list)  # until then, in order
    left_in_place: dict[int, str] = field(default_factory=dict)  # why it stays, by the number of its note
    is_closing: bool = False  # and something in place is to be answered first
    confirmed: set[str] = field(default_factory=set)
    objections: list[dict[str, Any]] = field(default_factory=list)
    verdicts: dict[tuple[str, str], dict[str, Any]] = field(default_factory=dict)
    mains_v: float | None = None
    unit_on: bool | None = None
    switched_us: int | None = None  # the last switch-on or switch-off
    suspects: dict[str, Any] | None = None  # what the judging process last said may be broken
    storing_why: str = ""
    references: list[Reference] = field(default_factory=list)  # the newest last
    captures: dict[int, dict[str, Any]] = field(default_factory=dict)  # switch-on captures and their facts
    unjudged: set[int] = field(default_factory=set)  # captures whose verdict is still to come
    last_placement: dict[str, int] = field(default_factory=dict)  # by probe
    stated: set[int] = field(default_factory=set)  # series that carry limits of error
    after_commit: list[Callable[[], object]] = field(default_factory=list)
    series_ids: dict[tuple[str, str, Quantity], int] = field(default_factory=dict)
    last_traces: dict[tuple[str, str], Trace] = field(default_factory=dict)
    state_is_old: bool = True

    @classmethod
    def lay(cls, bench: Bench, clock: Clock, publish: Publish, writer: SessionWriter, references: Path) -> "Desk":
        """A desk for ``writer``'s session, with a probe for every named input of the bench.

        Healthy captures of earlier units lie in the folder ``references``.
        """
        desk = cls(bench, clock, publish, writer, references)
        for setup in bench.setups:
            desk.instruments[setup.spec.name] = InstrumentLine(setup)
            for number, name in enumerate(setup.probes, start=1):
                channel = str(number) if setup.spec.kind == "scope" else ""
                desk.probes[name] = Probe(name, setup.spec.name, channel)
        return desk

    def tell(self, kind: str, text: str, t_us: int | None = None, data: Mapping[str, Any] = NOTHING) -> int:
        """Store an event and push it. Returns its number."""
        moment_us = self.clock.now_us() if t_us is None else t_us
        data = {**data, "said_by": self.writer.speaker} if kind in CORRECTIONS else data
        number = self.writer.add_event(moment_us, kind, text, data)
        event = {"id": number, "t_us": moment_us, "kind": kind, "text": text, "data": dict(data)}
        self.publish({"kind": "event", "event": event})
        self.state_is_old = True
        return number

    def series_id(self, instrument: str, channel: str, quantity: Quantity) -> int:
        """The number of a series, which begins with its first reading."""
        key = (instrument, channel, quantity)
        if key not in self.series_ids:
            self.series_ids[key] = self.writer.series(instrument, channel, quantity)
            self.state_is_old = True
        return self.series_ids[key]

    def probe_of(self, instrument: str, channel: str) -> Probe | None:
        """The probe that an input is, where the bench names one."""
        for probe in self.probes.values():
            if (probe.instrument, probe.channel) == (instrument, channel):
                return probe
        return None

    def half_width(self, instrument: str, reading: Reading) -> float:
        """Half width of the instrument's stated limits of error at a reading, in its unit."""
        spec = self.instruments[instrument].setup.spec
        return spec.accuracy.half_width(reading.value, reading.range) + (reading.resolution or 0.0)

    def half_width_of(self, placement: Mapping[str, Any]) -> float:
        """The same for a stored placement."""
        if placement["limits"] is not None:
            return float(placement["limits"])
        # Of a session that was written before the limits were stored: the range is not known any more.
        spec = self.instruments[placement["instrument"]].setup.spec
        return spec.accuracy.half_width(placement["value"], None)

    def set_context(self, kind: ContextKind, value: str, t_us: int) -> None:
        """What holds for the whole bench from now on."""
        self.context[kind] = value
        self.writer.set_context(kind, value, t_us)
        self.state_is_old = True

    @property
    def drawings(self) -> Drawings:
        """The drawings that are kept for each model."""
        return Drawings(self.references_folder.with_name("drawings"))

    def set_unit(self, card: UnitCard) -> None:
        """Name the unit; its drawing, where there is one, is read and kept inside the session.

        Without a file the one that is kept for its model. Raises ``DrawingError`` or ``OSError`` before anything is
        changed.
        """
        if card.drawing is not None:
            self.take_drawing(card.drawing.read_text(encoding="utf-8"), card.drawing.name)
        elif self.drawing is None or (self.unit.unit and card.unit != self.unit.unit):
            self._take_kept_drawing(card.unit)
        self.unit = card
        for key, value in unit_meta(card).items():
            self.writer.set_meta(key, value)
        self.state_is_old = True

    def take_drawing(self, text: str, name: str) -> None:
        """Compare with this drawing from now on. Raises ``DrawingError``; then nothing is changed."""
        drawing = parse_drawing(text, name)
        self.writer.set_meta("drawing", text)
        self.writer.set_meta("drawing_file", name)
        self.drawing = drawing
        for said in drawing.doubts():
            self.tell("remark", f"drawing: {said}")
        self.state_is_old = True

    def _take_kept_drawing(self, unit: str) -> None:
        path = self.drawings.path(unit)
        if path is None:
            return
        try:
            self.take_drawing(path.read_text(encoding="utf-8"), path.name)
            self.tell("drawing", f"The kept drawing of {unit} is compared with.")
        except (OSError, UnicodeDecodeError, DrawingError) as error:
            self.tell("remark", f"The kept drawing of {unit} cannot be used: {error}")


def unit_meta(card: UnitCard) -> dict[str, str]:
    """The card as the session's meta rows."""
    rated = "" if card.rated_mains_v is None else repr(card.rated_mains_v)
    return {"unit": card.unit, "serial": card.serial, "protection": card.protection, "rated_mains_v": rated}


def unit_from_meta(meta: Callable[[str], str | None]) -> UnitCard:
    """The card of a session that is resumed."""
    rated = meta("rated_mains_v")
    return UnitCard(
        unit=meta("unit") or "",
        serial=meta("serial") or "",
        protection=meta("protection") or "",
        rated_mains_v=float(rated) if rated else None,
    )
