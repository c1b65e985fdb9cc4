"""The two-channel scope: rolling or triggered records, sent as preamble and block.

The preamble's ten fields are format (0: bytes), type (0: normal), points, count (1), xincrement,
xorigin, xreference, yincrement, yorigin, yreference;
``volts = (code - yreference) * yincrement + yorigin`` and
``seconds = (index - xreference) * xincrement + xorigin``. In ROLL the seconds count from the
moment of :STOP (of the preamble query when running), so they are negative; in MAIN from the trigger.
"""

import math
from dataclasses import dataclass
from typing import Any

from simulated_instruments.asking import Asker
from simulated_instruments.clock import Clock
from simulated_instruments.instruments.digitising import DIVISIONS_V, MIDDLE, Converter, Timing, step_v
from simulated_instruments.instruments.panelled import Panelled
from simulated_instruments.language.errors import LanguageError
from simulated_instruments.language.headers import command
from simulated_instruments.language.lexing import Kind
from simulated_instruments.language.numbers import choice, definite_block, nr1, nr3, number, only
from simulated_instruments.language.speaker import Call

DIVISIONS_S = 10
ROLLS_FROM_S_DIV = 0.1  # slower than this the trace rolls
ROLL_POINTS, MAIN_POINTS = 10_000, 1_000
_LINE_HZ = 50.0
_FEWEST = 20


@dataclass(frozen=True, slots=True)
class Record:
    """One record of both channels, as the converter kept it."""

    timing: Timing
    origin_s: float
    rolling: bool
    v_div: tuple[float, float]
    coupling: tuple[str, str]
    codes: tuple[bytes, bytes]


