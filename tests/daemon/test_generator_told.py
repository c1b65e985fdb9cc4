"""Generators told what to do: over real sockets, believed when read back, and never above the ceiling."""

import pytest

from daemon.records import open_session
from drivers.errors import CommandError
from drivers.readings import Identity
from drivers.registry import open_instrument
from tests.drivers.instruments import generator
from tests.drivers.scripted import Scripted


def test_a_generator_is_set_read_back_answered_and_told_with_old_and_new(bench):
    instrument = generator()
    running = bench(generator=(instrument, {}))
    done = running.say(command="generator", output="on", frequency_hz=10.7e6, level_dbm=-60)
    assert done.startswith("generator: output on, frequency 10.7 MHz, level -60 dBm")
    assert "(before: output off, frequency 1 MHz, level -47 dBm)" in done
    assert done.endswith("Into the input or the dummy aerial, never to an aerial.")
    (told,) = running.told("generator")
    assert told.startswith("generator: output on, frequency 10.7 MHz, level -60 dBm")
    with open_session(running.keeper.session) as records:
        (event,) = records.events("generator").to_dict("records")
        levels = records.readings("level_dbm")["value"].tolist()
    assert event["data"]["before"]["level_dbm"] == -47.0 and event["data"]["after"]["output_on"] == 1.0
    assert levels == [-47.0, -47.0, -60.0], "what was asked on the way is a reading and none is thrown away"
    assert not running.told("output"), "what a command did is told once"


def test_what_is_not_said_stays_as_it_is(bench):
    instrument = generator()
    running = bench(generator=(instrument, {}))
    running.say(command="generator", output="on", level_dbm=-60)
    done = running.say(command="generator", frequency_hz=455e3)
    assert "output on, frequency 455 kHz, level -60 dBm" in done and "(before: frequency 1 MHz)" in done
    running.say(command="generator", output="off")
    instrument.heard.clear()
    assert "output off" in running.say(command="generator", level_dbm=-70)
    assert "OUTP ON" not in instrument.heard


def test_modulation_is_set_and_read_back(bench):
    running = bench(generator=(generator(), {}))
    assert "AM 30 %" in running.say(command="generator", modulation="am", depth_percent=30)
    done = running.say(command="generator", modulation="fm", deviation_hz=22500, source="internal")
    assert "AM 0 %, FM 22.5 kHz" in done
    assert "FM 0 Hz" in running.say(command="generator", modulation="none")


@pytest.mark.parametrize("body", [{"level_dbm": -19.9}, {"level_dbm": -19.9, "output": "on"}, {"level_dbm": 13}])
def test_a_level_above_the_ceiling_is_refused_before_a_byte_is_sent(bench, body):
    instrument = generator()
    running = bench(generator=(instrument, {}))
    instrument.heard.clear()
    with pytest.raises(CommandError, match="above the ceiling of -20 dBm") as raised:
        running.say(command="generator", **body)
    assert raised.value.field == "level_dbm" and set(instrument.heard) <= {"SYST:LOC"}
    assert not running.told("generator") and not running.told("remark")


def test_the_door_does_not_switch_on_at_a_level_that_was_turned_up_by_hand(bench):
    instrument = generator()
    running = bench(generator=(instrument, {}))
    instrument.hear(b"POW +10.0 DBM")
    for body in ({"output": "on"}, {"output": "on", "frequency_hz": 1e6}):
        with pytest.raises(CommandError, match="above the ceiling"):
            running.say(command="generator", **body)
    assert "OUTP ON" not in instrument.heard


class NoCeiling:
    """A driver from another package that sets whatever it is told, and one dB too much."""

    identity = Identity("BENCH", "OTHER", "1", "1")

    def __init__(self, inner):
        self._inner = inner

    def __getattr__(self, name):
        return getattr(self._inner, name)

    def set_output(self, on, frequency_hz=None, level_dbm=None):
        talk = self._inner._conversation
        if level_dbm is not None:
            talk.tell(f"POW {level_dbm + 1} DBM")
        talk.tell(f"OUTP {'ON' if on else 'OFF'}")
        return self._inner.poll()


def test_a_driver_that_knows_no_ceiling_does_not_lift_it(bench, monkeypatch):
    defaults = (lambda spec, clock: NoCeiling(open_instrument(spec, clock)), None)
    monkeypatch.setattr("daemon.poller.Poller.__init__.__defaults__", defaults)
    instrument = generator()
    running = bench(generator=(instrument, {}))
    with pytest.raises(CommandError, match="above the ceiling"):
        running.say(command="generator", output="on", level_dbm=-19)
    assert "OUTP ON" not in instrument.heard
    with pytest.raises(CommandError, match="reads back a level above the ceiling of -20 dBm: switched off"):
        running.say(command="generator", output="on", level_dbm=-20)
    assert instrument.answers["OUTP?"]() == "0"
    assert "not done" in running.told("remark")[-1]


def test_a_generator_that_does_not_take_what_it_is_told_is_not_left_on(bench):
    instrument = generator()
    instrument.answers["FREQ"] = lambda value: None
    running = bench(generator=(instrument, {}))
    with pytest.raises(CommandError, match="did not take what it was told"):
        running.say(command="generator", output="on", frequency_hz=5e6, level_dbm=-60)
    assert instrument.answers["OUTP?"]() == "0"
    assert "not done: it did not take what it was told (frequency)" in running.told("remark")[-1]


class OldGenerator(Scripted):
    """Takes the words of the dialect ``deaf`` and answers only a status of its frequency."""

    khz = "1000.0"

    def hear(self, line):
        text = line.decode().strip()
        self.heard.append(text)
        if text.startswith("F "):
            self.khz = text[2:].rstrip(";")
        return [f"F{self.khz};\n".encode()] if text.startswith("S") else []


def test_what_an_old_generator_cannot_read_back_is_told_and_not_believed(bench):
    """Its level goes out in microvolts at the open socket: -60 dBm into 50 ohm are 223.6 uV, twice that open."""
    instrument = OldGenerator()
    running = bench(generator=(instrument, {"dialect": "deaf"}))
    with pytest.raises(CommandError, match="say whether it is to be on or off") as raised:
        running.say(command="generator", frequency_hz=455e3)
    assert raised.value.field == "output"
    with pytest.raises(CommandError, match="give the level too"):
        running.say(command="generator", output="on")
    done = running.say(command="generator", output="on", frequency_hz=455e3, level_dbm=-60)
    assert done.startswith("generator: frequency 455 kHz (before: frequency 1 MHz); output, level told, and cannot be")
    assert "L 447.21;" in instrument.heard and "E 1;" in instrument.heard
    with pytest.raises(CommandError, match="above the ceiling"):
        running.say(command="generator", level_dbm=-19, output="on")
    running.say(command="generator", output="off")
    assert instrument.heard[-1] == "E 0;"


def test_a_raised_ceiling_is_told_with_its_reason(bench):
    running = bench(generator=(generator(), {"ceiling_dbm": -10.0, "ceiling_because": "20 dB pad at the mixer"}))
    assert running.told("remark")[-1] == "generator: its ceiling is -10 dBm by the bench file: 20 dB pad at the mixer"
    assert "level -12 dBm" in running.say(command="generator", output="on", level_dbm=-12)
