"""A daemon that is killed with a generator's output on: the next one finds it, says so, and switches it off."""

import os
import subprocess
import sys

from daemon.commands import fetch_state, say
from daemon.records import open_session
from tests.bench.played import START_S, daemon, wait_for
from tests.drivers.instruments import generator
from tests.drivers.servers import TcpServer

BENCH = """
[[instrument]]
name = "rf"
kind = "generator"
resource = "{resource}"
poll_s = 0.2
"""


def answers(door):
    return fetch_state(door)["instruments"][0]["values"].get("output_on") is not None


def test_what_a_killed_daemon_left_on_goes_off_at_the_next_start_and_is_told(tmp_path):
    instrument = generator()
    place = TcpServer(instrument).start()
    (tmp_path / "bench.toml").write_text(BENCH.format(resource=place.resource))
    session = tmp_path / "rf.session"
    try:
        with daemon(tmp_path, session) as (process, door):
            wait_for(lambda: answers(door))
            command = [sys.executable, "-m", "daemon", "generator", "on", "--frequency", "10.7M", "--level=-60"]
            home = os.environ | {"PROBETRAIL_HOME": str(tmp_path / "home")}
            told = subprocess.run(command, env=home, capture_output=True, text=True, timeout=START_S, check=False)
            assert told.stdout.startswith("rf: output on, frequency 10.7 MHz, level -60 dBm"), told.stderr
            process.kill()
            process.wait(START_S)
        assert instrument.answers["OUTP?"]() == "1", "nobody switched it off yet"
        for file in (tmp_path / "home" / "running").glob("*.json"):
            file.unlink()
        with daemon(tmp_path, session) as (_, door):
            wait_for(lambda: answers(door))
            assert instrument.answers["OUTP?"]() == "0"
            done = say(door, {"command": "generator", "output": "on", "level_dbm": -60})["done"]
            assert done.startswith("rf: output on")
        assert instrument.answers["OUTP?"]() == "0", "the daemon ended in good order"
    finally:
        place.stop()
    with open_session(session) as records:
        remarks, outputs = records.events("remark")["text"].tolist(), records.events("output")["text"].tolist()
    (found,) = [text for text in remarks if "was found on" in text]
    assert found.startswith("rf: its output was found on, switched on by a daemon that ended without switching it off")
    assert outputs == ["rf: its output went off."]
