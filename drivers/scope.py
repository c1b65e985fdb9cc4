"""A scope that speaks SCPI in one of the dialects of ``drivers/dialects``."""

import contextlib
from collections.abc import Sequence
from dataclasses import dataclass

from drivers import scpi
from drivers.clock import Clock
from drivers.conversation import Conversation
from drivers.dialects import ScopeDialect
from drivers.errors import DriverError
from drivers.instrument import ScpiInstrument
from drivers.readings import Poll, Trace
from drivers.waveform import Preamble, Samples, read_preamble, read_samples

UNKNOWN_HALF_WIDTH_US = 86_400_000_000  # a record of unknown age: a day, and a remark
BLOCK_TIMEOUT_S = 5.0  # a scope may finish drawing before it begins to answer


@dataclass(frozen=True, slots=True)
class _Moment:
    """A moment on the session's time line and how far either side it may lie, microseconds."""

    t_us: int
    half_width_us: int


class ScpiScope(ScpiInstrument):
    """Reads what is on the screen. Of its settings only the choice of the channel to be sent changes.

    Traces are of channels "1", "2" ... When the time base rolls, the last sample was taken at the
    moment of the stop, or of the question when it runs. Otherwise the samples lie around a trigger
    whose moment the scope does not tell: the record ended at most its own length before the question, and
    ``t0_half_width_us`` says so; a record found stopped or waiting is of unknown age.
    """

    def __init__(
        self,
        conversation: Conversation,
        clock: Clock,
        dialect: ScopeDialect,
        channels: Sequence[int] = (),
    ) -> None:
        """``channels`` are read whether they are shown or not; empty: those that are shown."""
        super().__init__(conversation)
        self._clock = clock
        self._dialect = dialect
        self._fixed_channels = tuple(channels)
        self._unknown_words: set[str] = set()
        self._channels = self._fixed_channels or self._find_channels()

    @property
    def abilities(self) -> tuple[str, ...]:
        """See ``Instrument``."""
        channels = ", ".join(map(str, self._channels))
        return (f"gives its waveforms in {self._dialect.name}", f"channels that can be read: {channels}")

    def poll(self) -> Poll:
        """A trace of each channel that is on, as it runs; each may be of a record of its own."""
        unknown = self._state() in (*self._dialect.stopped, *self._dialect.waiting)
        traces = self._all_traces(self._rolls(), None, unknown)
        return Poll(traces=traces, remarks=self._conversation.take_remarks())

    def record(self) -> Sequence[Trace]:
        """Stop, read every channel that is on of one record, run again; a scope that was stopped stays so."""
        state = self._state()
        if state in self._dialect.stopped:
            return self._all_traces(rolling=False, end=None, unknown=True)
        rolling = self._rolls()
        try:
            return self._all_traces(rolling, self._stop(), unknown=state in self._dialect.waiting)
        finally:
            with contextlib.suppress(DriverError):
                self._conversation.tell_unchecked(self._dialect.run)

    def _all_traces(self, rolling: bool, end: _Moment | None, unknown: bool) -> tuple[Trace, ...]:
        return tuple(self._trace(channel, rolling, end, unknown) for channel in self._shown_channels())

    def _stop(self) -> _Moment:
        asked_us = self._clock.now_us()
        self._conversation.tell_unchecked(self._dialect.stop)
        self._conversation.ask("*OPC?", scpi.read_integer, BLOCK_TIMEOUT_S)  # IEEE 488.2, 10.19: it has stopped
        done_us = self._clock.now_us()
        return _Moment((asked_us + done_us) // 2, (done_us - asked_us + 1) // 2)

    def _trace(self, channel: int, rolling: bool, end: _Moment | None, unknown: bool) -> Trace:
        coupling = self._word(self._dialect.coupling, channel) or "DC"
        self._conversation.tell_unchecked(self._dialect.choose.format(channel=channel))
        preamble = self._conversation.ask(self._dialect.preamble, read_preamble)
        signed, high_byte_first = self._number_form(preamble.value)
        samples = read_samples(self._data(preamble.value), preamble.value, self._dialect, signed, high_byte_first)
        end = end or _Moment(preamble.t_us, preamble.half_width_us)
        start = self._start(preamble.value, samples, rolling, end, unknown)
        return Trace(
            t0_us=start.t_us,
            dt_s=preamble.value.dt_s,
            codes=samples.codes,
            scale_v=samples.scale_v,
            offset_v=samples.offset_v,
            channel=str(channel),
            t0_half_width_us=start.half_width_us,
            lowest_code=samples.lowest_code,
            highest_code=samples.highest_code,
            coupling=coupling,
            rolling=rolling,
        )

    def _start(
        self, preamble: Preamble, samples: Samples, rolling: bool, end: _Moment, unknown: bool
    ) -> _Moment:
        span_us = round(preamble.dt_s * len(samples.codes) * 1e6)
        if rolling and not unknown:
            return _Moment(end.t_us - span_us, end.half_width_us)
        if unknown:
            self._conversation.remark("its record was not running when it was read: how old it is cannot be told")
            return _Moment(end.t_us - span_us, UNKNOWN_HALF_WIDTH_US)
        # The record on the screen ended between one record's length before the question and the question.
        return _Moment(end.t_us - span_us - span_us // 2, end.half_width_us + (span_us + 1) // 2)

    def _data(self, preamble: Preamble) -> bytes:
        query = self._dialect.data
        if preamble.format not in self._dialect.text_formats:
            return self._conversation.ask_block(query, BLOCK_TIMEOUT_S).value
        return self._conversation.ask(query, _text_samples, BLOCK_TIMEOUT_S).value

    def _number_form(self, preamble: Preamble) -> tuple[bool, bool]:
        """Whether the samples are signed, and whether the high byte comes first."""
        unsigned = self._word(self._dialect.unsigned)
        signed = unsigned is not None and unsigned in ("0", "OFF")
        if preamble.format not in self._dialect.words_formats:
            return signed, False
        return signed, self._word(self._dialect.byte_order) in self._dialect.high_byte_first

    def _state(self) -> str | None:
        return self._word(self._dialect.state)

    def _rolls(self) -> bool:
        return self._word(self._dialect.time_base_mode) in self._dialect.rolling

    def _find_channels(self) -> tuple[int, ...]:
        found: list[int] = []
        for channel in range(1, self._dialect.channels + 1):
            if self._word(self._dialect.shown, channel) is None:
                break
            found.append(channel)
        return tuple(found) or (1,)

    def _shown_channels(self) -> tuple[int, ...]:
        if self._fixed_channels:
            return self._fixed_channels
        return tuple(channel for channel in self._channels if self._is_shown(channel))

    def _is_shown(self, channel: int) -> bool:
        answer = self._word(self._dialect.shown, channel)
        return answer is None or answer in ("1", "ON")

    def _word(self, query: str, channel: int | None = None) -> str | None:
        """Answer to one of the dialect's optional questions, capitals; None where it is not understood."""
        question = query.format(channel=channel)
        if not question or question in self._unknown_words:
            return None
        answer = self._conversation.try_ask(question, _read_word)
        if answer is None:
            self._unknown_words.add(question)
            return None
        return answer.value


def _read_word(text: str) -> str:
    return scpi.unquoted(text).upper()


def _text_samples(text: str) -> bytes:
    """Samples as text come bare or inside of a block."""
    data = text.encode("ascii")
    if not data.startswith(b"#"):
        return data
    taken = scpi.take_block(data)
    return taken[0] if taken else data[2:]
