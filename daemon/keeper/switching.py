"""Switch-on and switch-off: noticed, and the scope's traces around a switch-on kept and handed to judging.

A scope that rolls slowly holds the switch-on in one record: it is stopped once, when most of the
record lies after the switch. One that waits for a trigger brings its one capture. Any other scope is taken as it
comes: its traces of some seconds are kept with the gaps between them, and the judging says whether those
could have shown a kick.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from daemon.bench_file import Setup
from daemon.keeper import placing, references
from daemon.keeper.desk import Desk, InstrumentLine, Reference
from daemon.keeper.probe import Probe
from daemon.keeper.readying import ARMED, Ready
from daemon.keeper.unit_power import Switched, UnitPower
from daemon.poller import Order, Recorded
from drivers.readings import Flag, Quantity, Reading, Trace

CURRENTS = {Quantity.SUPPLY_CURRENT, Quantity.AC_A, Quantity.DC_A}
AFTER_SHARE = 0.8  # of a rolling record lies after the switch when it is taken
SHORTEST_RECORD_S = 1.5  # a kick and its settling last about a second (trade: switch-on shapes)
STALE_SCOPE_US = 5_000_000
GIVE_UP_US = 15_000_000
COLLECT_US = 3_000_000  # a kick and its settling, where the scope shows it in pieces
MOST_PIECES = 40


@dataclass
class Awaited:
    """A switch-on whose record from one scope is still to come."""

    switched: Switched
    event: int
    instrument: str
    due_us: int
    ordered: bool = False
    single: bool = False
    pieces: dict[str, list[Trace]] = field(default_factory=dict)  # by channel

    def add(self, trace: Trace) -> None:
        """One more trace of a scope that runs; a rolling one holds what came before."""
        pieces = self.pieces.setdefault(trace.channel, [])
        if trace.rolling:
            pieces.clear()
        if len(pieces) < MOST_PIECES and not (pieces and pieces[-1].t0_us == trace.t0_us):
            pieces.append(trace)


@dataclass
class SwitchWatch:
    """Follows the supply and the scopes of one bench."""

    order: Callable[[str, Order], None]
    awaited: dict[int, Awaited] = field(default_factory=dict)
    ready: Ready = field(init=False)
    _early: dict[str, tuple[Trace, ...]] = field(default_factory=dict)  # triggered before the switch was noticed
    _power: UnitPower = field(default_factory=lambda: UnitPower(0.01))
    _next_order: int = 1

    def __post_init__(self) -> None:
        self.ready = Ready(self.order)

    def begin(self, desk: Desk) -> None:
        """Start to follow a session's bench."""
        for line in desk.instruments.values():
            if line.setup.role == "supply current":
                on = self._power.on
                self._power = UnitPower(line.setup.switch_on_a)
                self._power.on = on

    def take_current(self, desk: Desk, instrument: str, reading: Reading) -> None:
        """A reading of the supply current (amperes)."""
        if Flag.OVERLOAD in reading.flags:
            current_a = float("inf")  # more than the range is surely more than the threshold
        elif reading.flags == Flag.NONE:
            current_a = reading.value
        else:
            return
        switched = self._power.feed(reading.t_us, reading.half_width_us, current_a)
        self._note_power(desk)
        if switched is not None:
            self._switch(desk, switched)

    def take_output(self, desk: Desk, reading: Reading) -> None:
        """What the supply that feeds the unit says of its output."""
        if reading.flags != Flag.NONE:
            return
        switched = self._power.state(reading.t_us, reading.half_width_us, bool(reading.value))
        self._note_power(desk)
        if switched is not None:
            self._switch(desk, switched)

    def mark(self, desk: Desk, on: bool, t_us: int) -> str:
        """A person says that the unit goes on or off; returns the sentence that answers."""
        word = "on" if on else "off"
        switched = self._power.mark(on, t_us)
        self._note_power(desk)
        if switched is None:
            return f"Switch-{word} already seen by the supply current."
        self._switch(desk, switched)
        return f"Switch-{word} noted, +-1 s."

    def _note_power(self, desk: Desk) -> None:
        if desk.unit_on != self._power.on:
            desk.unit_on = self._power.on
            desk.state_is_old = True

    def _switch(self, desk: Desk, switched: Switched) -> None:
        kind = "switch-on" if switched.on else "switch-off"
        half_width_s = switched.half_width_us / 1e6
        text = f"Switched {kind[7:]}, seen by {switched.seen_by} (+-{half_width_s:.2f} s)."
        facts = {"half_width_us": switched.half_width_us, "seen_by": switched.seen_by}
        event = desk.tell(kind, text, switched.t_us, facts)
        desk.switched_us = switched.t_us
        placing.cut_all(desk, desk.clock.now_us())
        self.awaited = {number: item for number, item in self.awaited.items() if item.ordered}
        if not switched.on:
            self.ready.switched_off()
            return
        for line in desk.instruments.values():
            if line.setup.spec.kind == "scope":
                self._await(desk, line.setup, switched, event)

    def _await(self, desk: Desk, setup: Setup, switched: Switched, event: int) -> None:
        name = setup.spec.name
        record_s = rolling_record_s(desk, name)
        due_us = switched.t_us + round(record_s * AFTER_SHARE * 1e6) if record_s and setup.watch_switch_on else 0
        single = not due_us and self.ready.waits_for_trigger(setup)
        item = Awaited(switched, event, name, due_us, single=single)
        early = self._early.pop(name, ())
        if early and max(trace.t1_us for trace in early) >= switched.t_us - switched.half_width_us:
            self._keep(desk, item, {trace.channel: [trace] for trace in early})
            return
        if not due_us and not single:
            for (of, _), trace in desk.last_traces.items():
                if of == name and desk.clock.now_us() - trace.t1_us < STALE_SCOPE_US:
                    item.add(trace)
        self.awaited[self._next_order] = item
        self._next_order += 1

    def tick(self, desk: Desk) -> None:
        """Order what is due; give up on scopes that bring nothing."""
        self.ready.tick(desk, lambda name: any(item.instrument == name for item in self.awaited.values()))
        now_us = desk.clock.now_us()
        for number, item in list(self.awaited.items()):
            if item.due_us and not item.ordered and now_us >= item.due_us:
                item.ordered = True
                self.order(item.instrument, Order("record", number))
            elif item.pieces and now_us > item.switched.t_us + item.switched.half_width_us + COLLECT_US:
                del self.awaited[number]
                self._keep_pieces(desk, item)
            elif now_us > max(item.due_us, item.switched.t_us) + GIVE_UP_US:
                del self.awaited[number]
                self._not_seen(desk, item, _why_nothing_came(item))

    def take_traces(self, desk: Desk, instrument: str, traces: tuple[Trace, ...]) -> None:
        """Traces of one poll of a scope that is not stopped for a record."""
        if not traces:
            return
        if self.ready.waits_for_trigger(desk.instruments[instrument].setup):
            self.ready.triggered(instrument)
            self._early[instrument] = traces
        for number, item in list(self.awaited.items()):
            if item.instrument != instrument or item.due_us:
                continue
            if item.single:
                del self.awaited[number]
                self._early.pop(instrument, None)
                self._keep(desk, item, {trace.channel: [trace] for trace in traces})
            else:
                for trace in traces:
                    item.add(trace)

    def _keep_pieces(self, desk: Desk, item: Awaited) -> None:
        """What came after the switch, with the last trace before it: the level that it began from."""
        after = [trace for pieces in item.pieces.values() for trace in pieces if trace.t1_us > item.switched.t_us]
        if after:
            self._keep(desk, item, item.pieces)
        else:
            self._not_seen(desk, item, _why_nothing_came(item))

    def take_record(self, desk: Desk, recorded: Recorded) -> None:
        """The record that was ordered."""
        item = self.awaited.pop(recorded.order, None)
        if item is None:
            return
        if recorded.traces:
            self._keep(desk, item, {trace.channel: [trace] for trace in recorded.traces})
        else:
            self._not_seen(desk, item, recorded.why)

    def _keep(self, desk: Desk, item: Awaited, pieces: Mapping[str, Sequence[Trace]]) -> None:
        kept = 0
        power = _keep_power(desk, item, pieces)
        for channel, traces in pieces.items():
            probe = desk.probe_of(item.instrument, channel)
            if probe is not None and probe.point:
                kept += 1
                _keep_traces(desk, item, traces, probe, power)
        if not kept:
            desk.tell("remark", f"{item.instrument}: no probe of it is on a named point, so its trace was not kept.")

    def _not_seen(self, desk: Desk, item: Awaited, why: str) -> None:
        for probe in desk.probes.values():
            if probe.instrument == item.instrument and probe.point:
                facts = {
                    "capture": None,
                    "reference": None,
                    "point": probe.point,
                    "leg": probe.leg,
                    "mode": desk.context["mode"],
                    "switch_on_t_us": item.switched.t_us,
                }
                note_verdict(desk, facts, {"verdict": "not observed", "also": [], "why": f"Not observed: {why}."})

    def readiness(self, desk: Desk) -> tuple[bool, str]:
        """Would a switch-on now be caught? And why not, or where."""
        scopes = [line for line in desk.instruments.values() if line.setup.spec.kind == "scope"]
        if not scopes:
            return False, "No scope on this bench: a switch-on is noted, its shape is not seen."
        reasons = []
        for line in scopes:
            if self.ready.waits_for_trigger(line.setup):
                return True, f"Watching {_points_of(desk, line)}: {line.setup.spec.name} {ARMED}."
            why_not = _why_not_watching(desk, line)
            if why_not is None:
                return True, f"Watching {_points_of(desk, line)} for the switch-on."
            reasons.append(self.ready.refused.get(line.setup.spec.name, "") or why_not)
        return False, " ".join(reasons)


