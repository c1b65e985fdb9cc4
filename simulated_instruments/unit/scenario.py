"""A scenario's files as values: nets, fixtures, switch-on waveforms and the probe log.

Each scenario is a folder in ``simulated_instruments/units`` with ``scenario.json``, a drawing,
waveforms (``t_s`` from switch-on, then volts) and a healthy capture of an earlier unit.
"""

import csv
import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Any

HOME = Path(__file__).resolve().parent.parent / "units"
NAMES = {"S1": "amplifier", "S2": "mixer", "S4": "cassette"}
STAGES = {"faulty": "faulty", "proof": "healthy", "repaired": "healthy"}  # stage -> whose values hold


@dataclass(frozen=True, slots=True)
class Net:
    """One net: volts by state ("faulty", "healthy") and mode, at the bench's own mains.

    ``between`` makes it the difference of two other nets instead. ``wave`` gives by state the
    (file, column) of its switch-on waveform, valid in ``wave_modes``.
    """

    name: str
    volts: Mapping[str, Mapping[str, float]] = field(default_factory=dict)
    follows_mains: bool = False
    ripple_vpp: Mapping[str, float] = field(default_factory=dict)
    oscillation_hz: float = 0.0
    oscillation_vpp: float = 0.0
    wave: Mapping[str, tuple[str, str]] = field(default_factory=dict)
    wave_modes: tuple[str, ...] = ()
    between: tuple[str, str] | None = None
    fall_s: float = 0.4


@dataclass(frozen=True, slots=True)
class Fixture:
    """Something probed that is no net of the powered unit: a lifted part, or two legs with power off.

    By state: ohms and farads (None = open), and volts where a test voltage is applied from
    outside. ``net`` is the net whose leftover charge disturbs an ohmmeter.
    """

    name: str
    ohm: Mapping[str, float | None] = field(default_factory=dict)
    farad: Mapping[str, float | None] = field(default_factory=dict)
    volts: Mapping[str, float] = field(default_factory=dict)
    net: str | None = None


@dataclass(frozen=True, slots=True)
class LogLine:
    """One line of the probe log. ``mode`` and ``point`` are what is tagged; ``really`` and ``touches`` the truth.

    ``value`` is in SI units, None for an open or overload; ``at_most`` says that it is an upper
    limit. ``stage``, when set, is what the unit becomes (power off) before this line; ``before``
    and ``after`` are marks said to the daemon; ``strikes`` are earlier lines (index) found wrong now.
    """

    t_s: float
    mode: str
    really: str
    condition: str
    function: str
    point: str
    leg: str
    touches: str
    value: float | None
    at_most: bool
    unit: str
    trap: str
    remark: str
    stage: str
    before: tuple[Mapping[str, Any], ...]
    after: tuple[Mapping[str, Any], ...]
    strikes: tuple[int, ...]

    @property
    def powered(self) -> bool:
        """Whether the unit is on for this line."""
        return self.condition != "off"


@dataclass(frozen=True, slots=True)
class Scenario:
    """Everything about one unit and its repair."""

    id: str
    name: str
    folder: Path
    unit: str
    serial: str
    protection: str
    rated_mains_v: float
    bench_mains_v: float
    modes: tuple[str, ...]
    condition: str
    complaint: str
    true_fault: str
    scope_point: str
    scope_v_div: float
    scope_mode: str
    clip_point: str
    current_a: Mapping[str, float]
    inrush: float
    nets: Mapping[str, Net]
    fixtures: Mapping[str, Fixture]
    log: tuple[LogLine, ...]

    @property
    def drawing(self) -> Path:
        """The unit's drawing file."""
        return self.folder / "drawing.toml"

    @property
    def reference(self) -> Path:
        """An earlier healthy unit's capture at the scope's point."""
        return self.folder / "reference.csv"

    def wave(self, net: str, state: str) -> tuple[list[float], list[float]]:
        """(seconds from switch-on, volts) of a net that has a waveform."""
        file, column = self.nets[net].wave[state]
        return read_wave(self.folder / file, column)


def read_wave(path: Path, column: str) -> tuple[list[float], list[float]]:
    """``t_s`` and one other column of a waveform file."""
    with path.open(newline="") as lines:
        rows = list(csv.DictReader(lines))
    return [float(row["t_s"]) for row in rows], [float(row[column]) for row in rows]


def _net(name: str, given: Mapping[str, Any]) -> Net:
    ready = dict(given)
    if "wave" in ready:
        ready["wave"] = {state: (file, column) for state, (file, column) in ready["wave"].items()}
    for key in ("wave_modes", "between"):
        if key in ready:
            ready[key] = tuple(ready[key])
    return Net(name=name, **ready)


def _line(given: Mapping[str, Any]) -> LogLine:
    defaults = {"really": given["mode"], "at_most": False, "trap": "", "remark": "", "stage": ""}
    defaults["leg"] = "across" if given["function"] == "across" else ""
    lists = {key: tuple(given.get(key, ())) for key in ("before", "after", "strikes")}
    return LogLine(**{**defaults, **given, **lists})


@cache
def load(name: str) -> Scenario:
    """The scenario called ``mixer``, ``S2``... in any case. Raises ``ValueError`` naming those there are."""
    known = {**{key.lower(): value for key, value in NAMES.items()}, **{v: v for v in NAMES.values()}}
    if name.lower() not in known:
        raise ValueError(f"no scenario is called {name!r}; there are {', '.join(sorted(known))}")
    folder = HOME / known[name.lower()]
    given = json.loads((folder / "scenario.json").read_text(encoding="utf-8"))
    given["nets"] = {key: _net(key, net) for key, net in given["nets"].items()}
    given["fixtures"] = {key: Fixture(name=key, **fixture) for key, fixture in given["fixtures"].items()}
    given["log"] = tuple(_line(line) for line in given["log"])
    given["modes"] = tuple(given["modes"])
    return Scenario(name=folder.name, folder=folder, **given)
