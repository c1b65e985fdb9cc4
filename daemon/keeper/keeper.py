"""The keeper: takes every message of the acquisition process in order, and keeps one session of it."""

import logging
from collections.abc import Callable
from concurrent.futures import Future
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

from daemon.acts import Act, Acted
from daemon.bench_file import Bench, UnitCard, raised_ceiling
from daemon.commands import A_SCRIPT
from daemon.feed import Feed, text_frame, trace_frame
from daemon.judge.ripple import hum_of
from daemon.keeper import in_place, orders, placing, switching, taking
from daemon.keeper.armed import take_capture
from daemon.keeper.desk import Desk
from daemon.keeper.hands import KIND_OF, Hands
from daemon.keeper.opening import open_desk
from daemon.keeper.state import snapshot
from daemon.keeper.suspected import take_ranking
from daemon.poller import Order, Polled, Readied, Recorded, Status
from daemon.records import SUFFIX
from daemon.store.opinions import PROGRAM
from drivers.clock import Clock, iso_utc
from drivers.errors import CommandError, ProbetrailError, SessionError, StoreFull
from drivers.readings import Flag, Quantity, Reading, Trace

log = logging.getLogger("probetrail.keeper")

COMMIT_S = 0.5
READINGS_S = 0.05
STATE_S = 0.1
REFRESH_S = 0.5  # values in the state grow old without anything in it changing
CLOCK_STEP_US = 50_000
HUM_S = 1.0


@dataclass(frozen=True, slots=True)
class Said:
    """A checked command, where its answer goes, and who says it."""

    body: dict[str, Any]
    reply: "Future[dict[str, Any]]"
    by: str = A_SCRIPT


@dataclass(frozen=True, slots=True)
class Folders:
    """Where new sessions go, and where references of each model are kept."""

    sessions: Path
    references: Path


@dataclass(frozen=True, slots=True)
class Stop:
    """The last message: everything before it has been taken."""


def new_name(clock: Clock) -> str:
    """A file name for a session that was given none: the moment it starts."""
    return f"{iso_utc(clock.now_us())[:19].replace(':', '')}{SUFFIX}"


