"""The signal generator: output, frequency, level; off when it is switched on."""

from simulated_instruments.asking import Asker
from simulated_instruments.clock import Clock
from simulated_instruments.instruments.panelled import Panelled
from simulated_instruments.language.headers import command
from simulated_instruments.language.numbers import boolean, nr1, nr2, nr3, number, only
from simulated_instruments.language.speaker import Call

LOW_HZ, HIGH_HZ = 1.0, 150e6
LOW_DBM, HIGH_DBM = -130.0, 13.0


class Generator(Panelled):
    """Its settings live on its panel; nothing of the unit hears it."""

    def __init__(self, name: str, identity: tuple[str, str, str, str], unit: Asker, clock: Clock) -> None:
        super().__init__(name, identity, unit, clock)

    def reset(self) -> None:
        """Off, 1 kHz, -40 dBm."""
        self.turn("output", False)
        self.turn("frequency_hz", 1000.0)
        self.turn("level_dbm", -40.0)

    @command(":OUTPut[:STATe]")
    def _output_set(self, call: Call) -> None:
        self.turn("output", boolean(only(call.parameters)[0]))

    @command(":OUTPut[:STATe]?")
    def _output(self, call: Call) -> str:
        self.count("output_on")
        return nr1(bool(self.panel()[0]["output"]))

    @command("[:SOURce]:FREQuency[:CW]", "[:SOURce]:FREQuency:FIXed")
    def _frequency_set(self, call: Call) -> None:
        self.turn("frequency_hz", number(only(call.parameters)[0], "HZ", LOW_HZ, HIGH_HZ, 1000.0))

    @command("[:SOURce]:FREQuency[:CW]?", "[:SOURce]:FREQuency:FIXed?")
    def _frequency(self, call: Call) -> str:
        self.count("frequency_hz")
        return nr3(float(self.panel()[0]["frequency_hz"]), 9)

    @command("[:SOURce]:POWer[:LEVel][:IMMediate][:AMPLitude]")
    def _level_set(self, call: Call) -> None:
        self.turn("level_dbm", number(only(call.parameters)[0], "DBM", LOW_DBM, HIGH_DBM, -40.0))

    @command("[:SOURce]:POWer[:LEVel][:IMMediate][:AMPLitude]?")
    def _level(self, call: Call) -> str:
        self.count("level_dbm")
        return nr2(float(self.panel()[0]["level_dbm"]), 2)

    @command(":UNIT:POWer?")
    def _unit(self, call: Call) -> str:
        return "DBM"
