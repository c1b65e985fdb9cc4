"""The front panels: which knobs each instrument has, and where they stand when it is switched on.

Knobs live in the unit's process because the technician's hands do; the instruments look there.
"""

from collections.abc import Mapping

Position = float | str | bool

_METER: Mapping[str, Position] = {"function": "dc_v", "range": "auto", "locked": False}
DEFAULTS: Mapping[str, Mapping[str, Position]] = {
    "meter": _METER,
    "clip meter": _METER,
    "scope": {
        "s/div": 0.5,
        "V/div 1": 5.0,
        "V/div 2": 5.0,
        "coupling 1": "DC",
        "coupling 2": "DC",
        "running": True,
        "locked": False,
    },
    "generator": {"output": False, "frequency_hz": 1000.0, "level_dbm": -40.0, "locked": False},
    "supply monitor": {"locked": False},
}
FUNCTIONS = (
    "dc_v", "ac_v", "dc_a", "ac_a", "ohm", "ohm_4w", "continuity_ohm",
    "diode_v", "frequency_hz", "period_s", "capacitance_f",
)  # fmt: skip


class Panels:
    """All knobs, with the time at which each instrument's were last turned."""

    def __init__(self) -> None:
        self._knobs = {name: dict(knobs) for name, knobs in DEFAULTS.items()}
        self._turned_s = dict.fromkeys(DEFAULTS, 0.0)

    def knobs(self, instrument: str) -> dict[str, Position]:
        """Where an instrument's knobs stand. Raises ``ValueError`` for an unknown instrument."""
        if instrument not in self._knobs:
            raise ValueError(f"no instrument is called {instrument!r}; there are {', '.join(self._knobs)}")
        return self._knobs[instrument]

    def turned_s(self, instrument: str) -> float:
        """When one of them last moved."""
        return self._turned_s[instrument]

    def turn(self, t_s: float, instrument: str, knob: str, position: Position, by_hand: bool) -> None:
        """Turn a knob. Raises ``ValueError`` when there is none, or the panel is locked against hands."""
        knobs = self.knobs(instrument)
        if knob not in knobs:
            raise ValueError(f"{instrument} has no knob {knob!r}; it has {', '.join(knobs)}")
        if by_hand and knobs["locked"]:
            raise ValueError(f"the front panel of {instrument} is locked by remote control")
        if knob == "function" and position not in FUNCTIONS:
            raise ValueError(f"{instrument} has no function {position!r}; it has {', '.join(FUNCTIONS)}")
        if isinstance(knobs[knob], float) and type(position) is int:
            position = float(position)
        if type(position) is not type(knobs[knob]) and knob != "range":
            raise ValueError(f"{knob} of {instrument} takes a {type(knobs[knob]).__name__}")
        if knobs[knob] != position:
            knobs[knob] = position
            if knob not in ("locked", "running"):
                self._turned_s[instrument] = t_s
