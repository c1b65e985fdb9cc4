"""A daemon's two doors with an invented cassette-deck repair behind them, for the page tests.

The server, the guard and the command language are the daemon's own; only what stands behind
them is made up here. Invented data: no unit like this was measured.
"""

import copy
import json
import math
from typing import Any

import numpy as np

from daemon.commands import Door
from daemon.feed import Feed, Frame, text_frame, trace_frame
from daemon.guard import new_token
from daemon.server import Server, make_app
from drivers.clock import SystemClock
from drivers.readings import Flag, Trace

START_US = 1_772_359_200_000_000
PRINTED = {
    ("B12", ""): {"STOP": 12.0, "PLAY": 12.0, "REC PAUSE": 12.0},
    ("PBV", "S301g PLAY contact"): {"STOP": 0.0, "PLAY": 12.0, "REC PAUSE": 0.0},
    ("PBD", "C301+"): {"STOP": 0.0, "PLAY": 10.6, "REC PAUSE": 0.0},
    ("Q302", "C"): {"STOP": 0.0, "PLAY": 6.54, "REC PAUSE": 0.0},
    ("Q302", "E"): {"STOP": 0.0, "PLAY": 0.63, "REC PAUSE": 0.0},
    ("RECV", "S301g REC contact"): {"STOP": 0.0, "PLAY": 0.0, "REC PAUSE": 12.0},
    ("HT", "display"): {"STOP": 72.0, "PLAY": 72.0, "REC PAUSE": 72.0},
}
SERIES = (
    (1, "bench meter", "", "dc_v", "V", "1"),
    (2, "second meter", "", "dc_v", "V", "2"),
    (3, "clamp", "", "current_a", "A", None),
    (4, "clamp", "", "mains_v", "V", None),
)
CAUTIONS = (
    ("class", "opening a job", "answer", "Is this unit earthed (3 wires) or double-insulated (2 wires)?"),
    ("first power", "first switch-on", "confirm", "One hand. Cover off: mains inside."),
    ("scope clip", "scope added to a unit", "confirm", "The scope clip is earth. Only on 0 V of an isolated unit."),
    ("isolation", "isolation transformer in line", "show", "Isolation does not make it safe to touch two points."),
    ("always", "always", "show", "The program does not know whether the point is safe."),
)


def _probe(name: str, instrument: str, point: str, leg: str, value: float) -> dict[str, Any]:
    return {
        "probe": name,
        "instrument": instrument,
        "channel": "",
        "quantity": "dc_v",
        "unit": "V",
        "point": point,
        "leg": leg,
        "state": "settled",
        "value": value,
        "flags": "",
        "t_us": START_US,
        "placement": 1,
        "settled": {"value": value, "uncertainty": 0.004, "count": 12, "t_us": START_US},
        "judgement": None,
        "above_touch_limit": False,
        "walk": None,
    }


def _instrument(name: str, kind: str, resource: str) -> dict[str, Any]:
    return {
        "name": name,
        "kind": kind,
        "resource": resource,
        "identity": "simulated",
        "status": "ok",
        "why": "",
        "last_t_us": START_US,
        "poll_s": 600.0,  # so that nothing grows stale while a test is slow
    }


def _cautions() -> list[dict[str, Any]]:
    keys = ("id", "where", "kind", "text")
    return [dict(zip(keys, row, strict=True)) | {"confirmed": False, "due": row[0] == "always"} for row in CAUTIONS]


def sample_state() -> dict[str, Any]:
    """A repair in full swing: two probes, a suspicion, one objection, nothing amiss with the bench."""
    return {
        "now_us": START_US,
        "session": {"path": None, "name": "deck", "started_us": START_US, "references": 1},
        "unit": {
            "unit": "cassette deck",
            "serial": "0417",
            "protection": "double-insulated",
            "rated_mains_v": 230.0,
            "drawing": "cassette deck",
        },
        "context": {
            "mode": "PLAY",
            "condition": "isolation transformer",
            "hypothesis": "mode switch stuck",
            "power": "on",
            "mains_v": 235.2,
        },
        "modes": ["STOP", "PLAY", "REC PAUSE"],
        "points": [
            {"name": name, "leg": leg, "printed_v": printed, "ripple_vpp": None, "follows_mains": False}
            for (name, leg), printed in PRINTED.items()
        ],
        "conditions": ["isolation transformer", "series lamp 60 W", "variable transformer 90 V", "direct"],
        "probes": [
            _probe("1", "bench meter", "Q302", "C", 0.0004),
            _probe("2", "second meter", "B12", "", 11.99),
        ],
        "instruments": [
            _instrument("bench meter", "meter", "TCPIP::127.0.0.1::5025::SOCKET"),
            _instrument("second meter", "meter", "ASRL/dev/pts/5::INSTR"),
            _instrument("scope", "scope", "TCPIP::127.0.0.1::5026::SOCKET"),
            _instrument("clamp", "supply", "TCPIP::127.0.0.1::5027::SOCKET"),
        ],
        "series": [
            dict(zip(("id", "instrument", "channel", "quantity", "unit", "probe"), row, strict=True)) for row in SERIES
        ],
        "hypotheses": [
            {"hypothesis": "mode switch stuck", "kill": "RECV reads 0 V in PLAY", "state": "open", "t_us": START_US},
            {"hypothesis": "R301 open", "kill": "PBV is missing too", "state": "dropped", "t_us": START_US},
        ],
        "cautions": _cautions(),
        "switch_ons": [],
        "objections": [
            {
                "t_us": START_US,
                "placement": 3,
                "kind": "contradiction",
                "text": "PBV in PLAY read 0 V at 10:02 and reads 11.99 V now: one of the two was not on the point.",
            }
        ],
        "watch": {"watching": True, "why": "The clamp tells when the unit draws current."},
        "storing": {"ok": True, "why": ""},
    }


