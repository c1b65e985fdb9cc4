"""Supplies switched off and scopes armed: over real sockets, believed when read back."""

import pytest

from daemon.records import open_session
from drivers.errors import CommandError
from tests.drivers.instruments import bench_supply, generator, supply, two_channel_scope


def programmable():
    instrument = bench_supply()
    state = {"on": "1"}
    instrument.answers["OUTP?"] = lambda: state["on"]
    instrument.answers["OUTP"] = lambda value: state.update(on={"ON": "1", "OFF": "0"}[value])
    return instrument


def test_a_supply_is_switched_off_and_read_back_and_no_command_switches_one_on(bench):
    instrument = programmable()
    running = bench(supply=(instrument, {"feeds": "dc"}))
    done = running.say(command="supply", output="off")
    assert done == "supply: output off (before: output on). Capacitors stay charged: measure before you touch."
    assert instrument.answers["OUTP?"]() == "0"
    with pytest.raises(CommandError, match="one of off"):
        running.say(command="supply", output="on")


@pytest.mark.parametrize(
    ("instrument", "words"), [(supply(), "use its own switch"), (bench_supply(), "undefined header")]
)
def test_a_supply_that_cannot_be_switched_off_says_so(bench, instrument, words):
    running = bench(supply=(instrument, {}))
    with pytest.raises(CommandError, match=f"(?i){words}"):
        running.say(command="supply", output="off")


def armable():
    instrument = two_channel_scope()
    state = {"word": "RUN"}
    instrument.answers["TRIG:STAT?"] = lambda: state["word"]
    instrument.answers["SING"] = lambda parameter="": state.update(word="WAIT")
    instrument.answers["RUN"] = lambda parameter="": state.update(word="RUN")
    return instrument, state


def test_a_scope_is_armed_its_capture_kept_and_told(bench):
    instrument, state = armable()
    running = bench(scope=(instrument, {}), poll_s=0.05)
    running.say(command="point", point="PB OUT", probe="A")
    assert running.say(command="arm") == "scope: armed, waits for one trigger (before: running)."
    assert running.line("scope").armed
    state["word"] = "STOP"
    running.until(lambda: not running.line("scope").armed)
    assert running.told("arm")[-1] == "scope: triggered; the record of channel 1 on PB OUT, channel 2 is kept."
    with open_session(running.keeper.session) as records:
        kept = records.captures("kept")
        assert kept["point"].tolist() == ["PB OUT", ""] and kept["channel"].tolist() == ["1", "2"]
        assert records.trace(int(kept["id"][0])).codes.tolist() == [0, 64, 128, 255]


def test_an_armed_scope_is_given_up_again(bench):
    instrument, state = armable()
    running = bench(scope=(instrument, {}), poll_s=0.05)
    running.say(command="arm")
    assert running.say(command="arm", undo=True) == "scope: waits no more; it says running (before: waiting)."
    assert state["word"] == "RUN" and not running.line("scope").armed
    assert len(running.told("arm")) == 2


def test_a_scope_that_does_not_say_that_it_waits_is_not_said_to_be_armed(bench):
    instrument, _ = armable()
    instrument.answers["SING"] = None
    running = bench(scope=(instrument, {}))
    assert "it says running yet (before: running): look at its screen." in running.say(command="arm")


@pytest.mark.parametrize(
    ("body", "field", "words"),
    [
        ({"command": "arm"}, "scope", "There is no scope on this bench"),
        ({"command": "generator", "generator": "x", "output": "off"}, "generator", "There is no generator 'x'"),
        ({"command": "supply", "output": "off"}, "supply", "There is no supply"),
    ],
)
def test_an_instrument_that_is_not_there_is_named_with_the_cure(bench, body, field, words):
    running = bench(generator=(generator(), {}))
    with pytest.raises(CommandError, match=words) as raised:
        running.say(**body)
    assert raised.value.field == field
