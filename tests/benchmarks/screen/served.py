"""A bench's dashboard for as long as a browser looks at it: started, announced, ended when nobody asks any more."""

import contextlib
import os
import subprocess
import sys
import tempfile
from pathlib import Path

from daemon.running import sessions_folder
from tests.benchmarks.quick_instrument import announce


@contextlib.contextmanager
def own_folder():
    """A folder for what this process keeps, and the program's own for as long."""
    with tempfile.TemporaryDirectory() as folder:
        os.environ["PROBETRAIL_HOME"] = folder
        yield Path(folder)


@contextlib.contextmanager
def lasting(one):
    """A daemon or bench that is started, and stopped at the end."""
    one.start()
    try:
        yield one
    finally:
        one.stop()


@contextlib.contextmanager
def dashboard(door):
    """The dashboard's process; what it gives tells the parent the page's address once it is there."""
    screens = start_dashboard(door)
    try:
        yield lambda: announce(screens.stdout.readline().strip())
    finally:
        screens.terminate()
        screens.communicate(timeout=20)


def start_dashboard(door):
    """The dashboard's process, as the command line starts it."""
    command = [sys.executable, "-m", "dashboard", "--daemon-port", door.port, "--daemon-token", door.token]
    command += ["--sessions", sessions_folder(), "--parent", os.getpid()]
    return subprocess.Popen([str(word) for word in command], stdout=subprocess.PIPE, text=True)
