"""The unit on the bench, with probes on it: hands change it, instruments look at it."""

import threading
from collections import Counter
from dataclasses import replace
from typing import Any

import numpy as np

from simulated_instruments.clock import Clock
from simulated_instruments.unit.contact import Bridged, Drifting
from simulated_instruments.unit.mains import Mains, supply_current_a
from simulated_instruments.unit.nets import Across, NetHistory, Samples, Source, State, Steady
from simulated_instruments.unit.panel import DEFAULTS, Panels, Position
from simulated_instruments.unit.probes import Probe
from simulated_instruments.unit.scenario import STAGES, Scenario

PROBES = {"red": False, "clip": False, "scope A": True, "scope B": True}  # True: a scope's fast input
ZERO = "0 V"
CHARGED_V = 0.05  # more than this across the leads and an ohmmeter overloads
PLAIN_OHM = 8200.0  # in circuit to 0 V, where a scenario lists nothing
COUPLING_TAU_S = 0.03  # the scope's AC coupling, about 5 Hz
_GRID_S = 0.001


class Unit:
    """One scenario's unit. Every method is one step under one lock; times are the clock's seconds."""

    def __init__(self, scenario: Scenario, clock: Clock, seed: int = 1) -> None:
        self.scenario = scenario
        self.panels = Panels()
        self.sent: dict[str, Counter[str]] = {name: Counter() for name in DEFAULTS}
        self.absent: set[str] = set()
        self.lock = threading.RLock()
        self._clock = clock
        self._mains = Mains(scenario.bench_mains_v, seed)
        self.state = State(mode=scenario.modes[0])
        self._switched_on_s = 0.0
        self._sources: dict[str, Source] = {ZERO: Steady()}
        self._histories: list[NetHistory] = []
        self._add_nets()
        self.probes = {name: Probe(name, fast, seed) for name, fast in PROBES.items()}

    def _add_nets(self) -> None:
        for name, net in self.scenario.nets.items():
            if net.between is None:
                history = NetHistory(self.scenario, net, self._mains)
                self._histories.append(history)
                self._sources[name] = history
        for name, net in self.scenario.nets.items():
            if net.between is not None:
                self._sources[name] = Across(*(self._sources[leg] for leg in net.between))

    def now_s(self) -> float:
        """The bench's time."""
        return self._clock.now_s()

    # ---- hands

    def touch(self, probe: str, thing: str, away: float = 0.0, tau_s: float = 0.0) -> None:
        """Put a probe on a net, a part ("R703") or a fixture. Raises ``ValueError`` if there is no such thing.

        With ``tau_s`` it is a capacitor that comes from ``away`` (a share of its volts) beside its own value.
        """
        source = self._source(thing)
        if tau_s > 0:
            source = Drifting(source, self.now_s(), away, tau_s)
        self._probe(probe).move(self.now_s(), thing, source)

    def bridge(self, probe: str, thing: str, other: str) -> None:
        """Put a probe on two things at once. Raises ``ValueError`` if there is no such thing."""
        self._probe(probe).move(self.now_s(), thing, Bridged(self._source(thing), self._source(other)))

    def lift(self, probe: str) -> None:
        """Take a probe off."""
        self._probe(probe).move(self.now_s(), None, None)

    def turn_mode(self, mode: str) -> None:
        """Turn the unit's own selector."""
        if mode not in self.scenario.modes:
            raise ValueError(f"no mode is called {mode!r}; there are {', '.join(self.scenario.modes)}")
        self._become(replace(self.state, mode=mode))

    def turn_power(self, on: bool) -> None:
        """The unit's mains switch."""
        self._become(replace(self.state, on=on))

    def set_stage(self, stage: str) -> None:
        """What has been done about the fault: faulty, proof, repaired."""
        if stage not in STAGES:
            raise ValueError(f"no stage is called {stage!r}; there are {', '.join(STAGES)}")
        self._become(replace(self.state, stage=stage))

    def turn_knob(self, instrument: str, knob: str, position: Position, by_hand: bool = True) -> None:
        """Turn an instrument's knob, by hand or by its own remote control."""
        self.panels.turn(self.now_s(), instrument, knob, position, by_hand)

    def _become(self, state: State) -> None:
        if state == self.state:
            return
        now_s = self.now_s()
        for history in self._histories:
            history.change(now_s, self.state, state)
        if state.on and not self.state.on:
            self._switched_on_s = now_s
        self.state = state

    # ---- what instruments see

    def probe_values(self, probe: str, t_s: float) -> dict[str, Any]:
        """What a meter's probe shows at ``t_s``: volts, ripple, ohms and farads (None: open or overload)."""
        stay = self._probe(probe).at(t_s)
        thing = stay.thing if stay else None
        volts = float(self._probe(probe).slow(np.array([t_s]))[0])
        ripple = stay.source.ripple_vpp(t_s) if stay and stay.source else 0.0
        return {
            "floating": thing is None,
            "volts": volts,
            "ripple_vpp": ripple,
            "ohm": self._ohm(thing, t_s),
            "farad": self._farad(thing, t_s),
        }

    def samples(self, probe: str, first: int, count: int, dt_s: float, ac: bool) -> Samples:
        """A scope input's volts at ``(first + i) * dt_s`` seconds, AC-coupled if asked for."""
        times = np.asarray((first + np.arange(count)) * dt_s, dtype=np.float64)
        lead = self._probe(probe)
        volts = lead.slow(times) + lead.fast(times)
        return volts - self._held_back(lead, times) if ac else volts

    def supply(self, t_s: float) -> tuple[float, float]:
        """(mains volts, supply amperes) at ``t_s``."""
        state = self.state
        current = 0.0
        if state.on and t_s >= self._switched_on_s:
            steady = self.scenario.current_a[state.values] * self._mains.factor(t_s)
            current = supply_current_a(steady, self.scenario.inrush, t_s - self._switched_on_s)
        return self._mains.volts(t_s), current

    def _held_back(self, lead: Probe, times: Samples) -> Samples:
        """What a coupling capacitor holds back: the slow part through a first-order low-pass."""
        grid = np.arange(times[0] - 10 * COUPLING_TAU_S, times[-1] + _GRID_S, _GRID_S)
        share = 1 - np.exp(-_GRID_S / COUPLING_TAU_S)
        held, level = [], None
        for volts in lead.slow(grid).tolist():
            level = volts if level is None else level + share * (volts - level)
            held.append(level)
        return np.asarray(np.interp(times, grid, held))

    def _ohm(self, thing: str | None, t_s: float) -> float | None:
        fixture = self.scenario.fixtures.get(thing or "")
        if thing is None or self._charged(fixture.net if fixture else thing, t_s):
            return None
        if thing == ZERO:
            return 0.05
        return fixture.ohm.get(self.state.values) if fixture else PLAIN_OHM

    def _farad(self, thing: str | None, t_s: float) -> float | None:
        fixture = self.scenario.fixtures.get(thing or "")
        if fixture is None or self._charged(fixture.net, t_s):
            return None
        return fixture.farad.get(self.state.values)

    def _charged(self, net: str | None, t_s: float) -> bool:
        return net is not None and abs(float(self._source(net).slow(np.array([t_s]))[0])) > CHARGED_V

    def _source(self, thing: str) -> Source:
        fixture = self.scenario.fixtures.get(thing)
        if fixture is not None:
            return Steady(fixture.volts.get(self.state.values, 0.0))
        if thing not in self._sources:
            names = ", ".join([*self._sources, *self.scenario.fixtures])
            raise ValueError(f"there is nothing called {thing!r} to touch; there are {names}")
        return self._sources[thing]

    def _probe(self, name: str) -> Probe:
        if name not in self.probes:
            raise ValueError(f"no probe is called {name!r}; there are {', '.join(self.probes)}")
        return self.probes[name]
