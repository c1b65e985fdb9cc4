"""``probetrail run`` and ``probetrail demo``: a bench from its first poll to its closed session."""

import argparse
import contextlib
import json
import logging
import os
import signal
import socket
import sys
import tempfile
import threading
import webbrowser
from collections.abc import Callable, Iterator
from pathlib import Path
from types import FrameType

from daemon.acquisition import Acquisition
from daemon.bench_file import read_bench
from daemon.command_line.children import Child, child
from daemon.command_line.counts import compare_counts
from daemon.commands import fetch_state
from daemon.keeper.keeper import new_name
from daemon.running import announced, sessions_folder
from drivers.clock import SystemClock
from drivers.errors import ProbetrailError

DASHBOARD_PORT = 8420
SCENARIOS = ("mixer", "amplifier", "cassette", "S1", "S2", "S4")
LOOK_S = 0.2
VERDICT_S = 10.0


def add_commands(groups: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add ``run`` and ``demo``."""
    run = groups.add_parser("run", help="run the daemon, and the dashboard, on the instruments of a bench file")
    run.add_argument("bench", type=Path, metavar="BENCH.toml")
    run.add_argument("--no-dashboard", action="store_true", help="only the daemon")
    run.set_defaults(carry_out=_run)

    demo = groups.add_parser("demo", help="a whole repair on simulated instruments")
    demo.add_argument("--scenario", choices=SCENARIOS, default="mixer", help="which unit is on the bench")
    demo.add_argument("--speed", type=_speed, default=10.0, metavar="X", help="shortens the pauses between actions")
    demo.add_argument("--headless", action="store_true", help="no dashboard")
    demo.add_argument(
        "--careless", type=int, metavar="SEED", help="by a hand that slips, touches two legs and lifts for a moment"
    )
    demo.set_defaults(carry_out=_demo)
    for parser in (run, demo):
        parser.add_argument("--session", type=Path, metavar="FILE", help="the session file; one that is there goes on")
        parser.add_argument("--port", type=int, default=DASHBOARD_PORT, metavar="P", help="port of the dashboard")
        parser.add_argument("--lan", action="store_true", help="open the dashboard to devices of the LAN, with a code")
        parser.add_argument("--seconds", type=float, metavar="N", help="end after this time")


def _speed(text: str) -> float:
    value = float(text)
    if not value > 0:
        raise argparse.ArgumentTypeError("must be above 0")
    return value


def _run(options: argparse.Namespace) -> int:
    bench = read_bench(options.bench)
    session = options.session or sessions_folder() / new_name(SystemClock())
    acquisition = Acquisition(bench, session)
    with _ending_on_signals(acquisition.ended), _serving(acquisition, options, not options.no_dashboard):
        acquisition.ended.wait(options.seconds)
    _tell_closed(acquisition)
    return 0


def _tell_closed(acquisition: Acquisition) -> None:
    """What is still noted as in place is said once more, where somebody may be about to hand the unit back."""
    print(f"Session closed: {acquisition.session}")
    if still := acquisition.last_words.removeprefix("Session closed.").strip():
        print(still)


def _demo(options: argparse.Namespace) -> int:
    session = options.session or sessions_folder() / f"demo-{options.scenario}-{new_name(SystemClock())}"
    with contextlib.ExitStack() as stack:
        runtime = stack.enter_context(tempfile.TemporaryDirectory(prefix="probetrail-demo-"))
        bench_arguments = ["bench", options.scenario, "--runtime", runtime, "--with-parent"]
        simulation = stack.enter_context(child("The simulation", "simulated_instruments", bench_arguments))
        simulation.ready()
        places = json.loads((Path(runtime) / "bench.json").read_text())
        acquisition = Acquisition(read_bench(Path(runtime) / "bench.toml"), session)
        stack.enter_context(_ending_on_signals(acquisition.ended))
        with _serving(acquisition, options, not options.headless):
            finished = _play(acquisition, options, places["unit_door"])
        simulation.end()
        whole = compare_counts(Path(runtime) / "counts.json", acquisition.session)
    _tell_closed(acquisition)
    return 0 if whole and finished else 1


def _play(acquisition: Acquisition, options: argparse.Namespace, unit_door: dict[str, str | int]) -> bool:
    """Let the technician play the repair; False where the script itself failed."""
    door = acquisition.door
    arguments = [
        "technician",
        options.scenario,
        *("--unit-door", f"{unit_door['host']}:{unit_door['port']}"),
        *("--daemon", f"http://127.0.0.1:{door.port}", f"--token={door.token}"),
        *("--speed", str(options.speed)),
        *(() if options.careless is None else ("--careless", str(options.careless))),
    ]
    deadline_s = None if options.seconds is None else acquisition.monotonic_s() + options.seconds

    def over() -> bool:
        return acquisition.ended.wait(LOOK_S) or (deadline_s is not None and acquisition.monotonic_s() >= deadline_s)

    with child("The technician", "simulated_instruments", arguments) as technician:
        while technician.exit_code is None:
            if over():
                return True
        code = technician.exit_code
    if code == 0 and options.seconds is None and not options.headless and sys.stdout.isatty():
        print("The repair is over. The pages stay open until Ctrl-C.")
        while not over():
            pass
    return code == 0


@contextlib.contextmanager
def _serving(acquisition: Acquisition, options: argparse.Namespace, dashboard: bool) -> Iterator[None]:
    """The daemon with its judging process and, where wanted, the dashboard."""
    logging.basicConfig(level=logging.WARNING, format="%(levelname)s %(name)s: %(message)s")
    acquisition.start()
    try:
        with contextlib.ExitStack() as stack:
            port = _free_port(options.port, options.lan) if dashboard else None
            stack.enter_context(announced(acquisition.door, acquisition.session, port))
            # With "=": a token kept from before may begin with "-", and is no option of its own.
            door = ["--port", str(acquisition.door.port), f"--token={acquisition.door.token}"]
            stack.enter_context(child("Judging", "daemon.judging", [*door, "--parent", str(os.getpid())]))
            print(f"Session: {acquisition.session}", flush=True)
            if dashboard:
                stack.enter_context(_dashboard(acquisition, port or 0, options.lan))
            yield
            _await_verdicts(acquisition)
    finally:
        acquisition.stop()


@contextlib.contextmanager
def _dashboard(acquisition: Acquisition, port: int, lan: bool) -> Iterator[Child]:
    arguments = [
        *("--daemon-port", str(acquisition.door.port), f"--daemon-token={acquisition.door.token}"),
        *("--port", str(port), "--sessions", str(sessions_folder()), "--parent", str(os.getpid())),
        *(["--lan"] if lan else []),
    ]
    with child("The dashboard", "dashboard", arguments) as process:
        address = process.ready()["address"]
        print(f"Dashboard: {address}", flush=True)
        if sys.stdout.isatty() and (os.environ.get("DISPLAY") or sys.platform in ("darwin", "win32")):
            webbrowser.open(address)
        yield process


def _free_port(wanted: int, lan: bool) -> int:
    """The port that was wanted, or any where that one is taken."""
    with socket.socket() as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind(("0.0.0.0" if lan else "127.0.0.1", wanted))
        except OSError:
            return 0
    return wanted


def _await_verdicts(acquisition: Acquisition) -> None:
    """A switch-on that was caught in the last seconds still gets its verdict."""
    with contextlib.suppress(ProbetrailError):
        end_s = acquisition.monotonic_s() + VERDICT_S
        while fetch_state(acquisition.door)["awaiting_verdicts"] and acquisition.monotonic_s() < end_s:
            threading.Event().wait(LOOK_S)


@contextlib.contextmanager
def _ending_on_signals(ended: threading.Event) -> Iterator[None]:
    """Ctrl-C and a polite kill end the bench in good order."""

    def end(_number: int, _frame: FrameType | None) -> None:
        ended.set()

    kept: dict[signal.Signals, Callable[[int, FrameType | None], object] | int | None] = {}
    for number in (signal.SIGINT, signal.SIGTERM):
        kept[number] = signal.signal(number, end)
    try:
        yield
    finally:
        for number, handler in kept.items():
            signal.signal(number, handler)
