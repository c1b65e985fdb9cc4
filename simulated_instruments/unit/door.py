"""The door to the unit: one JSON object a line each way, over a loopback socket.

Hands: ``{"do": "touch", "probe", "thing", "away"?, "tau_s"?}``, ``bridge`` (with ``other``), ``lift``,
``mode``, ``power`` (``on``), ``stage``, ``knob`` (``instrument``, ``knob``, ``position``),
``vanish`` and ``come back`` (``instrument``).
Instruments: ``{"ask": "probe" | "samples" | "supply" | "panel"}``, ``{"do": "remote knob"}``,
``{"do": "sent"}``. Anybody: ``{"ask": "state"}``, ``{"ask": "counts"}``.
Answers carry ``ok``; a refusal has ``error``, a sentence.
"""

import base64
import json
import socketserver
import threading
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from typing import Any

import numpy as np

from simulated_instruments.unit.unit import Unit

Request = Mapping[str, Any]
Reply = dict[str, Any]


def _touch(unit: Unit, request: Request) -> Reply:
    unit.touch(request["probe"], request["thing"], request.get("away", 0.0), request.get("tau_s", 0.0))
    return {}


def _bridge(unit: Unit, request: Request) -> Reply:
    unit.bridge(request["probe"], request["thing"], request["other"])
    return {}


def _lift(unit: Unit, request: Request) -> Reply:
    unit.lift(request["probe"])
    return {}


def _mode(unit: Unit, request: Request) -> Reply:
    unit.turn_mode(request["mode"])
    return {}


def _power(unit: Unit, request: Request) -> Reply:
    unit.turn_power(bool(request["on"]))
    return {}


def _stage(unit: Unit, request: Request) -> Reply:
    unit.set_stage(request["stage"])
    return {}


def _knob(unit: Unit, request: Request) -> Reply:
    unit.turn_knob(request["instrument"], request["knob"], request["position"])
    return {}


def _remote_knob(unit: Unit, request: Request) -> Reply:
    unit.turn_knob(request["instrument"], request["knob"], request["position"], by_hand=False)
    return {}


def _vanish(unit: Unit, request: Request) -> Reply:
    unit.panels.knobs(request["instrument"])
    unit.absent.add(request["instrument"])
    return {}


def _come_back(unit: Unit, request: Request) -> Reply:
    unit.absent.discard(request["instrument"])
    return {}


def _sent(unit: Unit, request: Request) -> Reply:
    unit.panels.knobs(request["instrument"])
    unit.sent[request["instrument"]].update(request["series"])
    return {}


def _probe(unit: Unit, request: Request) -> Reply:
    return unit.probe_values(request["probe"], request["t_s"])


def _samples(unit: Unit, request: Request) -> Reply:
    which = (request["probe"], request["first"], request["count"], request["dt_s"], request["ac"])
    volts = unit.samples(*which).astype(np.float32)
    return {"float32": base64.b64encode(volts.tobytes()).decode()}


def _supply(unit: Unit, request: Request) -> Reply:
    mains_v, current_a = unit.supply(request["t_s"])
    return {"mains_v": mains_v, "current_a": current_a}


def _panel(unit: Unit, request: Request) -> Reply:
    name = request["instrument"]
    return {
        "knobs": unit.panels.knobs(name),
        "turned_s": unit.panels.turned_s(name),
        "present": name not in unit.absent,
    }


def _state(unit: Unit, request: Request) -> Reply:
    state = unit.state
    probes = {name: probe.thing for name, probe in unit.probes.items()}
    return {"mode": state.mode, "on": state.on, "stage": state.stage, "probes": probes, "now_s": unit.now_s()}


def _counts(unit: Unit, request: Request) -> Reply:
    return {"counts": {name: dict(series) for name, series in unit.sent.items()}}


_HANDLERS: Mapping[tuple[str, str], Callable[[Unit, Request], Reply]] = {
    ("do", "touch"): _touch,
    ("do", "bridge"): _bridge,
    ("do", "lift"): _lift,
    ("do", "mode"): _mode,
    ("do", "power"): _power,
    ("do", "stage"): _stage,
    ("do", "knob"): _knob,
    ("do", "remote knob"): _remote_knob,
    ("do", "vanish"): _vanish,
    ("do", "come back"): _come_back,
    ("do", "sent"): _sent,
    ("ask", "probe"): _probe,
    ("ask", "samples"): _samples,
    ("ask", "supply"): _supply,
    ("ask", "panel"): _panel,
    ("ask", "state"): _state,
    ("ask", "counts"): _counts,
}


def handle(unit: Unit, request: Request) -> Reply:
    """One request carried out; never raises."""
    verb = "do" if "do" in request else "ask"
    handler = _HANDLERS.get((verb, str(request.get(verb))))
    if handler is None:
        return {"ok": False, "error": f"the door does not know {verb} {request.get(verb)!r}"}
    try:
        with unit.lock:
            return {"ok": True, **handler(unit, request)}
    except KeyError as missing:
        return {"ok": False, "error": f"{verb} {request[verb]} needs {missing}"}
    except (ValueError, TypeError) as wrong:
        return {"ok": False, "error": str(wrong)}


def handle_line(unit: Unit, line: bytes) -> bytes:
    """One line of JSON in, one out."""
    try:
        request = json.loads(line)
    except ValueError as wrong:
        return json.dumps({"ok": False, "error": f"not JSON: {wrong}"}).encode() + b"\n"
    if not isinstance(request, dict):
        return b'{"ok": false, "error": "not a JSON object"}\n'
    return json.dumps(handle(unit, request)).encode() + b"\n"


class _Server(socketserver.ThreadingTCPServer):
    daemon_threads = True
    allow_reuse_address = True
    unit: Unit


class _Caller(socketserver.StreamRequestHandler):
    disable_nagle_algorithm = True
    wbufsize = -1

    def handle(self) -> None:
        """Serve one caller until it hangs up."""
        server = self.server
        assert isinstance(server, _Server)
        try:
            for line in self.rfile:
                self.wfile.write(handle_line(server.unit, line))
                self.wfile.flush()
        except OSError:
            return


@contextmanager
def serve_unit(unit: Unit, port: int = 0) -> Iterator[tuple[str, int]]:
    """Serve a unit in threads; gives (host, port) and closes at the end."""
    with _Server(("127.0.0.1", port), _Caller) as server:
        server.unit = unit
        thread = threading.Thread(target=server.serve_forever, args=(0.05,), daemon=True)
        thread.start()
        try:
            yield "127.0.0.1", int(server.server_address[1])
        finally:
            server.shutdown()
            thread.join()
