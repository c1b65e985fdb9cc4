"""A kept session of the invented cassette-deck repair, written by the store itself."""

from pathlib import Path

import numpy as np

from daemon.store.writer import SessionWriter
from drivers.clock import HandClock
from drivers.readings import Quantity, Trace
from tests.dashboard.sample_bench import judged

# Probe, point, leg, mode, value in volts, verdict, printed volts, struck.
STAYS = (
    ("1", "B12", "", "STOP", 11.99, "inside", 12.0, False),
    ("1", "PBV", "S301g PLAY contact", "STOP", 0.001, "inside", 0.0, False),
    ("1", "PBV", "S301g PLAY contact", "PLAY", 0.002, "outside", 12.0, False),
    ("1", "Q302", "C", "PLAY", 0.0004, "outside", 6.54, False),
    ("1", "PBV", "S301g PLAY contact", "PLAY", 11.99, "inside", 12.0, True),
    ("1", "RECV", "S301g REC contact", "PLAY", 11.98, "outside", 0.0, False),
    ("2", "B12", "", "PLAY", 11.99, "inside", 12.0, False),
)
STAY_S = 18.0


def write_sample_session(path: Path, close: bool = True, start_us: int = 1_772_359_200_000_000) -> SessionWriter:
    """Write the repair to ``path``; the writer comes back open when ``close`` is False."""
    clock = HandClock(start_us)
    writer = SessionWriter.create(
        path, clock, {"unit": "cassette deck", "serial": "0417", "protection": "double-insulated"}
    )
    writer.add_event(clock.now_us(), "session opened", "Session opened for a cassette deck.")
    writer.set_context("condition", "isolation transformer", clock.now_us())
    writer.set_context("hypothesis", "mode switch stuck", clock.now_us())
    _switch_on(writer, clock)
    for stay in STAYS:
        _stay(writer, clock, *stay)
    writer.add_event(clock.now_us(), "note", "Auto-stop had tripped: reel blocked, repeated.", {"kind": "note"})
    writer.commit()
    if close:
        writer.close()
    return writer


def _switch_on(writer: SessionWriter, clock: HandClock) -> None:
    event = writer.add_event(clock.now_us(), "switch-on", "The unit draws current.")
    clock.turn(1.0)
    reference = _capture(writer, clock, "reference", 6.2, event)
    capture = _capture(writer, clock, "switch-on", 0.3, event)
    writer.add_event(
        clock.now_us(),
        "switch-on verdict",
        "C308, PLAY: missing.",
        {
            "t_us": clock.now_us(), "capture": capture, "reference": reference, "point": "C308", "leg": "",
            "mode": "PLAY", "verdict": "missing", "also": [], "ratio": 0.049, "why": "4.9 % of the reference.",
        },
    )  # fmt: skip
    clock.turn(10.0)


def _capture(writer: SessionWriter, clock: HandClock, role: str, peak_v: float, event: int) -> int:
    t_s = np.arange(-1.0, 9.0, 0.004)
    volts = np.where(t_s > 0.3, peak_v * np.exp(-(t_s - 0.3) / 0.6) * (1 - np.exp(-(t_s - 0.3) / 0.1)), 0.0)
    trace = Trace(clock.now_us() - 1_000_000, 0.004, np.round(volts / 0.001).astype(np.int16), 0.001, 0.0, "1")
    return writer.add_capture(
        trace, role=role, point="C308", leg="", mode="PLAY", condition="isolation transformer", event=event,
        instrument="scope",
    )  # fmt: skip


def _stay(
    writer: SessionWriter, clock: HandClock, probe: str, point: str, leg: str, mode: str, value: float, verdict: str,
    printed: float, struck: bool,
) -> None:  # fmt: skip
    instrument = "bench meter" if probe == "1" else "second meter"
    writer.set_context("mode", mode, clock.now_us())
    number = writer.open_placement(
        clock.now_us(), instrument=instrument, channel="", probe=probe, quantity="dc_v", point=point, leg=leg,
        mode=mode, condition="isolation transformer", hypothesis="mode switch stuck",
    )  # fmt: skip
    series = writer.series(instrument, "", Quantity.DC_V)
    noise = np.random.default_rng(number)
    for n in range(round(STAY_S * 5)):
        writer.append(series, clock.now_us(), value * (1 - np.exp(-n / 2)) + float(noise.normal(0, 0.002)), 0)
        clock.turn(0.2)
    writer.set_placement(
        number, value=value, uncertainty=0.002, count=round(STAY_S * 5) - 8, t1=clock.now_us(),
        judgement=judged(verdict, printed, f"{printed} V printed for {mode}, 10 %"),
    )  # fmt: skip
    if struck:
        about = {"placement": number, "kind": "contradiction"}
        writer.add_event(clock.now_us(), "objection", f"{point} read 0 V before.", about)
        writer.correct_placement(number, clock.now_us(), "wrong pin", struck=True)
        writer.add_event(clock.now_us(), "strike", f"Placement {number} struck: wrong pin.", {"placement": number})
    clock.turn(5.0)
