"""An output that was switched on goes off: at the end, after a loss, after a kill; and what a person does is told."""

import pytest

from daemon.output_mark import OutputMark
from daemon.records import open_session
from drivers.errors import CommandError
from drivers.readings import Identity
from tests.daemon.told_bench import Running
from tests.drivers.instruments import generator


def test_the_output_goes_off_when_the_daemon_stops_and_when_the_session_ends_and_both_are_told(bench, tmp_path):
    instrument = generator()
    running = bench(generator=(instrument, {}))
    running.say(command="generator", output="on", level_dbm=-60)
    first = running.keeper.session
    more = {"protection": "earthed", "rated_mains_v": 230, "file": str(tmp_path / "t.session")}
    running.say(command="session", do="start", **more)
    assert instrument.answers["OUTP?"]() == "0"
    with open_session(first) as records:
        assert "output off" in records.events("generator")["text"].tolist()[-1]
        assert records.events()["kind"].tolist()[-1] == "session closed"
    running.say(command="generator", output="on", level_dbm=-60)
    running.stop()
    assert instrument.answers["OUTP?"]() == "0"
    assert running.told("output") == ["generator: its output went off."]


def test_a_session_that_cannot_be_started_switches_nothing_off(bench):
    instrument = generator()
    running = bench(generator=(instrument, {}))
    running.say(command="generator", output="on", level_dbm=-60)
    with pytest.raises(CommandError, match="There is no session file"):
        running.say(command="session", do="resume", file="nowhere.session")
    assert instrument.answers["OUTP?"]() == "1"


def test_a_generator_that_is_lost_is_switched_off_before_anything_else_when_it_is_back(bench):
    instrument = generator()
    running = bench(generator=(instrument, {}), poll_s=0.05)
    running.say(command="generator", output="on", level_dbm=-60)
    instrument.silent = True
    running.until(lambda: running.line("generator").status == "lost")
    with pytest.raises(CommandError, match=r"does not answer.*switched off before anything else when it is back"):
        running.say(command="generator", output="off")
    instrument.heard.clear()
    instrument.silent = False
    running.until(lambda: running.line("generator").status == "ok")
    assert instrument.answers["OUTP?"]() == "0"
    asked = [line for line in instrument.heard if line.startswith(("FREQ", "POW", "OUTP"))]
    assert asked[0] == "OUTP OFF"
    assert any("switched off before anything else" in text for text in running.told("remark"))


def test_what_a_killed_daemon_left_on_is_switched_off_and_said(bench, tmp_path):
    """The mark is what a daemon leaves that was killed with an output on."""
    instrument = generator()
    instrument.hear(b"OUTP ON")
    running = bench(marks=tmp_path / "outputs", generator=(instrument, {}))
    assert running.told("output") == [
        "generator: its output is on as it was found, and is left so until the daemon or the session ends."
    ]
    running.say(command="generator", output="on", level_dbm=-60)
    (mark,) = (tmp_path / "outputs").iterdir()
    kept = mark.read_text()
    running.say(command="generator", output="off")
    assert not mark.exists()
    running.end()
    mark.write_text(kept.replace('"pid": ', '"pid": 9'))
    instrument.hear(b"OUTP ON")
    instrument.heard.clear()
    (tmp_path / "s.session").unlink()
    again = Running(tmp_path, running.setups, tmp_path / "outputs").start()
    assert instrument.answers["OUTP?"]() == "0" and not mark.exists()
    (said,) = [text for text in again.told("remark") if "was found on" in text]
    assert "switched on by a daemon that ended without switching it off (on since " in said
    again.end()
    running.keeper.open(tmp_path / "u.session")


def test_another_instrument_at_the_address_is_left_alone_and_the_mark_said(tmp_path):
    mark = OutputMark(tmp_path, "TCPIP::h::1::SOCKET")
    mark.put(Identity("BENCH", "GEN", "1", "1"), 0)

    class Other:
        identity = Identity("BENCH", "GEN", "2", "1")

        def switch_off(self):
            raise AssertionError("another instrument was switched off")

    (remark,) = OutputMark(tmp_path, "TCPIP::h::1::SOCKET").make_off(Other()).remarks
    assert remark.startswith("BENCH, GEN, 1 was left with its output on (on since 1970-01-01T00:00:00")


def test_where_it_cannot_be_noted_that_an_output_is_on_it_stays_off(bench, tmp_path):
    (tmp_path / "outputs").write_text("a file where the folder should be")
    instrument = generator()
    running = bench(marks=tmp_path / "outputs", generator=(instrument, {}))
    with pytest.raises(CommandError, match="cannot be noted"):
        running.say(command="generator", output="on", level_dbm=-60)
    assert "OUTP ON" not in instrument.heard


def test_an_output_that_a_person_switches_at_the_panel_is_told(bench):
    instrument = generator()
    running = bench(generator=(instrument, {}), poll_s=0.05)
    for command, value in ((b"OUTP ON", 1.0), (b"OUTP OFF", 0.0)):
        instrument.hear(command)
        running.until(lambda value=value: running.line("generator").values["output_on"] == value)
    assert running.told("output") == [
        "generator: its output went on at its own panel.",
        "generator: its output went off.",
    ]
