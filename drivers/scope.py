"""A scope that speaks SCPI in one of the dialects of ``drivers/dialects``."""

import contextlib
import re
from collections.abc import Sequence
from dataclasses import dataclass

from drivers import scpi
from drivers.clock import Clock
from drivers.conversation import Answer, Conversation
from drivers.dialects import ScopeDialect
from drivers.dialects.scope_words import FormA
from drivers.errors import AnswerError, DriverError, OutOfStep
from drivers.instrument import ScpiInstrument
from drivers.readings import Poll, Trace
from drivers.scope_forms import BLOCK_TIMEOUT_S, Waveform, fetch
from drivers.scope_pieces import fetch_whole, whole_size
from drivers.scope_roll import Found, put_back, roll

ON_OR_OFF = ("0", "1", "ON", "OFF")
_WORD = re.compile(r"[A-Z0-9+\-][A-Z0-9_.+\-:/]*")
UNKNOWN_HALF_WIDTH_US = 86_400_000_000  # a record of unknown age: a day, and a remark


@dataclass(frozen=True, slots=True)
class _Moment:
    """A moment on the session's time line and how far either side it may lie, microseconds."""

    t_us: int
    half_width_us: int


@dataclass(frozen=True, slots=True)
class _Armed:
    """Since when a single capture is waited for, and what the scope did before."""

    since_us: int
    state: str | None


