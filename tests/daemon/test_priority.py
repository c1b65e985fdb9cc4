"""Polls are served first where the system allows it, and nobody else is."""

import os
import subprocess
import sys
import threading

import pytest

from daemon import acquisition, priority
from daemon.bench_file import Bench

LINUX_ONLY = pytest.mark.skipif(sys.platform != "linux", reason="only Linux has these calls")


@LINUX_ONLY
def test_threads_started_inside_inherit_it_and_the_starter_goes_on_as_before():
    """Whether it is allowed here or not, the two words agree."""
    seen = []
    before = os.sched_getscheduler(0)
    with priority.ahead_of_others() as allowed:
        thread = threading.Thread(target=lambda: seen.append(os.sched_getscheduler(0)))
        thread.start()
        thread.join()
    assert seen == [os.SCHED_RR if allowed else before]
    assert os.sched_getscheduler(0) == before


@LINUX_ONLY
def test_where_it_is_not_allowed_all_goes_on_as_usual(monkeypatch):
    def refuse(*_):
        raise PermissionError("not allowed")

    monkeypatch.setattr(os, "sched_setscheduler", refuse)
    with priority.ahead_of_others() as allowed:
        assert allowed is False


@LINUX_ONLY
def test_a_daemon_keeps_it_to_its_own_threads(tmp_path, monkeypatch):
    """The keeper is served as the pollers are, for they share one lock; processes started later are not."""
    monkeypatch.setenv("PROBETRAIL_HOME", str(tmp_path))
    with priority.ahead_of_others() as allowed:
        pass
    usual = os.sched_getscheduler(0)
    daemon = acquisition.Acquisition(Bench(()), tmp_path / "x.session")
    daemon.start()
    try:
        keeper = next(thread for thread in threading.enumerate() if thread.name == "keeper")
        assert os.sched_getscheduler(keeper.native_id) == (os.SCHED_RR if allowed else usual)
        said = subprocess.check_output([sys.executable, "-c", "import os; print(os.sched_getscheduler(0))"])
        assert int(said) == usual
    finally:
        daemon.stop()
