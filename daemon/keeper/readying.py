"""Scopes made ready before a switch-on, where the bench file lets them be, and put back afterwards.

Only while the unit is known to be off, and only a scope whose probe is on a named point: it rolls slowly
(``roll``) or waits for one trigger (``single``). What was set and what is put back are events.
"""

from collections.abc import Callable
from dataclasses import dataclass, field

from daemon.bench_file import Setup
from daemon.keeper.desk import Desk, InstrumentLine
from daemon.poller import Order, Readied

ORDERS = {"roll": "roll", "single": "arm"}
ARMED = "waits for one trigger"


@dataclass
class Ready:
    """Which scopes were asked, stand ready, or refused; by instrument."""

    order: Callable[[str, Order], None]
    asked: dict[str, str] = field(default_factory=dict)  # what was ordered last and is not answered yet
    standing: dict[str, str] = field(default_factory=dict)  # how it stands, in words
    refused: dict[str, str] = field(default_factory=dict)

    def tick(self, desk: Desk, is_awaited: Callable[[str], bool]) -> None:
        """Order what is due: ready while the unit is off, back when its switch-on is over."""
        for name, line in desk.instruments.items():
            if not line.setup.prepare_switch_on or line.status != "ok" or name in self.asked:
                continue
            if name in self.standing:
                if desk.unit_on and not is_awaited(name):
                    self._say(name, "as before")
            elif self._is_wanted(desk, line) and name not in self.refused:
                self._say(name, ORDERS[line.setup.prepare_switch_on])

    def _is_wanted(self, desk: Desk, line: InstrumentLine) -> bool:
        if desk.unit_on is not False or line.armed:
            return False
        return any(probe.instrument == line.setup.spec.name and probe.point for probe in desk.probes.values())

    def _say(self, name: str, what: str) -> None:
        self.asked[name] = what
        self.order(name, Order(what))

    def take(self, desk: Desk, readied: Readied) -> None:
        """The scope's answer."""
        name = readied.instrument
        self.asked.pop(name, None)
        desk.state_is_old = True
        if readied.what == "as before":
            words = self.standing.pop(name, "")
            if readied.why:
                desk.tell("remark", f"{name} could not be put back ({words}): {readied.why}")
            elif readied.words:
                desk.tell("arm", f"{name} after the switch-on: {readied.words}.")
        elif readied.why:
            self.refused[name] = readied.why
            desk.tell("remark", f"{name} cannot be made ready for the switch-on: {readied.why}")
        else:
            self.standing[name] = readied.words or ARMED
            desk.tell("arm", f"{name} made ready for the switch-on: {self.standing[name]}.")

    def lose(self, desk: Desk, name: str) -> None:
        """The instrument is gone; what could not be put back is said, since nobody else remembers it."""
        self.asked.pop(name, None)
        self.refused.pop(name, None)
        words = self.standing.pop(name, "")
        if words and words != ARMED:
            desk.tell("remark", f"{name} was lost before it could be put back: it {words}.")

    def switched_off(self) -> None:
        """A new try for those that refused."""
        self.refused.clear()

    def triggered(self, name: str) -> None:
        """Its single capture has come; while the unit stays off it is armed again."""
        self.standing.pop(name, None)

    def waits_for_trigger(self, setup: Setup) -> bool:
        """True while a single capture is waited for."""
        return setup.prepare_switch_on == "single" and setup.spec.name in self.standing