class Keeper:
    """Owns the session. All but ``state_text`` and ``session`` belong to the keeper's thread."""

    def __init__(
        self,
        bench: Bench,
        clock: Clock,
        feed: Feed,
        folders: Folders,
        order: Callable[[str, Order], None],
        end: Callable[[], None],
        order_act: Callable[[str, Act], bool] = lambda name, act: False,
    ) -> None:
        self._bench = bench
        self._clock = clock
        self._feed = feed
        self._folders = folders
        self._end = end
        self._watch = switching.SwitchWatch(order)
        self._hands = Hands(order_act)
        self._waiting_rows: dict[int, list[list[float | int | None]]] = {}
        self._committed_s = self._sent_s = self._state_s = clock.monotonic_s()
        self._drift_us = clock.drift_us()
        self._hums: dict[tuple[str, str], tuple[float, dict[str, float] | None]] = {}
        self._desk: Desk
        self.state_text = "{}"
        self.session = Path()
        self.last_words = ""  # of the session when it was closed

    def open(self, path: Path) -> None:
        """Begin the session in ``path``, or go on with the one that is there."""
        self._desk = open_desk(self._bench, self._clock, self._publish, path, self._folders.references)
        self._watch.begin(self._desk)
        self.session = path
        self._commit()
        self._send_state()

    def close(self) -> None:
        """End the session in good order: one closed, portable file."""
        now_us = self._clock.now_us()
        for probe in self._desk.probes.values():
            for change in list(probe.leave(now_us)):
                placing.apply(self._desk, probe, change)
        self.last_words = in_place.tell_closed(self._desk)
        self._flush_readings()
        self._close_file(self._desk)

    def take(self, message: Polled | Status | Recorded | Readied | Acted | Said | None) -> None:
        """Take one message; None where nothing came."""
        if isinstance(message, Polled):
            self._take_poll(message)
        elif isinstance(message, Status):
            self._take_status(message)
        elif isinstance(message, Recorded):
            self._take_traces(message.instrument, message.traces)
            self._watch.take_record(self._desk, message)
        elif isinstance(message, Readied):
            self._watch.ready.take(self._desk, message)
        elif isinstance(message, Acted):
            self._take_act(message)
        elif isinstance(message, Said):
            self._take_command(message)

    def tick(self) -> None:
        """Do what is due by the clock: commits, pushes, records after a switch-on."""
        now_s = self._clock.monotonic_s()
        self._watch.tick(self._desk)
        if now_s - self._committed_s >= COMMIT_S:
            self._committed_s = now_s
            self._check_clock()
            self._commit()
        if now_s - self._sent_s >= READINGS_S:
            self._sent_s = now_s
            self._flush_readings()
        state_s = STATE_S if self._desk.state_is_old else REFRESH_S
        if now_s - self._state_s >= state_s:
            self._send_state()

    def _take_poll(self, polled: Polled) -> None:
        line = self._desk.instruments[polled.instrument]
        for remark in polled.poll.remarks:
            self._desk.tell("remark", f"{polled.instrument}: {remark}", polled.t_us)
        for reading in polled.poll.readings:
            self._take_reading(polled.instrument, reading)
        self._take_traces(polled.instrument, polled.poll.traces)
        self._watch.take_traces(self._desk, polled.instrument, polled.poll.traces)
        if polled.poll.traces and line.captures:
            take_capture(self._desk, line, polled.poll.traces)
        if polled.poll.readings or polled.poll.traces:
            line.last_us = polled.t_us

    def _take_traces(self, instrument: str, traces: tuple[Trace, ...]) -> None:
        for trace in traces:
            taking.take_trace(self._desk, instrument, trace)
            if self._feed.heard:
                self._feed.send(trace_frame(instrument, trace, self._hum(instrument, trace)))

    def _hum(self, instrument: str, trace: Trace) -> dict[str, float] | None:
        """Worked out once a second for each channel: nobody reads it faster, and polls come first."""
        known = self._hums.get((instrument, trace.channel))
        now_s = self._clock.monotonic_s()
        if known is None or now_s - known[0] >= HUM_S:
            found = hum_of(trace)
            rms_v = (*found.harmonics_rms_v, 0.0, 0.0) if found else ()
            hum = {"mains_hz": found.mains_hz, "f_v": rms_v[0], "two_f_v": rms_v[1]} if found else None
            known = self._hums[instrument, trace.channel] = now_s, hum
        return known[1]

    def _take_reading(self, instrument: str, reading: Reading) -> None:
        taking.take_reading(self._desk, instrument, reading)
        role = self._desk.instruments[instrument].setup.role
        if role == "supply current" and reading.quantity in switching.CURRENTS:
            self._watch.take_current(self._desk, instrument, reading)
        elif role == "supply output" and reading.quantity is Quantity.OUTPUT:
            self._watch.take_output(self._desk, reading)
        elif reading.quantity is Quantity.MAINS and reading.flags == Flag.NONE:
            self._desk.mains_v = reading.value

    def _take_status(self, status: Status) -> None:
        line = self._desk.instruments[status.instrument]
        was = line.status
        if status.status == "opening" and was == "lost":
            return  # it stays lost on the screens until it answers
        line.status, line.why = status.status, status.why
        line.identity = str(status.identity) if status.identity else line.identity
        self._desk.state_is_old = True
        if status.status == "lost" and was != "lost":
            self._desk.tell("instrument lost", f"{status.instrument}: {status.why}", status.t_us)
            line.values.clear()
            self._watch.ready.lose(self._desk, status.instrument)
            line.armed = line.captures = False  # its driver lets go of it so, and it is not armed again by itself
            placing.lose(self._desk, status.instrument, status.t_us)
        elif status.status == "ok":
            kind, words = ("instrument back", "is back") if was == "lost" else ("instrument found", "answers")
            self._desk.tell(kind, f"{status.instrument} {words}: {line.identity}", status.t_us)
            if raised := raised_ceiling(line.setup.spec):
                self._desk.tell("remark", f"{status.instrument}: {raised}", status.t_us)

    def _take_act(self, acted: Acted) -> None:
        values = self._desk.instruments[acted.instrument].values
        if not acted.before and Quantity.OUTPUT in values:  # what is switched off at once is not asked first
            acted = replace(acted, before={Quantity.OUTPUT: values[Quantity.OUTPUT]})
        for poll in acted.polls:
            if poll is acted.polls[-1] and Quantity.OUTPUT in acted.after and not acted.why:
                values[Quantity.OUTPUT] = float(acted.after[Quantity.OUTPUT])  # told once, as what was asked for
            self._take_poll(Polled(acted.instrument, poll, acted.t_us))
        answered = self._hands.take(self._desk, acted)
        if answered is not None:
            then, answer = answered
            then(answer)

    def _take_command(self, said: Said) -> None:
        name = said.body["command"]
        if name in KIND_OF:
            self._trying(said, lambda: self._hands.ask(self._desk, said.body, partial(self._answer, said)))
        elif name == "session":
            # A generator that is on belongs to the session that ends: it goes off, and that is told there.
            self._trying(said, lambda: self._may_change_session(said.body))
            if not said.reply.done():
                self._hands.all_off(self._desk, lambda: self._trying(said, lambda: self._obey(said)))
        else:
            self._trying(said, lambda: self._obey(said))

    def _trying(self, said: Said, step: Callable[[], object]) -> None:
        try:
            step()
        except (ProbetrailError, OSError) as error:
            self._answer(said, error if isinstance(error, CommandError) else CommandError("", str(error)))

    def _obey(self, said: Said) -> None:
        writer = self._desk.writer
        writer.speaker = said.by
        try:
            self._answer(said, self._carry_out(said.body))
        finally:
            writer.speaker = PROGRAM

    def _answer(self, said: Said, answer: dict[str, Any] | CommandError) -> None:
        if isinstance(answer, CommandError):
            said.reply.set_exception(answer)
            return
        if said.body["command"] != "suspected":
            # What a person was told is done must survive a power cut. Suspects are not stored, and wanted soon.
            self._commit()
        self._send_state()
        said.reply.set_result(answer)

    def _carry_out(self, body: dict[str, Any]) -> dict[str, Any]:
        name = body["command"]
        if name == "stop":
            self._end()
            in_place.ask(self._desk)
            still = in_place.cautions(self._desk).get(in_place.FLAG, "")
            return {"done": f"Ending. {still}".strip(), "id": None}
        if name == "session":
            return self._change_session(body)
        if name == "suspected":
            return take_ranking(self._desk, body)
        return orders.carry_out(self._desk, self._watch, body)

    def _may_change_session(self, body: dict[str, Any]) -> tuple[Path, UnitCard | None]:
        path, card = orders.session_asked_for(self._folders.sessions / new_name(self._clock), body)
        if path.resolve() == self.session.resolve():
            raise CommandError("file", f"{path.name} is the session that is being written now.")
        in_place.check_closing(self._desk)
        return path, card

    def _change_session(self, body: dict[str, Any]) -> dict[str, Any]:
        path, card = self._may_change_session(body)
        known = self._bench.unit
        if card is not None and card.drawing is None and card.unit == known.unit:
            card = replace(card, drawing=known.drawing)
        former = self._desk
        desk = open_desk(self._bench, self._clock, self._publish, path, self._folders.references, card)
        for probe in former.probes.values():
            for change in list(probe.leave(self._clock.now_us())):
                placing.apply(former, probe, change)
        in_place.tell_closed(former)
        self._close_file(former)
        for name, line in former.instruments.items():
            desk.instruments[name] = line
        desk.mains_v, desk.unit_on = former.mains_v, former.unit_on
        self._desk, self.session = desk, path
        self._watch.begin(desk)
        words = "resumed" if body["do"] == "resume" else "started"
        return {"done": f"Session {path.name} {words}.", "id": None}

    def _close_file(self, desk: Desk) -> None:
        try:
            desk.writer.close()
        except StoreFull as error:
            log.error("%s: %s The file holds what was committed and can be resumed.", desk.writer.path, error)
            desk.writer.abandon()

    def _publish(self, message: dict[str, Any]) -> None:
        if message["kind"] == "reading":
            self._waiting_rows.setdefault(message["series"], []).append(message["row"])
        else:
            self._feed.send(text_frame(message))

    def _flush_readings(self) -> None:
        if self._waiting_rows:
            self._feed.send(text_frame({"kind": "readings", "series": self._waiting_rows}))
            self._waiting_rows = {}

    def _send_state(self) -> None:
        self._state_s = self._clock.monotonic_s()
        self._desk.state_is_old = False
        self.state_text = text_frame(snapshot(self._desk, self._watch))
        self._flush_readings()
        self._feed.send('{"kind":"state","state":' + self.state_text + "}")

    def _commit(self) -> None:
        desk = self._desk
        try:
            desk.writer.commit()
        except StoreFull as error:
            if not desk.storing_why:
                desk.storing_why = str(error)
                desk.tell("storing stopped", str(error))
            return
        except SessionError as error:
            # The row that no table can take is dropped by the writer; all else is stored.
            desk.tell("remark", f"Not stored: {error}")
            return
        waiting, desk.after_commit = desk.after_commit, []
        for step in waiting:
            step()
        if desk.storing_why:
            desk.storing_why = ""
            desk.tell("storing resumed", "There is room again: what waited in memory is stored.")

    def _check_clock(self) -> None:
        drift_us = self._clock.drift_us()
        if abs(drift_us - self._drift_us) > CLOCK_STEP_US:
            step_s = (drift_us - self._drift_us) / 1e6
            self._drift_us = drift_us
            text = f"The machine's clock was set by {step_s:+.3f} s; times here go on evenly."
            self._desk.tell("clock stepped", text)
