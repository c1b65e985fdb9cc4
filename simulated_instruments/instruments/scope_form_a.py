"""Form A: a preamble of ten fields, then a data query.

The fields are format (0 bytes, 1 words, 2 text), type (0: normal), points, count (1), xincrement, xorigin,
xreference, yincrement, yorigin, yreference;
``volts = (code - yreference) * yincrement + yorigin`` and
``seconds = (index - xreference) * xincrement + xorigin``.
"""

from simulated_instruments.instruments.digitising import DIVISIONS_V, MIDDLE, coded, step_v
from simulated_instruments.instruments.scope_front import (
    DIVISIONS_S,
    MAIN_POINTS,
    ROLL_POINTS,
    Front,
    Served,
    window_commands,
)
from simulated_instruments.language.errors import LanguageError
from simulated_instruments.language.headers import command, marked
from simulated_instruments.language.lexing import Kind
from simulated_instruments.language.numbers import boolean, choice, definite_block, nr1, nr3, number, only
from simulated_instruments.language.speaker import Call

FORMATS = ("BYTE", "WORD", "ASCii")


class FormA:
    """The words of one family."""

    def __init__(self, front: Front) -> None:
        self._front = front
        self._format = "BYTE"
        self._unsigned = True
        self._high_byte_first = True

    def commands(self) -> list[Served]:
        """All that it serves."""
        deep = window_commands(
            self._front.window, ":WAVeform:STARt", ":WAVeform:STOP", ":ACQuire:MDEPth",
            lambda: self._front.shown().timing.count,
        )  # fmt: skip
        return [*marked(self), *deep]

    # ---- run control

    @command(":STOP")
    def _stop(self, call: Call) -> None:
        self._front.stop()

    @command(":RUN")
    def _run_freely(self, call: Call) -> None:
        self._front.run_freely()

    @command(":SINGle")
    def _single(self, call: Call) -> None:
        self._front.arm()

    @command(":TRIGger:STATus?")
    def _state(self, call: Call) -> str:
        return {"stopped": "STOP", "waiting": "WAIT", "running": "RUN"}[self._front.state()]

    # ---- waveforms

    @command(":WAVeform:SOURce")
    def _source_set(self, call: Call) -> None:
        given = only(call.parameters)[0]
        names = {"CHAN1": 1, "CHANNEL1": 1, "CHAN2": 2, "CHANNEL2": 2}
        if given.kind is not Kind.NAME or given.text.upper() not in names:
            raise LanguageError(-224, given.text)
        self._front.choose(names[given.text.upper()])

    @command(":WAVeform:SOURce?")
    def _source_query(self, call: Call) -> str:
        return f"CHAN{self._front.source}"

    @command(":WAVeform:FORMat")
    def _format_set(self, call: Call) -> None:
        self._format = choice(only(call.parameters)[0], FORMATS)

    @command(":WAVeform:FORMat?")
    def _format_query(self, call: Call) -> str:
        return self._format[:4].rstrip("i").upper()

    @command(":WAVeform:UNSigned")
    def _unsigned_set(self, call: Call) -> None:
        self._unsigned = boolean(only(call.parameters)[0])

    @command(":WAVeform:UNSigned?")
    def _unsigned_query(self, call: Call) -> str:
        return nr1(self._unsigned)

    @command(":WAVeform:BYTeorder")
    def _order_set(self, call: Call) -> None:
        self._high_byte_first = choice(only(call.parameters)[0], ("MSBFirst", "LSBFirst")) == "MSBFirst"

    @command(":WAVeform:BYTeorder?")
    def _order_query(self, call: Call) -> str:
        return "MSBF" if self._high_byte_first else "LSBF"

    @command(":WAVeform:POINts?")
    def _points(self, call: Call) -> str:
        return nr1(self._front.points())

    @command(":WAVeform:PREamble?")
    def _preamble(self, call: Call) -> str:
        record = self._front.fresh()
        bits = 16 if self._format == "WORD" else 8
        reference = (MIDDLE << (bits - 8)) if self._unsigned else 0
        step = step_v(record.v_div[self._front.source - 1]) / (1 << (bits - 8))
        x = (nr3(record.timing.dt_s), nr3(record.origin_s, 9), nr1(0))
        y = (nr3(step), nr3(0.0), nr1(reference))
        return ",".join((nr1(FORMATS.index(self._format)), "0", nr1(self._front.points()), "1", *x, *y))

    @command(":WAVeform:DATA?")
    def _data(self, call: Call) -> bytes:
        only(call.parameters, 0, 0)
        step = step_v(self._front.shown().v_div[self._front.source - 1])
        codes = self._front.take_codes()
        if self._format == "ASCii":
            return ",".join(nr3((code - MIDDLE) * step) for code in codes).encode()
        bits = 16 if self._format == "WORD" else 8
        return definite_block(coded(codes, bits, not self._unsigned, self._high_byte_first))

    # ---- knobs

    @command(":TIMebase:MODE?")
    def _mode(self, call: Call) -> str:
        return "ROLL" if self._front.rolls() else "MAIN"

    @command(":TIMebase:MODE")
    def _mode_set(self, call: Call) -> None:
        """A slow time base rolls by itself; a fast one cannot."""
        wanted = choice(only(call.parameters)[0], ("MAIN", "ROLL"))
        if wanted == "ROLL" and not self._front.rolls():
            raise LanguageError(-221)

    @command(":TIMebase:SCALe?")
    def _s_div(self, call: Call) -> str:
        return nr3(float(self._front.panel()[0]["s/div"]))

    @command(":TIMebase:SCALe")
    def _s_div_set(self, call: Call) -> None:
        self._front.turn("s/div", number(only(call.parameters)[0], "S", 1e-8, 50.0, 0.5))

    @command(":TIMebase:RANGe?")
    def _span(self, call: Call) -> str:
        return nr3(float(self._front.panel()[0]["s/div"]) * DIVISIONS_S)

    @command(":CHANnel#:DISPlay?")
    def _display(self, call: Call) -> str:
        self._front.knob("V/div", call.suffixes[0])
        return nr1(1)

    @command(":CHANnel#:SCALe?")
    def _v_div(self, call: Call) -> str:
        return nr3(float(self._front.knob("V/div", call.suffixes[0])))

    @command(":CHANnel#:SCALe")
    def _v_div_set(self, call: Call) -> None:
        self._front.knob("V/div", call.suffixes[0])
        v_div = number(only(call.parameters)[0], "V", 1e-3, 20.0, 5.0)
        self._front.turn(f"V/div {call.suffixes[0]}", v_div)

    @command(":CHANnel#:RANGe?")
    def _height(self, call: Call) -> str:
        return nr3(float(self._front.knob("V/div", call.suffixes[0])) * DIVISIONS_V)

    @command(":CHANnel#:OFFSet?")
    def _offset(self, call: Call) -> str:
        self._front.knob("V/div", call.suffixes[0])
        return nr3(0.0)

    @command(":CHANnel#:PROBe?")
    def _probe(self, call: Call) -> str:
        self._front.knob("V/div", call.suffixes[0])
        return nr3(10.0)

    @command(":CHANnel#:COUPling?")
    def _coupling(self, call: Call) -> str:
        return str(self._front.knob("coupling", call.suffixes[0]))

    @command(":CHANnel#:COUPling")
    def _coupling_set(self, call: Call) -> None:
        self._front.knob("coupling", call.suffixes[0])
        self._front.turn(f"coupling {call.suffixes[0]}", choice(only(call.parameters)[0], ("AC", "DC")))

    @command(":ACQuire:POINts?")
    def _depth(self, call: Call) -> str:
        return nr1(ROLL_POINTS if self._front.rolls() else MAIN_POINTS)

    @command(":ACQuire:SRATe?")
    def _rate(self, call: Call) -> str:
        span_s = float(self._front.panel()[0]["s/div"]) * DIVISIONS_S
        return nr3(int(self._depth(call)) / span_s)
