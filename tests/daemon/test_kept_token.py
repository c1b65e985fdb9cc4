"""A token kept from an earlier version may begin with "-": the processes that are handed it take it for no option."""

import contextlib
import os
import sys
import threading
from types import SimpleNamespace

import pytest

import dashboard.__main__ as screens
from daemon import judging
from daemon.command_line import benches, make_parser
from daemon.commands import Door
from simulated_instruments.command_line import main as simulation
from simulated_instruments.technician import playing

TOKEN = "-kept_from-before"


class Played:
    """What the command line waits for of a child: it is ready at once, and has done its work."""

    exit_code = 0

    def ready(self):
        return {"address": "http://127.0.0.1:1/"}


@pytest.fixture
def handed(monkeypatch, tmp_path):
    """The arguments that each process of a demo bench is started with, by its module and verb."""
    found = {}

    @contextlib.contextmanager
    def child(name, module, arguments):
        found[name] = list(map(str, arguments))
        yield Played()

    acquisition = SimpleNamespace(
        door=Door(1, TOKEN),
        session=tmp_path / "s",
        ended=threading.Event(),
        start=lambda: None,
        stop=lambda: None,
        monotonic_s=float,
    )
    monkeypatch.setenv("PROBETRAIL_HOME", str(tmp_path))
    monkeypatch.setattr(benches, "child", child)
    options = make_parser().parse_args(["demo", "--port", "0", "--seconds", "1"])
    with benches._serving(acquisition, options, dashboard=True):
        benches._play(acquisition, options, {"host": "127.0.0.1", "port": 1})
    return found


def test_the_judging_process_takes_it(handed, monkeypatch):
    heard = []

    async def run(door, parent):
        heard.append((door.token, parent))

    monkeypatch.setattr(judging, "_run", run)
    assert judging.main(handed["Judging"]) == 0
    assert heard == [(TOKEN, os.getpid())]


def test_the_dashboard_takes_it(handed, monkeypatch):
    monkeypatch.setattr(sys, "argv", ["dashboard", *handed["The dashboard"]])
    assert screens._arguments().daemon_token == TOKEN


def test_the_demos_technician_takes_it(handed, monkeypatch):
    heard = []
    monkeypatch.setattr(playing, "run_technician", lambda *told: heard.append(told))
    assert simulation(handed["The technician"]) == 0
    assert heard[0][3] == TOKEN