class ScpiScope(ScpiInstrument):
    """Reads what is on the screen. Of its settings only the choice of the channel to be sent changes.

    Traces are of channels "1", "2" ... When the time base rolls, the last sample was taken at the
    moment of the stop, or of the question when it runs. Otherwise the samples lie around a trigger
    whose moment the scope does not tell: the record ended at most its own length before the question, and
    ``t0_half_width_us`` says so; a record found stopped or waiting is of unknown age.

    ``arm`` makes it wait for one trigger. Polls then bring nothing until it has come: the poll that finds
    the scope stopped brings the record, whose end lies between this poll and the one before.
    """

    def __init__(
        self,
        conversation: Conversation,
        clock: Clock,
        dialect: ScopeDialect,
        channels: Sequence[int] = (),
        armed: bool = False,
    ) -> None:
        """``channels`` are read whether they are shown or not; empty: those that are shown.

        With ``armed`` it is armed at once and again after each capture.
        """
        super().__init__(conversation)
        self._clock = clock
        self._dialect = dialect
        self._fixed_channels = tuple(channels)
        self._unknown_words: set[str] = set()
        self._understood: set[str] = set()
        self._heard = _listed_words(dialect)
        self._channels = self._fixed_channels or self._find_channels()
        if dialect.transfer.window is not None:
            whole_size(dialect.transfer.window, self._word)  # unknown words cost time that a stopped scope has not
        self._armed: _Armed | None = None
        self._found: Found | None = None
        self._arms_again = armed
        if armed:
            self.arm()

    @property
    def abilities(self) -> tuple[str, ...]:
        """See ``Instrument``."""
        channels = ", ".join(map(str, self._channels))
        return (f"gives its waveforms in {self._dialect.name}", f"channels that can be read: {channels}")

    def poll(self) -> Poll:
        """A trace of each channel that is on, as it runs; each may be of a record of its own."""
        if self._armed is not None:
            return Poll(traces=self._captured(self._armed), remarks=self._conversation.take_remarks())
        unknown = self._state() in (*self._dialect.stopped, *self._dialect.waiting)
        traces = self._all_traces(self._rolls(), None, unknown, whole=False)
        return Poll(traces=traces, remarks=self._conversation.take_remarks())

    def arm(self) -> None:
        """Wait for one trigger from now on; returns at once. Raises ``DriverError`` where it has no word for that."""
        if not self._dialect.arm or not self._dialect.state:
            raise DriverError(f"{self._dialect.name} has no word to arm the scope: give its dialect arm and state.")
        state = self._armed.state if self._armed else self._state()
        if state is None:
            raise DriverError(f"it does not answer {self._dialect.state}: it cannot be told when it was triggered.")
        self._conversation.tell_unchecked(self._dialect.arm)
        self._armed = _Armed(self._clock.now_us(), state)

    def disarm(self) -> None:
        """Wait no more; a scope that ran before runs again."""
        armed, self._armed = self._armed, None
        if armed is None:
            return
        self._arms_again = False
        self._leave(armed)

    def get_ready(self) -> str:
        """See ``Scope``."""
        roll_words = self._dialect.slow_roll
        if roll_words is None:
            raise DriverError(f"{self._dialect.name} has no words to make it roll: turn it there by hand.")
        if self._state() not in self._dialect.running and not self._rolls():
            raise DriverError("it is stopped or waits for a trigger: let it run first.")
        if self._found is None:
            self._found = roll(
                self._conversation, roll_words, self._word, self._dialect.time_base_mode, self._rolls
            )
        before, ours = self._found.s_div, self._found.ours_s_div
        return f"rolls at {ours:g} s a division; it stood at {before:g} s"

    def as_before(self) -> str:
        """See ``Scope``."""
        found, self._found = self._found, None
        if found is None or self._dialect.slow_roll is None:
            return ""
        return put_back(self._conversation, self._dialect.slow_roll, found)

    def doing(self) -> str:
        """See ``Scope``."""
        state = self._state()
        if state is None:
            return ""
        words = {"running": self._dialect.running, "stopped": self._dialect.stopped, "waiting": self._dialect.waiting}
        return next((word for word, states in words.items() if state in states), state.lower())

    def close(self) -> None:
        """Let go; a scope that was armed from here goes on as before. Safe to call twice, never raises."""
        with contextlib.suppress(DriverError):
            self.disarm()
        with contextlib.suppress(DriverError):
            self.as_before()
        super().close()

    def let_go(self) -> None:
        """See ``Instrument``; arming it was from here, so that is taken back."""
        self.close()

    def record(self) -> Sequence[Trace]:
        """Stop, read every channel that is on of one record, run again; a scope that was stopped stays so."""
        state = self._state()
        if state in self._dialect.stopped and self._armed is None:
            return self._all_traces(rolling=False, end=None, unknown=True)
        rolling = self._rolls()
        try:
            return self._all_traces(rolling, self._stop(), unknown=state in self._dialect.waiting)
        finally:
            with contextlib.suppress(DriverError):
                self._go_on(state)

    def _go_on(self, state: str | None) -> None:
        """After a record: what it did before the stop."""
        if self._armed is not None:
            self._conversation.tell_unchecked(self._dialect.arm)
        else:
            self._conversation.tell_unchecked(self._filled(self._dialect.run, state))

    def _captured(self, armed: _Armed) -> tuple[Trace, ...]:
        """The traces of a capture that has been triggered; none while it is waited for."""
        asked_us = self._clock.now_us()
        if self._state() not in self._dialect.stopped:
            self._armed = _Armed(asked_us, armed.state)
            return ()
        half_us = (self._clock.now_us() - armed.since_us + 1) // 2
        traces = self._all_traces(True, _Moment(armed.since_us + half_us, half_us), unknown=False)
        if self._arms_again:
            self._conversation.tell_unchecked(self._dialect.arm)
            self._armed = _Armed(self._clock.now_us(), armed.state)
        else:
            self._armed = None
            self._leave(armed)
        return traces

    def _leave(self, armed: _Armed) -> None:
        if armed.state not in self._dialect.stopped:
            self._conversation.tell_unchecked(self._filled(self._dialect.disarm or self._dialect.run, armed.state))

    def _filled(self, command: str, state: str | None) -> str:
        """``{state}`` in a command is what the scope said that it did, as far as that means running."""
        running = self._dialect.running
        return command.format(state=state if state in running else next(iter(running), ""), channel="")

    def _all_traces(
        self, rolling: bool, end: _Moment | None, unknown: bool, whole: bool = True
    ) -> tuple[Trace, ...]:
        """``whole``: the record is held, so that a long one can be read in pieces."""
        return tuple(self._trace(channel, rolling, end, unknown, whole) for channel in self._shown_channels())

    def _is_held(self) -> bool:
        return not self._dialect.state or self._state() in self._dialect.stopped

    def _fetch(self, channel: int, whole: bool) -> Answer[Waveform]:
        if whole:
            return fetch_whole(self._conversation, self._dialect.transfer, channel, self._word, self._is_held)
        return fetch(self._conversation, self._dialect.transfer.form, channel, self._word)

    def _stop(self) -> _Moment:
        asked_us = self._clock.now_us()
        self._conversation.tell_unchecked(self._dialect.stop)
        self._conversation.ask("*OPC?", scpi.read_integer, BLOCK_TIMEOUT_S)  # IEEE 488.2, 10.19: it has stopped
        done_us = self._clock.now_us()
        return _Moment((asked_us + done_us) // 2, (done_us - asked_us + 1) // 2)

    def _trace(self, channel: int, rolling: bool, end: _Moment | None, unknown: bool, whole: bool) -> Trace:
        coupling = self._word(self._dialect.coupling, channel) or "DC"
        v_div, factor = self._setting(self._dialect.scale, channel), self._setting(self._dialect.probe, channel)
        if self._dialect.choose:
            self._conversation.tell_unchecked(self._dialect.choose.format(channel=channel))
        sent = self._fetch(channel, whole)
        layout, samples = sent.value.layout, sent.value.samples
        start = self._start(sent, rolling, end or _Moment(sent.t_us, sent.half_width_us), unknown)
        return Trace(
            t0_us=start.t_us,
            dt_s=layout.dt_s,
            codes=samples.codes,
            scale_v=samples.scale_v,
            offset_v=samples.offset_v,
            channel=str(channel),
            t0_half_width_us=start.half_width_us,
            lowest_code=samples.lowest_code,
            highest_code=samples.highest_code,
            coupling=self._dialect.coupling_words.get(coupling, coupling),
            rolling=rolling and self._armed is None,
            v_div=v_div,
            probe_factor=layout.probe_factor if factor is None else factor,
        )

    def _start(self, sent: Answer[Waveform], rolling: bool, end: _Moment, unknown: bool) -> _Moment:
        span_us = round(sent.value.layout.dt_s * len(sent.value.samples.codes) * 1e6)
        if rolling and not unknown:
            return _Moment(end.t_us - span_us, end.half_width_us)
        if unknown:
            self._conversation.remark("its record was not running when it was read: how old it is cannot be told")
            return _Moment(end.t_us - span_us, UNKNOWN_HALF_WIDTH_US)
        # The record on the screen ended between one record's length before the question and the question.
        return _Moment(end.t_us - span_us - span_us // 2, end.half_width_us + (span_us + 1) // 2)

    def _state(self) -> str | None:
        return self._word(self._dialect.state)

    def _rolls(self) -> bool:
        return self._word(self._dialect.time_base_mode) in self._dialect.rolling

    def _find_channels(self) -> tuple[int, ...]:
        found: list[int] = []
        for channel in range(1, self._dialect.channels + 1):
            if self._word(self._dialect.shown, channel, ON_OR_OFF) is None:
                break
            found.append(channel)
        return tuple(found) or (1,)

    def _shown_channels(self) -> tuple[int, ...]:
        if self._fixed_channels:
            return self._fixed_channels
        return tuple(channel for channel in self._channels if self._is_shown(channel))

    def _is_shown(self, channel: int) -> bool:
        answer = self._word(self._dialect.shown, channel, ON_OR_OFF)
        return answer is None or answer in ("1", "ON")

    def _setting(self, query: str, channel: int) -> float | None:
        """A number that the scope says of a channel, maybe with its unit behind it; None where it is silent."""
        answer = self._word(query, channel)
        return None if answer is None else _number(answer)

    def _word(self, query: str, channel: int | None = None, known: Sequence[str] = ()) -> str | None:
        """Answer to one of the dialect's optional questions, capitals; None where it is not understood.

        ``known`` are all the words that it can be, where that is certain. Elsewhere a word that is neither the
        dialect's nor a number is believed when it comes twice: three bytes of noise can look like one.
        """
        question = query.format(channel=channel)
        if not question or question in self._unknown_words:
            return None
        word = self._asked(question, known)
        if word is None or known or word in self._heard or _number(word) is not None:
            return word
        again = self._asked(question, known)
        if again == word:
            self._heard.add(word)
        elif again in self._heard:
            self._conversation.remark(f"out of step: {question} was answered {word}, and asked again {again}")
        else:
            raise OutOfStep(f"{question} was answered {word}, and asked again {again}: neither is believed.")
        return again

    def _asked(self, question: str, known: Sequence[str]) -> str | None:
        """A question that was understood once is no longer a try: what goes wrong with it is an event."""

        def read(text: str) -> str:
            return _read_word(text, known)

        if question in self._understood:
            return self._conversation.ask(question, read).value
        answer = self._conversation.try_ask(question, read)
        (self._unknown_words if answer is None else self._understood).add(question)
        return None if answer is None else answer.value


def _listed_words(dialect: ScopeDialect) -> set[str]:
    """All words of answers that the dialect names."""
    form = dialect.transfer.form
    ordered = form.high_byte_first if isinstance(form, FormA) else ()
    return {*dialect.rolling, *dialect.running, *dialect.stopped, *dialect.waiting, *dialect.coupling_words, *ordered}


def _number(word: str) -> float | None:
    try:
        return scpi.read_finite(word.rstrip("VX"))
    except AnswerError:
        return None


def _read_word(text: str, known: Sequence[str] = ()) -> str:
    word = scpi.last_word(text).upper()
    if not _WORD.fullmatch(word) or (known and word not in known):
        raise AnswerError(f"{text[:60]!r}: not a word that a scope says{' here' if known else ''}.")
    return word