class Scope(Panelled):
    """Asks the unit for a record when one is latched: at :STOP, or when it is asked while running."""

    def __init__(
        self,
        name: str,
        probes: tuple[str, str],
        identity: tuple[str, str, str, str],
        unit: Asker,
        clock: Clock,
        seed: int = 1,
    ) -> None:
        super().__init__(name, identity, unit, clock)
        self._converters = [Converter(probe, n, unit, seed) for n, probe in enumerate(probes, start=1)]
        self._stopped: Record | None = None
        self._latched: Record | None = None
        self._source = 1

    def reset(self) -> None:
        """Running, 0.5 s and 5 V a division, DC."""
        self.turn("s/div", 0.5)
        for channel in (1, 2):
            self.turn(f"V/div {channel}", 5.0)
            self.turn(f"coupling {channel}", "DC")
        self._stopped = None

    # ---- records

    def _record(self) -> Record:
        """What the screen shows now; after a knob was turned it waits for enough samples."""
        knobs, turned_s = self.panel()
        s_div = float(knobs["s/div"])
        rolling = s_div >= ROLLS_FROM_S_DIV
        now_s, timing = self._timing(s_div, rolling, turned_s)
        v_div = (float(knobs["V/div 1"]), float(knobs["V/div 2"]))
        coupling = (str(knobs["coupling 1"]), str(knobs["coupling 2"]))
        one, two = (
            converter.codes(timing, v, c)
            for converter, v, c in zip(self._converters, v_div, coupling, strict=True)
        )
        origin_s = timing.first * timing.dt_s - now_s
        return Record(timing, origin_s, rolling, v_div, coupling, (one, two))

    def _timing(self, s_div: float, rolling: bool, turned_s: float) -> tuple[float, Timing]:
        """The moment that the record's seconds count from, and its samples."""
        span_s = s_div * DIVISIONS_S
        dt_s = span_s / (ROLL_POINTS if rolling else MAIN_POINTS)
        needed_s = turned_s + (_FEWEST * dt_s if rolling else span_s + 1 / _LINE_HZ)
        self.clock.sleep_s(needed_s - self.clock.now_s())
        now_s = self.clock.now_s()
        if not rolling:
            # A sweep shorter than a mains period does not wait for the line: it triggers by itself.
            trigger_s = now_s - span_s / 2
            if span_s >= 1 / _LINE_HZ:
                trigger_s = math.floor(trigger_s * _LINE_HZ) / _LINE_HZ
            return trigger_s, Timing(round((trigger_s - span_s / 2) / dt_s), MAIN_POINTS, dt_s)
        last = math.floor(now_s / dt_s)
        first = max(last - ROLL_POINTS + 1, math.ceil(turned_s / dt_s))
        return now_s, Timing(first, last - first + 1, dt_s)

    def _shown(self) -> Record:
        """The stopped record, or while running the one that the last preamble was about."""
        if self._stopped is not None:
            return self._stopped
        if self._latched is None:
            self._latched = self._record()
        return self._latched

    # ---- run control

    @command(":STOP")
    def _stop(self, call: Call) -> None:
        if self._stopped is None:
            self._stopped = self._record()
            self.turn("running", False)

    @command(":RUN")
    def _run_freely(self, call: Call) -> None:
        self._stopped = self._latched = None
        self.turn("running", True)

    @command(":TRIGger:STATus?")
    def _state(self, call: Call) -> str:
        return "STOP" if self._stopped else "RUN"

    # ---- waveforms

    @command(":WAVeform:SOURce")
    def _source_set(self, call: Call) -> None:
        given = only(call.parameters)[0]
        names = {"CHAN1": 1, "CHANNEL1": 1, "CHAN2": 2, "CHANNEL2": 2}
        if given.kind is not Kind.NAME or given.text.upper() not in names:
            raise LanguageError(-224, given.text)
        self._source = names[given.text.upper()]

    @command(":WAVeform:SOURce?")
    def _source_query(self, call: Call) -> str:
        return f"CHAN{self._source}"

    @command(":WAVeform:FORMat")
    def _format_set(self, call: Call) -> None:
        choice(only(call.parameters)[0], ("BYTE",))

    @command(":WAVeform:FORMat?")
    def _format(self, call: Call) -> str:
        return "BYTE"

    @command(":WAVeform:UNSigned?")
    def _unsigned(self, call: Call) -> str:
        return nr1(1)

    @command(":WAVeform:POINts?")
    def _points(self, call: Call) -> str:
        return nr1(self._shown().timing.count)

    @command(":WAVeform:PREamble?")
    def _preamble(self, call: Call) -> str:
        self._latched = None
        record = self._shown()
        x = (nr3(record.timing.dt_s), nr3(record.origin_s, 9), nr1(0))
        y = (nr3(step_v(record.v_div[self._source - 1])), nr3(0.0), nr1(MIDDLE))
        return ",".join(("0", "0", nr1(record.timing.count), "1", *x, *y))

    @command(":WAVeform:DATA?")
    def _data(self, call: Call) -> bytes:
        only(call.parameters, 0, 0)
        record = self._shown()
        self._latched = None
        self.count(f"{self._source} ripple_vpp")
        return definite_block(record.codes[self._source - 1])

    # ---- knobs

    @command(":TIMebase:MODE?")
    def _mode(self, call: Call) -> str:
        if self._stopped is not None:
            return "ROLL" if self._stopped.rolling else "MAIN"
        return "ROLL" if float(self.panel()[0]["s/div"]) >= ROLLS_FROM_S_DIV else "MAIN"

    @command(":TIMebase:SCALe?")
    def _s_div(self, call: Call) -> str:
        return nr3(float(self.panel()[0]["s/div"]))

    @command(":TIMebase:SCALe")
    def _s_div_set(self, call: Call) -> None:
        self.turn("s/div", number(only(call.parameters)[0], "S", 1e-8, 50.0, 0.5))

    @command(":TIMebase:RANGe?")
    def _span(self, call: Call) -> str:
        return nr3(float(self.panel()[0]["s/div"]) * DIVISIONS_S)

    @command(":CHANnel#:DISPlay?")
    def _display(self, call: Call) -> str:
        self._knob("V/div", call)
        return nr1(1)

    @command(":CHANnel#:SCALe?")
    def _v_div(self, call: Call) -> str:
        return nr3(float(self._knob("V/div", call)))

    @command(":CHANnel#:SCALe")
    def _v_div_set(self, call: Call) -> None:
        self._knob("V/div", call)
        v_div = number(only(call.parameters)[0], "V", 1e-3, 20.0, 5.0)
        self.turn(f"V/div {call.suffixes[0]}", v_div)

    @command(":CHANnel#:RANGe?")
    def _height(self, call: Call) -> str:
        return nr3(float(self._knob("V/div", call)) * DIVISIONS_V)

    @command(":CHANnel#:OFFSet?")
    def _offset(self, call: Call) -> str:
        self._knob("V/div", call)
        return nr3(0.0)

    @command(":CHANnel#:COUPling?")
    def _coupling(self, call: Call) -> str:
        return str(self._knob("coupling", call))

    @command(":CHANnel#:COUPling")
    def _coupling_set(self, call: Call) -> None:
        self._knob("coupling", call)
        self.turn(f"coupling {call.suffixes[0]}", choice(only(call.parameters)[0], ("AC", "DC")))

    @command(":ACQuire:POINts?")
    def _depth(self, call: Call) -> str:
        return nr1(ROLL_POINTS if self._mode(call) == "ROLL" else MAIN_POINTS)

    @command(":ACQuire:SRATe?")
    def _rate(self, call: Call) -> str:
        span_s = float(self.panel()[0]["s/div"]) * DIVISIONS_S
        return nr3(int(self._depth(call)) / span_s)

    def _knob(self, knob: str, call: Call) -> Any:
        channel = call.suffixes[0]
        if channel not in (1, 2):
            raise LanguageError(-114)
        return self.panel()[0][f"{knob} {channel}"]
