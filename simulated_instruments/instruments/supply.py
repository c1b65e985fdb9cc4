"""The supply monitor in the unit's mains lead: volts and amperes, rms."""

import random

from simulated_instruments.asking import Asker
from simulated_instruments.clock import Clock
from simulated_instruments.instruments.panelled import Panelled
from simulated_instruments.language.headers import command
from simulated_instruments.language.numbers import nr3, only
from simulated_instruments.language.speaker import Call

NOISE_V, NOISE_A = 0.02, 0.0003
AVERAGE_S = 0.04  # it averages over two mains periods: a value belongs to that long ago


class SupplyMonitor(Panelled):
    """Measures at once, whenever asked."""

    def __init__(
        self, name: str, identity: tuple[str, str, str, str], unit: Asker, clock: Clock, seed: int = 1
    ) -> None:
        super().__init__(name, identity, unit, clock)
        self._noise = random.Random(f"{name} {seed}")

    @command(":MEASure[:SCALar]:CURRent[:AC]?", ":FETCh[:SCALar]:CURRent[:AC]?")
    def _current(self, call: Call) -> str:
        only(call.parameters, 2, 0)
        self.count("current_a")
        true = self._supply()["current_a"]
        return nr3(round(max(0.0, true + self._noise.gauss(0, NOISE_A)), 4), 5)

    @command(":MEASure[:SCALar]:VOLTage[:AC]?", ":FETCh[:SCALar]:VOLTage[:AC]?")
    def _volts(self, call: Call) -> str:
        only(call.parameters, 2, 0)
        self.count("mains_v")
        return nr3(round(self._supply()["mains_v"] + self._noise.gauss(0, NOISE_V), 2), 5)

    def _supply(self) -> dict[str, float]:
        return self.unit.ask(ask="supply", t_s=self.clock.now_s() - AVERAGE_S)