def _why_nothing_came(item: Awaited) -> str:
    if item.single:
        return f"nothing rose above the trigger level of {item.instrument}, which waited for it"
    return f"{item.instrument} brought no trace after the switch-on"


def rolling_record_s(desk: Desk, instrument: str) -> float:
    """Length in seconds of the record a rolling scope shows now; 0 where it does not roll or is too short."""
    lengths = [
        trace.dt_s * len(trace.codes)
        for (name, _), trace in desk.last_traces.items()
        if name == instrument and trace.rolling and desk.clock.now_us() - trace.t1_us < STALE_SCOPE_US
    ]
    longest_s = max(lengths, default=0.0)
    return longest_s if longest_s >= SHORTEST_RECORD_S else 0.0


def _why_not_watching(desk: Desk, line: InstrumentLine) -> str | None:
    name = line.setup.spec.name
    if line.status != "ok":
        return f"{name} does not answer."
    if not _points_of(desk, line):
        return f"No probe of {name} is on a named point."
    if not line.setup.watch_switch_on:
        return f"{name} is only looked at: watch_switch_on in the bench file lets it be stopped for its record."
    if not rolling_record_s(desk, name):
        return f"{name} does not roll: turn it to a rolling record of {SHORTEST_RECORD_S:g} s or more."
    return None


