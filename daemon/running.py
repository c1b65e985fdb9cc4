"""Where things lie on this machine, and which daemon is running.

The data folder is ``PROBETRAIL_HOME`` where that is set, else the platform's own folder for a
user's data. A running daemon keeps one small file there, readable by its owner alone.
"""

import json
import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from importlib import metadata
from pathlib import Path

import platformdirs
import psutil

from daemon.commands import COMMAND_LINE, Door
from drivers.errors import DoorError, ProbetrailError


def home() -> Path:
    """The data folder; made when it is not there."""
    named = os.environ.get("PROBETRAIL_HOME")
    folder = Path(named) if named else Path(platformdirs.user_data_dir("probetrail", appauthor=False))
    folder.mkdir(parents=True, exist_ok=True)
    return folder


def sessions_folder() -> Path:
    """Where sessions lie that were not given a file of their own."""
    return _made(home() / "sessions")


def references_folder() -> Path:
    """Where healthy switch-on captures are kept, one folder a model."""
    return _made(home() / "references")


def drawings_folder() -> Path:
    """Where drawings are kept with the photos of their boards, one folder a model; beside the references."""
    return home() / "drawings"


def outputs_folder() -> Path:
    """Where it is noted which generator's output was switched on from here."""
    return home() / "outputs"


def solved_folder() -> Path:
    """Where solved drawings are kept between runs: only to save time, so in the platform's cache folder."""
    named = os.environ.get("PROBETRAIL_HOME")
    return (Path(named) if named else Path(platformdirs.user_cache_dir("probetrail", appauthor=False))) / "solved"


def _made(folder: Path) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    return folder


@contextmanager
def announced(door: Door, session: Path, dashboard_port: int | None = None) -> Iterator[None]:
    """Keep the running file there for as long as the block lasts."""
    path = _made(home() / "running") / f"{os.getpid()}.json"
    content = {
        "pid": os.getpid(),
        "port": door.port,
        "token": door.token,
        "session": str(session),
        "dashboard_port": dashboard_port,
    }
    descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
    with os.fdopen(descriptor, "w") as file:
        json.dump(content, file)
    try:
        yield
    finally:
        path.unlink(missing_ok=True)


def running_doors() -> list[Door]:
    """Doors of the daemons that are alive, the one started last first."""
    found = []
    for path in (home() / "running").glob("*.json"):
        try:
            content = json.loads(path.read_text())
            door = Door(int(content["port"]), str(content["token"]))
            alive = psutil.pid_exists(int(content["pid"]))
            age = path.stat().st_mtime
        except (OSError, ValueError, KeyError):
            continue  # half written, or gone between the listing and the reading
        if alive:
            found.append((age, door))
        else:
            path.unlink(missing_ok=True)
    return [door for _, door in sorted(found, key=lambda pair: pair[0], reverse=True)]


def the_running_door() -> Door:
    """The door of the daemon that was started last. Raises ``DoorError`` where none runs."""
    doors = running_doors()
    if not doors:
        raise DoorError("No daemon is running here: start one with `probetrail run BENCH.toml` or `probetrail demo`.")
    return replace(doors[0], by=COMMAND_LINE)


def check_package_name() -> None:
    """Raise ``ProbetrailError`` where another installed package also owns the name ``daemon``."""
    owners = set(metadata.packages_distributions().get("daemon", []))
    if len(owners) > 1:
        others = ", ".join(sorted(owners - {"probetrail"}))
        raise ProbetrailError(
            f"The package {others} is installed beside probetrail and owns the name 'daemon' too. "
            "Install probetrail into an environment of its own (python3 -m venv), as the README shows."
        )
