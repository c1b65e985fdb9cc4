"""Form C: one block with a descriptor of 346 bytes, a user's text, and the samples.

``volts = code * gain - offset`` and ``seconds = index * interval + start``. Only the fields below are filled.
"""

import struct

from simulated_instruments.instruments.digitising import MIDDLE, coded, step_v
from simulated_instruments.instruments.scope_front import Front, Served
from simulated_instruments.language.errors import LanguageError
from simulated_instruments.language.headers import command, marked
from simulated_instruments.language.lexing import Kind
from simulated_instruments.language.numbers import choice, definite_block, matches, number, only
from simulated_instruments.language.speaker import Call

DESCRIPTOR_BYTES = 346
NOTE = b"a note that the user kept with it"


class FormC:
    """The words of one family; it answers with short headers."""

    def __init__(self, front: Front) -> None:
        self._front = front
        self._words = False
        self._low_byte_first = False
        self._running = "AUTO"

    def commands(self) -> list[Served]:
        """All that it serves."""
        return marked(self)

    # ---- run control

    @command(":STOP")
    def _stop(self, call: Call) -> None:
        self._front.stop()

    @command(":ARM")
    def _arm(self, call: Call) -> None:
        self._front.arm()

    @command(":TRMD")
    def _mode(self, call: Call) -> None:
        word = choice(only(call.parameters)[0], ("AUTO", "NORM", "SINGLE", "STOP"))
        if word == "STOP":
            self._front.stop()
        elif word == "SINGLE":
            self._front.arm()
        else:
            self._running = word
            self._front.run_freely()

    @command(":TRMD?")
    def _mode_query(self, call: Call) -> str:
        return "TRMD " + {"stopped": "STOP", "waiting": "SINGLE", "running": self._running}[self._front.state()]

    # ---- waveforms

    @command(":CFMT")
    def _format_set(self, call: Call) -> None:
        given = only(call.parameters, 3, 3)
        choice(given[0], ("DEF9",))
        self._words = choice(given[1], ("BYTE", "WORD")) == "WORD"
        choice(given[2], ("BIN",))

    @command(":CFMT?")
    def _format(self, call: Call) -> str:
        return f"CFMT DEF9,{'WORD' if self._words else 'BYTE'},BIN"

    @command(":CORD")
    def _order_set(self, call: Call) -> None:
        self._low_byte_first = choice(only(call.parameters)[0], ("HI", "LO")) == "LO"

    @command(":C#:WF?")
    def _waveform(self, call: Call) -> bytes:
        given = only(call.parameters)[0]
        if given.kind is not Kind.NAME or not matches(given.text, "ALL"):
            raise LanguageError(-224, given.text)
        channel = call.suffixes[0]
        self._front.choose(channel)
        descriptor = self._descriptor(channel)
        samples = coded(self._front.take_codes(), 16 if self._words else 8, True, not self._low_byte_first)
        return f"C{channel}:WF ALL,".encode() + definite_block(descriptor + NOTE + samples)

    def _descriptor(self, channel: int) -> bytes:
        record = self._front.fresh()
        order = "<" if self._low_byte_first else ">"
        head = bytearray(DESCRIPTOR_BYTES)
        finer = 256 if self._words else 1
        facts: tuple[tuple[str, int, float | bytes], ...] = (
            ("16s", 0, b"WAVEDESC"),
            ("h", 32, int(self._words)),
            ("h", 34, int(self._low_byte_first)),
            ("i", 36, DESCRIPTOR_BYTES),
            ("i", 40, len(NOTE)),
            ("i", 60, record.timing.count * (2 if self._words else 1)),
            ("i", 116, record.timing.count),
            ("f", 156, step_v(record.v_div[channel - 1]) / finer),
            ("f", 160, 0.0),
            ("f", 164, float((255 - MIDDLE) * finer)),
            ("f", 168, float(-MIDDLE * finer)),
            ("f", 176, record.timing.dt_s),
            ("d", 180, record.origin_s),
            ("f", 328, 10.0),
        )
        for kind, at, value in facts:
            struct.pack_into(order + kind, head, at, value)
        return bytes(head)

    # ---- knobs

    @command(":C#:TRA?")
    def _trace(self, call: Call) -> str:
        self._front.knob("V/div", call.suffixes[0])
        return f"C{call.suffixes[0]}:TRA ON"

    @command(":C#:VDIV?")
    def _v_div(self, call: Call) -> str:
        return f"C{call.suffixes[0]}:VDIV {float(self._front.knob('V/div', call.suffixes[0])):.2E}V"

    @command(":C#:VDIV")
    def _v_div_set(self, call: Call) -> None:
        self._front.knob("V/div", call.suffixes[0])
        self._front.turn(f"V/div {call.suffixes[0]}", number(only(call.parameters)[0], "V", 1e-3, 20.0, 5.0))

    @command(":C#:CPL?")
    def _coupling(self, call: Call) -> str:
        word = {"DC": "D1M", "AC": "A1M"}[str(self._front.knob("coupling", call.suffixes[0]))]
        return f"C{call.suffixes[0]}:CPL {word}"

    @command(":C#:ATTN?")
    def _probe(self, call: Call) -> str:
        self._front.knob("V/div", call.suffixes[0])
        return f"C{call.suffixes[0]}:ATTN 10"
