"""A scenario's probe log as a list of actions. Pure: nothing is done here.

Around the log's lines stand a switch-on with the scope on the stated point before the first
reading, another after the last, and one after every visit to the dead unit.
"""

from collections.abc import Iterator, Mapping

from simulated_instruments.technician.acting import Action, Answer, Hand, Hold, Pause, Say, Strike, Wait
from simulated_instruments.technician.carelessness import SteadyHand
from simulated_instruments.unit.scenario import LogLine, Scenario

ROLL_S_DIV = 0.5
ROLLED_S = 2.5  # real time in which a fresh record gets its pre-roll
PLUG_IN_S = 0.6  # from saying how it is fed to feeding it
CAPTURE_S = 6.5  # real time until the window after a switch-on is over
DISCHARGE_S = 4.0  # real time until the rails of a unit switched off are near zero
ENOUGH, ENOUGH_TRACES = 8, 5  # readings in a settled stretch before the probe is lifted
MOST_HOLD_S, MOST_SCOPE_HOLD_S = 10.0, 12.0  # a hand stays until the value is said; a busy machine says it late
_STEPS_V = tuple(step * 10.0**power for power in range(-3, 2) for step in (1, 2, 5))
_VOLTS = ("dc_v", "across")
_OSCILLATION_S_DIV, _RIPPLE_S_DIV = 5e-6, 5e-3


def script(scenario: Scenario, hand: SteadyHand | None = None) -> list[Action]:
    """All actions of a repair, in order, by a steady hand or by ``hand``."""
    return list(_Writer(scenario, hand or SteadyHand()).actions())


class _Writer:
    """Keeps what was said and where the knobs stand, so that nothing is done twice."""

    def __init__(self, scenario: Scenario, hand: SteadyHand) -> None:
        self._scenario = scenario
        self._fingers = hand
        self._said: dict[str, str] = {}
        self._real_mode = ""
        self._on = False
        self._function = "dc_v"
        self._log_s = 0.0

    def actions(self) -> Iterator[Action]:
        scenario = self._scenario
        yield Answer()
        yield from self._off()
        yield from self._clip_on("clip", scenario.clip_point)
        yield from self._clip_on("scope A", scenario.scope_point)
        yield from self._switch_on()
        for index, line in enumerate(scenario.log):
            yield from self._line(index, line)
        yield Pause(10.0)
        yield from self._off()
        yield Wait(DISCHARGE_S)
        yield from self._switch_on()

    # ---- the unit

    def _off(self) -> Iterator[Action]:
        self._on = False
        yield Hand({"do": "power", "on": False})
        yield from self._say("mode", "off")
        yield from self._say("condition", "off")

    def _switch_on(self) -> Iterator[Action]:
        """Scope back to a slow roll, selector set, cautions answered, then mains on and the window awaited."""
        scenario = self._scenario
        yield from self._knobs({"s/div": ROLL_S_DIV, "V/div 1": scenario.scope_v_div, "coupling 1": "DC"})
        yield Answer()
        yield Wait(ROLLED_S)
        yield from self._mode(scenario.scope_mode, scenario.scope_mode)
        yield from self._say("condition", scenario.condition)
        yield Wait(PLUG_IN_S)
        self._on = True
        yield Hand({"do": "power", "on": True})
        yield Wait(CAPTURE_S)

    def _mode(self, said: str, real: str) -> Iterator[Action]:
        if real != self._real_mode:
            self._real_mode = real
            yield Hand({"do": "mode", "mode": real})
        yield from self._say("mode", said)

    # ---- one line

    def _line(self, index: int, line: LogLine) -> Iterator[Action]:
        yield Pause(max(line.t_s - self._log_s, 0.0))
        self._log_s = line.t_s
        yield from self._prepare(line)
        yield from self._measure(index, line)
        if line.really != line.mode:
            yield from self._mode(line.mode, line.mode)
        if line.trap == "METER_FUNCTION":
            yield from self._turn_function("dc_v")
        yield from (Say(command) for command in line.after)
        yield from (Strike(wrong, self._scenario.log[wrong].trap) for wrong in line.strikes)

    def _prepare(self, line: LogLine) -> Iterator[Action]:
        """Power and stage as the line needs them; its notes, said before the reading they explain."""
        if (line.stage or not line.powered) and self._on:
            yield from self._off()
            yield Wait(DISCHARGE_S)
        if line.stage:
            yield Hand({"do": "stage", "stage": line.stage})
        yield from (Say(command) for command in line.before)
        if line.powered and not self._on:
            yield from self._switch_on()
        if line.powered:
            yield from self._mode(line.mode, line.really)
        yield Answer()

    def _measure(self, index: int, line: LogLine) -> Iterator[Action]:
        scope = line.function == "scope"
        probe = "scope B" if scope else "red"
        leg = {"leg": line.leg} if line.leg else {}
        mark = Say({"command": "point", "probe": probe, "point": line.point, **leg})
        beside = self._beside(line)
        touch = list(self._fingers.land(probe, line.touches, beside))
        marked_first = not scope and line.function in _VOLTS
        yield from self._scope_knobs(line) if scope else self._turn_function(_meter_function(line))
        # A scope's lead, and an open path on ohms, read in the air as on a point: the word comes after the landing.
        yield from (mark, *touch) if marked_first else (*touch, mark)
        most_s = self._fingers.patience_s + (MOST_SCOPE_HOLD_S if scope else MOST_HOLD_S)
        yield Hold(index, probe, ENOUGH_TRACES if scope else ENOUGH, most_s)
        yield from self._fingers.linger(probe, line.touches, beside)
        if not marked_first:
            yield Say({"command": "point", "probe": probe, "point": ""})
        yield Hand({"do": "lift", "probe": probe})

    def _beside(self, line: LogLine) -> list[str]:
        """What a tip that slips lands on: with the power on another net; a scope's marks alone bound its stays."""
        if line.function not in _VOLTS or not line.powered:
            return []
        nets = self._scenario.nets.values()
        return [net.name for net in nets if net.between is None and net.name != line.touches]

    # ---- small things

    def _clip_on(self, probe: str, point: str) -> Iterator[Action]:
        yield Say({"command": "point", "probe": probe, "point": point})
        yield Hand({"do": "touch", "probe": probe, "thing": point})

    def _say(self, command: str, value: str) -> Iterator[Action]:
        if self._said.get(command) != value:
            self._said[command] = value
            yield Say({"command": command, command: value})

    def _turn_function(self, function: str) -> Iterator[Action]:
        if function != self._function:
            self._function = function
            yield Hand({"do": "knob", "instrument": "meter", "knob": "function", "position": function})

    def _scope_knobs(self, line: LogLine) -> Iterator[Action]:
        fast = self._scenario.nets[line.touches].oscillation_hz > 0
        yield from self._knobs(
            {
                "s/div": _OSCILLATION_S_DIV if fast else _RIPPLE_S_DIV,
                "V/div 2": v_div_for(line.value or 0.0),
                "coupling 2": "AC",
            }
        )

    def _knobs(self, positions: Mapping[str, float | str]) -> Iterator[Action]:
        for knob, position in positions.items():
            yield Hand({"do": "knob", "instrument": "scope", "knob": knob, "position": position})


def _meter_function(line: LogLine) -> str:
    return "dc_v" if line.function == "across" else line.function


def v_div_for(peak_to_peak_v: float) -> float:
    """The most sensitive 1-2-5 step at which ``peak_to_peak_v`` cannot clip, even if all of it lies on one side."""
    return next((step for step in _STEPS_V if 3.8 * step >= peak_to_peak_v), _STEPS_V[-1])