def judged(verdict: str, expected: float, compared: str) -> dict[str, Any]:
    """A judgement with a tenth of ``expected`` either side, volts."""
    room = max(abs(expected) * 0.1, 0.05)
    return {
        "verdict": verdict,
        "expected": expected,
        "low": expected - room,
        "high": expected + room,
        "chance_inside": 0.5,
        "compared_with": compared,
    }


class SampleBench:
    """The two doors of a daemon; tests turn what is behind them."""

    def __init__(self, port: int = 0, token: str | None = None) -> None:
        self.state = sample_state()
        self.said: list[dict[str, Any]] = []
        self.said_by: list[str] = []
        self.refuse: Any = None
        self._clock = SystemClock()
        self._feed = Feed()
        token = token or new_token()
        self._server = Server(make_app(self._execute, self._state_text, self._feed, token), port)
        self.door = Door(self._server.port, token)

    def start(self) -> None:
        self._server.start()

    def stop(self) -> None:
        self._server.stop()

    def now_us(self) -> int:
        return self._clock.now_us()

    def _state_text(self) -> str:
        now = self.now_us()
        state = copy.deepcopy(self.state) | {"now_us": now}
        for instrument in state["instruments"]:
            if instrument["last_t_us"] == START_US:
                instrument["last_t_us"] = now
        return json.dumps(state)

    def send(self, frame: Frame) -> None:
        """Push any frame."""
        self._feed.send(frame)

    def tell_state(self) -> None:
        """Push the state as it is now."""
        self.send('{"kind":"state","state":' + self._state_text() + "}")

    def change(self, **parts: Any) -> None:
        """Replace whole parts of the state and push it."""
        self.state.update(parts)
        self.tell_state()

    def read(self, series: int, value: float | None, flags: int = 0, t_us: int | None = None) -> None:
        """One reading of a series, pushed as the daemon would."""
        t_us = t_us or self.now_us()
        self._feed.send(text_frame({"kind": "readings", "series": {str(series): [[t_us, value, flags]]}}))
        for probe in self.state["probes"]:
            if series == next(row[0] for row in SERIES if row[5] == probe["probe"]):
                probe.update(value=value, flags=Flag(flags).words, t_us=t_us)
        for instrument in self.state["instruments"]:
            instrument["last_t_us"] = t_us

    def history(self, seconds: float = 100.0) -> None:
        """Readings of the last ``seconds``: four series, a probe that moves, noise."""
        now, noise = self.now_us(), np.random.default_rng(7)
        steps = round(seconds * 5)
        rows: dict[str, list[list[float]]] = {str(row[0]): [] for row in SERIES}
        for n in range(steps):
            t_us = now - (steps - n) * 200_000
            stay = (n // 100) % 3
            level = (11.99, 0.0004, 6.52)[stay] * (1 - math.exp(-(n % 100) / 4))
            values = (level, 11.99, 0.061 + 0.002 * (stay == 1), 235.2)
            for (number, value), sd in zip(enumerate(values, 1), (0.003, 0.002, 0.0004, 0.2), strict=True):
                rows[str(number)].append([t_us, value + float(noise.normal(0, sd)), 0])
        self._feed.send(text_frame({"kind": "readings", "series": rows}))

    def scope(self, channel: str, peak_v: float, hum_v: float = 0.0) -> None:
        """One trace of one channel: 0.2 s of hum and a decaying peak."""
        t_s = np.arange(2000) / 10_000
        volts = peak_v * np.exp(-t_s / 0.04) + hum_v * np.sin(2 * np.pi * 50 * t_s)
        codes = np.round(volts / 0.01).astype(np.int16)
        self._feed.send(trace_frame("scope", Trace(self.now_us(), 1e-4, codes, 0.01, 0.0, channel)))

    def _execute(self, command: dict[str, Any], by: str) -> dict[str, Any]:
        if self.refuse is not None:
            raise self.refuse
        self.said.append(command)
        self.said_by.append(by)
        _CARRY_OUT.get(command["command"], _nothing)(self.state, command)
        self.tell_state()
        return {"done": f"{command['command']} is kept.", "id": None}


def _nothing(state: dict[str, Any], command: dict[str, Any]) -> None:
    pass


def _point(state: dict[str, Any], command: dict[str, Any]) -> None:
    name = command.get("probe", state["probes"][0]["probe"])
    probe = next(probe for probe in state["probes"] if probe["probe"] == name)
    probe.update(
        point=command["point"], leg=command.get("leg", ""), state="floating", settled=None, judgement=None,
        placement=(probe["placement"] or 0) + 1,
    )


def _context(state: dict[str, Any], command: dict[str, Any]) -> None:
    name = command["command"]
    if "state" in command and name == "hypothesis":
        for row in state["hypotheses"]:
            if row["hypothesis"] == command["hypothesis"]:
                row["state"] = command["state"]
        return
    state["context"][name] = command["state" if name == "power" else name]


def _confirm(state: dict[str, Any], command: dict[str, Any]) -> None:
    for caution in state["cautions"]:
        if caution["id"] == command["caution"]:
            caution.update(confirmed=True, due=False)


_CARRY_OUT = {
    "point": _point,
    "mode": _context,
    "condition": _context,
    "hypothesis": _context,
    "power": _context,
    "confirm": _confirm,
}
