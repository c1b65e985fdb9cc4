"""Form B: a preamble of keys and values, then a curve query, with response headers or without.

``volts = (code - YOFF) * YMULT + YZERO`` and ``seconds = (index - PT_OFF) * XINCR + XZERO``.
"""

import re
from collections.abc import Callable

from simulated_instruments.instruments.digitising import MIDDLE, coded, step_v
from simulated_instruments.instruments.scope_front import Front, Served, window_commands
from simulated_instruments.language.errors import LanguageError
from simulated_instruments.language.headers import command, marked
from simulated_instruments.language.numbers import boolean, choice, definite_block, nr1, nr3, number, only, quoted
from simulated_instruments.language.speaker import Call

ENCODINGS = ("ASCii", "RIBinary", "RPBinary", "SRIbinary", "SRPbinary")
FIELDS = (
    "BYT_NR", "BIT_NR", "ENCDG", "BN_FMT", "BYT_OR", "NR_PT", "WFID", "PT_FMT", "XINCR", "PT_OFF", "XZERO", "XUNIT",
    "YMULT", "YZERO", "YOFF", "YUNIT",
)  # fmt: skip


class FormB:
    """The words of one family; it answers with headers until it is told not to."""

    def __init__(self, front: Front) -> None:
        self._front = front
        self._headed = True
        self._encoding = "RIBinary"
        self._width = 1
        self._sequence = False

    def commands(self) -> list[Served]:
        """All that it serves; among it one query for each field of the preamble."""
        fields = [(re.compile(f":WFMP(?:RE)?:{key}"), True, self._asking(key)) for key in FIELDS]
        deep = window_commands(
            self._front.window, ":DATA:STARt", ":DATA:STOP", ":HORizontal:RECOrdlength",
            lambda: self._front.shown().timing.count,
        )  # fmt: skip
        return [*marked(self), *fields, *deep]

    def _asking(self, key: str) -> Callable[[Call], str]:
        return lambda call: self._said(f":WFMPRE:{key}", self._fields()[key])

    def _said(self, header: str, value: str) -> str:
        return f"{header} {value}" if self._headed else value

    @command(":HEADer")
    def _header_set(self, call: Call) -> None:
        self._headed = boolean(only(call.parameters)[0])

    # ---- run control

    @command(":ACQuire:STATE")
    def _run_or_stop(self, call: Call) -> None:
        if choice(only(call.parameters)[0], ("RUN", "STOP")) == "STOP":
            self._front.stop()
        elif self._sequence:
            self._front.arm()
        else:
            self._front.run_freely()

    @command(":ACQuire:STOPAfter")
    def _stop_after(self, call: Call) -> None:
        self._sequence = choice(only(call.parameters)[0], ("RUNSTop", "SEQuence")) == "SEQuence"

    @command(":TRIGger:STATE?")
    def _state(self, call: Call) -> str:
        running = "SCAN" if self._front.rolls() else "TRIGGER"
        word = {"stopped": "SAVE", "waiting": "READY", "running": running}[self._front.state()]
        return self._said(":TRIGGER:STATE", word)

    # ---- waveforms

    @command(":DATA:SOURCE")
    def _source_set(self, call: Call) -> None:
        self._front.choose(int(choice(only(call.parameters)[0], ("CH1", "CH2"))[2:]))

    @command(":DATA:ENCdg")
    def _encoding_set(self, call: Call) -> None:
        self._encoding = choice(only(call.parameters)[0], ENCODINGS)

    @command(":DATA:WIDth")
    def _width_set(self, call: Call) -> None:
        self._width = round(number(only(call.parameters)[0], "", 1, 2))

    def _fields(self) -> dict[str, str]:
        record, channel = self._front.fresh(), self._front.source
        signed = "P" not in self._encoding
        facts = {
            "BYT_NR": nr1(self._width),
            "BIT_NR": nr1(8 * self._width),
            "ENCDG": "ASC" if self._encoding == "ASCii" else "BIN",
            "BN_FMT": "RI" if signed else "RP",
            "BYT_OR": "LSB" if self._encoding.startswith("S") else "MSB",
            "NR_PT": nr1(self._front.points()),
            "WFID": quoted(f"Ch{channel}, {record.coupling[channel - 1]} coupling; 10 divisions"),
            "PT_FMT": "Y",
            "XINCR": nr3(record.timing.dt_s),
            "PT_OFF": nr1(0),
            "XZERO": nr3(record.origin_s, 9),
            "XUNIT": quoted("s"),
            "YMULT": nr3(step_v(record.v_div[channel - 1]) / (256 if self._width == 2 else 1)),
            "YZERO": nr3(0.0),
            "YOFF": nr3(0.0 if signed else float(MIDDLE << 8 * (self._width - 1))),
            "YUNIT": quoted("V"),
        }
        return {key: facts[key] for key in FIELDS}

    @command(":WFMPre?")
    def _preamble(self, call: Call) -> str:
        fields = self._fields()
        if not self._headed:
            return ";".join(fields.values())
        return ":WFMPRE:" + ";".join(f"{key} {value}" for key, value in fields.items())

    @command(":CURVe?")
    def _curve(self, call: Call) -> bytes:
        codes = self._front.take_codes()
        header = b":CURVE " if self._headed else b""
        if self._encoding == "ASCii":
            return header + ",".join(nr1((code - MIDDLE) << 8 * (self._width - 1)) for code in codes).encode()
        signed, high = "P" not in self._encoding, not self._encoding.startswith("S")
        return header + definite_block(coded(codes, 8 * self._width, signed, high))

    # ---- knobs

    @command(":HORizontal:SCAle?")
    def _s_div(self, call: Call) -> str:
        return self._said(":HORIZONTAL:SCALE", nr3(float(self._front.panel()[0]["s/div"])))

    @command(":HORizontal:SCAle")
    def _s_div_set(self, call: Call) -> None:
        self._front.turn("s/div", number(only(call.parameters)[0], "S", 1e-8, 50.0, 0.5))

    @command(":SELect:CH#?")
    def _shown(self, call: Call) -> str:
        self._front.knob("V/div", call.suffixes[0])
        return self._said(f":SELECT:CH{call.suffixes[0]}", "1")

    @command(":CH#:SCAle?")
    def _v_div(self, call: Call) -> str:
        return self._said(f":CH{call.suffixes[0]}:SCALE", nr3(float(self._front.knob("V/div", call.suffixes[0]))))

    @command(":CH#:SCAle")
    def _v_div_set(self, call: Call) -> None:
        if call.suffixes[0] not in (1, 2):
            raise LanguageError(-114)
        self._front.turn(f"V/div {call.suffixes[0]}", number(only(call.parameters)[0], "V", 1e-3, 20.0, 5.0))

    @command(":CH#:COUPling?")
    def _coupling(self, call: Call) -> str:
        return self._said(f":CH{call.suffixes[0]}:COUPLING", str(self._front.knob("coupling", call.suffixes[0])))

    @command(":CH#:PRObe?")
    def _probe(self, call: Call) -> str:
        self._front.knob("V/div", call.suffixes[0])
        return self._said(f":CH{call.suffixes[0]}:PROBE", "10")