def _points_of(desk: Desk, line: InstrumentLine) -> str:
    name = line.setup.spec.name
    return ", ".join(probe.point for probe in desk.probes.values() if probe.instrument == name and probe.point)


def _keep_power(desk: Desk, item: Awaited, pieces: Mapping[str, Sequence[Trace]]) -> int | None:
    """The channel on which the power is seen to come, as one whole record."""
    channel = desk.instruments[item.instrument].setup.power_channel
    traces = pieces.get(channel, ())
    if len(traces) != 1:
        return None
    return desk.writer.add_capture(
        traces[0],
        role="kept",
        point="",
        leg="",
        mode=desk.context["mode"],
        condition=desk.context["condition"],
        event=item.event,
        instrument=item.instrument,
        note="power",
    )


def _keep_traces(desk: Desk, item: Awaited, traces: Sequence[Trace], probe: Probe, power: int | None) -> None:
    """Several traces of one point have gaps between them; the first that reaches beyond the switch is shown."""
    mode = desk.context["mode"]
    numbers = [
        desk.writer.add_capture(
            trace,
            role="switch-on",
            point=probe.point,
            leg=probe.leg,
            mode=mode,
            condition=desk.context["condition"],
            event=item.event,
            instrument=item.instrument,
        )
        for trace in traces
    ]
    beyond = (n for n, trace in zip(numbers, traces, strict=True) if trace.t1_us > item.switched.t_us)
    capture = next(beyond, numbers[-1])
    reference = references.find(desk, probe.point, mode)
    drawn = desk.drawing.point(probe.point, probe.leg or None) if desk.drawing else None
    facts: dict[str, Any] = {
        "capture": capture,
        "pieces": numbers if len(numbers) > 1 else [],
        "power": power,
        "reference": reference.capture if reference else None,
        "reference_on_us": reference.on_us if reference else None,
        "compared_with": _reference_words(reference) if reference else "",
        "point": probe.point,
        "leg": probe.leg,
        "mode": mode,
        "switch_on_t_us": item.switched.t_us,
        "switch_on_half_width_us": item.switched.half_width_us,
        "relay_delay_s": drawn.relay_delay_s if drawn else 0.0,
        "session": str(desk.writer.path),
    }
    desk.captures[capture] = facts
    desk.unjudged.add(capture)
    # The judging process reads the file: the capture has to be in it before anybody hears of it.
    text = f"Trace of {probe.point} around the switch-on kept."
    desk.after_commit.append(lambda: desk.tell("capture", text, data=facts))


def _reference_words(reference: Reference) -> str:
    """Which healthy switch-on that is."""
    mode = f" in {reference.mode}" if reference.mode else ""
    return f"the healthy switch-on of {reference.point}{mode} ({Path(reference.file).name})"


def note_verdict(desk: Desk, facts: Mapping[str, Any], verdict: Mapping[str, Any]) -> int:
    """Keep what a switch-on looked like; the newest of each point is on the screens."""
    told = ("capture", "reference", "compared_with", "point", "leg", "mode", "switch_on_t_us")
    data = {key: facts.get(key) for key in told} | dict(verdict)
    data["t_us"] = facts["switch_on_t_us"]
    desk.verdicts[facts["point"], facts["leg"]] = data
    desk.unjudged.discard(facts["capture"])
    where = ", ".join(word for word in (facts["point"], facts["mode"]) if word)
    text = f"{where}: {verdict['verdict']}. {verdict.get('why', '')}".strip()
    return desk.tell("switch-on verdict", text, data=data)
