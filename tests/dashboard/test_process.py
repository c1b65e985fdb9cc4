"""``python -m dashboard`` as the command line starts it."""

import json
import subprocess
import sys
from pathlib import Path

import httpx

from tests.dashboard.sample_bench import SampleBench


def started(bench: SampleBench, folder: Path, *more: str) -> subprocess.Popen[str]:
    door = ("--daemon-port", str(bench.door.port), "--daemon-token", bench.door.token)
    command = [sys.executable, "-m", "dashboard", *door, "--port", "0", "--sessions", str(folder), *more]
    return subprocess.Popen(command, stdout=subprocess.PIPE, text=True)


def test_it_prints_one_line_with_an_address_that_opens_and_ends_when_told(bench: SampleBench, tmp_path: Path) -> None:
    """The address leads, through the cookie, to the page."""
    process = started(bench, tmp_path)
    try:
        assert process.stdout is not None
        address = json.loads(process.stdout.readline())["address"]
        answer = httpx.get(address, follow_redirects=True, trust_env=False)
        assert answer.status_code == 200
        assert "probetrail" in answer.text
    finally:
        process.terminate()
    rest, _ = process.communicate(timeout=20)
    assert rest == ""


def test_it_leaves_when_its_parent_is_gone(bench: SampleBench, tmp_path: Path) -> None:
    """A command line that was killed leaves no dashboard behind."""
    parent = subprocess.Popen([sys.executable, "-c", "input()"], stdin=subprocess.PIPE)
    process = started(bench, tmp_path, "--parent", str(parent.pid))
    try:
        assert process.stdout is not None
        assert process.stdout.readline()
        parent.kill()
        parent.communicate()
        process.wait(timeout=20)
    finally:
        process.kill()
        process.communicate()
