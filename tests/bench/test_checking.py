"""``probetrail find`` and ``check`` on simulated instruments, which are processes: TCP, serial, VISA and VXI-11."""

import json
import socket
import subprocess
import sys
from pathlib import Path

from daemon.bench_draft import draft
from daemon.bench_file import parse_bench
from drivers.clock import SystemClock
from drivers.find import find
from drivers.finding.broadcast import vxi11_names
from tests.bench.played import bench, start

# Where the system lets nobody listen to a broadcast on the loopback network, the host itself is asked.
EVERYBODY_HERE = "127.255.255.255" if sys.platform == "linux" else "127.0.0.1"


def test_the_simulated_bench_is_well(tmp_path):
    with bench("mixer", tmp_path):
        process = start("daemon", "check", str(tmp_path / "bench.toml"), "--seconds", "0.5", "--json")
        content = json.loads(process.communicate(timeout=60)[0])
    assert process.returncode == 0, content
    instruments = {entry["name"]: entry for entry in content["instruments"]}
    assert set(instruments) == {"meter", "clip meter", "scope", "generator", "supply monitor"}
    assert all(entry["poll_s_kept"] and not entry["wrong"] for entry in instruments.values())
    assert any("form A" in ability for ability in instruments["scope"]["abilities"])
    assert "output off" in instruments["generator"]["now"]
    assert any(words.startswith("current") for words in instruments["supply monitor"]["now"])


def test_every_kind_of_the_simulated_bench_is_told_and_can_be_begun_with(tmp_path):
    with bench("mixer", tmp_path) as ready:
        resources = ready["resources"]
        ports = [(resources["clip meter"].removeprefix("ASRL").removesuffix("::INSTR"), "a cable")]
        ways = {"the bench": lambda within_s: list(resources.values())}
        found = find(SystemClock(), 20, ways, lambda: ports, lambda *_: True, with_kinds=True)
    kinds = {setup.spec.resource: setup.spec.kind for setup in parse_bench(draft(found), "new.toml", Path()).setups}
    assert {name: kinds[resource] for name, resource in resources.items()} == {
        "meter": "meter",
        "clip meter": "meter",
        "scope": "scope",
        "generator": "generator",
        "supply monitor": "supply",
    }


def test_a_simulated_vxi11_instrument_answers_a_broadcast():
    with socket.create_server(("127.0.0.1", 0)) as probe:
        port = probe.getsockname()[1]
    words = ("instrument", "meter", "--over", "vxi11", "--portmapper", str(port))
    process = start("simulated_instruments", *words, stdin=subprocess.DEVNULL)
    try:
        resource = json.loads(process.stdout.readline())["resource"]
        clock = SystemClock()
        ways = {"VXI-11 broadcast": lambda within_s: vxi11_names(clock, 0.6, [EVERYBODY_HERE], port)}
        (found,) = find(clock, 10, ways, list)
    finally:
        process.terminate()
        process.communicate(timeout=60)
    assert found.resource == resource
    assert found.identity is not None, found.remark
