"""An instrument whose knobs are turned by a technician as well as by remote control."""

from typing import Any

from simulated_instruments.asking import Asker, Refused
from simulated_instruments.clock import Clock
from simulated_instruments.language.errors import LanguageError
from simulated_instruments.language.headers import command
from simulated_instruments.language.speaker import Call, Speaker

Position = float | str | bool


class Panelled(Speaker):
    """Knows its name on the bench, the unit's door and the time."""

    def __init__(self, name: str, identity: tuple[str, str, str, str], unit: Asker, clock: Clock) -> None:
        super().__init__(identity)
        self.name = name
        self.unit = unit
        self.clock = clock

    def panel(self) -> tuple[dict[str, Any], float]:
        """Where the knobs stand, and when one of them was last turned."""
        answer = self.unit.ask(ask="panel", instrument=self.name)
        return answer["knobs"], answer["turned_s"]

    def turn(self, knob: str, position: Position) -> None:
        """Turn a knob by remote control."""
        try:
            self.unit.ask(do="remote knob", instrument=self.name, knob=knob, position=position)
        except Refused as refusal:
            raise LanguageError(-221, str(refusal)) from refusal

    @command(":SYSTem:LOCal")
    def _local(self, call: Call) -> None:
        self.hold_panel(False)

    @command(":SYSTem:REMote", ":SYSTem:RWLock")
    def _remote(self, call: Call) -> None:
        """Locks the knobs against hands until SYSTem:LOCal."""
        self.hold_panel(True)

    def hold_panel(self, held: bool) -> None:
        """Lock the knobs against hands, or free them: what remote and local of a bus do."""
        self.turn("locked", held)
