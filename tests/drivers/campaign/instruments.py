"""Instruments whose every value is made once: a stored value proves itself, or is proved wrong.

A value's whole part counts the questions that this instrument was asked; ``made`` keeps the moment at
which each was made, on the same clock as the reader's. The fraction says which question it answers.
"""

import itertools
import struct

from simulated_instruments.language.numbers import definite_block, nr1, quoted
from simulated_instruments.language.speaker import Call, Speaker, command

IDENTITY = ("BENCH", "CAMPAIGN", "7", "1.0")
VOLTS, OHMS, AMPERES, MAINS, HERTZ, DBM = 0.125, 0.25, 0.375, 0.5, 0.625, 0.75
TURN_EVERY = 23  # the meter's knob is turned after so many values
SAMPLES = 60


class Counting(Speaker):
    """Makes numbers and remembers when."""

    def __init__(self, clock):
        super().__init__(IDENTITY)
        self._clock = clock
        self._numbers = itertools.count(1)
        self.made = {}

    def number(self, fraction):
        value = next(self._numbers) + fraction
        self.made[value] = self._clock.now_us()
        return value

    @command(":SYSTem:LOCal")
    def _local(self, call: Call) -> None:
        """Nothing to give back."""


class CountingMeter(Counting):
    """Volts and ohms in turn, so that a value under the wrong function shows."""

    _volts = True

    @command(":CONFigure?")
    def _configuration(self, call: Call) -> str:
        return quoted(f"{'VOLT' if self._volts else 'RES'} +1.000000E+07,+1.000000E-03")

    @command(":SENSe:VOLTage:APERture?", ":SENSe:RESistance:APERture?")
    def _aperture(self, call: Call) -> str:
        return "2.0E-02"

    @command(":FETCh?", ":READ?")
    def _value(self, call: Call) -> str:
        return repr(self.number(VOLTS if self._volts else OHMS))

    def answer(self, message):
        with self._lock:
            answer = super().answer(message)
            if len(self.made) % TURN_EVERY == 0:
                self._volts = not self._volts
            return answer


class CountingSupply(Counting):
    @command(":MEASure:CURRent?")
    def _current(self, call: Call) -> str:
        return repr(self.number(AMPERES))

    @command(":MEASure:VOLTage?")
    def _voltage(self, call: Call) -> str:
        return repr(self.number(MAINS))


class CountingGenerator(Counting):
    """Its level counts downwards, far below any ceiling."""

    @command(":FREQuency?")
    def _frequency(self, call: Call) -> str:
        return repr(self.number(HERTZ))

    @command(":POWer?")
    def _level(self, call: Call) -> str:
        return repr(-self.number(DBM))

    @command(":UNIT:POWer?")
    def _unit(self, call: Call) -> str:
        return "DBM"

    @command(":OUTPut?")
    def _output(self, call: Call) -> str:
        return nr1(0)

    @command(":OUTPut")
    def _set_output(self, call: Call) -> None:
        """Off is what it is."""


class CountingScope(Counting):
    """One channel; the samples are one number over and over, four bytes each, the last of them a line feed."""

    @command(":CHANnel#:DISPlay?")
    def _shown(self, call: Call) -> str:
        return nr1(call.suffixes[0] == 1)

    @command(":WAVeform:SOURce")
    def _source(self, call: Call) -> None:
        """There is one channel."""

    @command(":WAVeform:UNSigned?")
    def _unsigned(self, call: Call) -> str:
        return nr1(1)

    @command(":WAVeform:PREamble?")
    def _preamble(self, call: Call) -> str:
        return f"0,0,{SAMPLES},1,1.0E-3,0,0,4.0E-2,0,128"

    @command(":WAVeform:DATA?")
    def _data(self, call: Call) -> bytes:
        number = int(self.number(0.0))
        return definite_block((struct.pack(">I", number)[1:] + b"\n") * (SAMPLES // 4))

    @command(":TRIGger:STATus?")
    def _state(self, call: Call) -> str:
        return "RUN"

    @command(":TIMebase:MODE?")
    def _mode(self, call: Call) -> str:
        return "ROLL"

    @command(":STOP", ":RUN")
    def _run_stop(self, call: Call) -> None:
        """It always runs."""


KINDS = {
    "meter": CountingMeter,
    "scope": CountingScope,
    "generator": CountingGenerator,
    "supply": CountingSupply,
}
