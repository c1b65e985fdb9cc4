"""Scopes, generators and supplies told what to do: over real sockets, between two polls, believed when read back."""

import contextlib
import queue
import threading
from concurrent.futures import Future
from dataclasses import dataclass, field

import pytest

from daemon.acts import HELD_S, MOST_WAITING, Act, Acted
from daemon.bench_file import Bench, Setup
from daemon.commands import checked
from daemon.feed import Feed
from daemon.keeper.keeper import Folders, Keeper, Said
from daemon.output_mark import OutputMark
from daemon.poller import Poller
from daemon.records import open_session
from drivers.clock import SystemClock
from drivers.errors import CommandError
from drivers.protocols import InstrumentSpec
from drivers.readings import Identity, Poll, Quantity, Reading
from drivers.registry import open_instrument
from tests.drivers.instruments import bench_supply, generator, supply, two_channel_scope
from tests.drivers.scripted import Scripted
from tests.drivers.servers import TcpServer

WAIT_S = 10.0
HOUR_S = 3600.0  # between polls: what is heard is what the act asks


@dataclass
class Running:
    """Pollers and a keeper as in the acquisition process; the test's thread is the keeper's."""

    folder: object
    setups: list = field(default_factory=list)
    marks: object = None

    def __post_init__(self):
        self.clock = SystemClock()
        self.queue = queue.SimpleQueue()
        self.pollers = {}

    def start(self):
        folders = Folders(self.folder, self.folder / "references")
        self.pollers = {
            setup.spec.name: Poller(setup, self.clock, self.queue.put, marks=self.marks) for setup in self.setups
        }
        self.keeper = Keeper(
            Bench(tuple(self.setups)), self.clock, Feed(), folders, lambda *_: None, lambda: None, self._order
        )
        self.keeper.open(self.folder / "s.session")
        for poller in self.pollers.values():
            poller._memory.chance.uniform = lambda low, high: 0.0
            poller.start()
        for name in self.pollers:
            self.until(lambda name=name: self.line(name).last_us is not None or self.line(name).values)
        return self

    def _order(self, name, act):
        return self.pollers[name].order_act(act)

    def line(self, name):
        return self.keeper._desk.instruments[name]

    def until(self, done):
        end_s = self.clock.monotonic_s() + WAIT_S
        while not done():
            assert self.clock.monotonic_s() < end_s, "did not come true"
            self.keeper.take(self.queue.get(timeout=WAIT_S))

    def say(self, **body):
        reply = Future()
        self.keeper.take(Said(checked(body), reply))
        self.until(reply.done)
        return reply.result(timeout=0)["done"]

    def told(self, kind):
        self.keeper._commit()
        with open_session(self.keeper.session) as records:
            frame = records.events(kind)
        return frame["text"].tolist()

    def stop(self):
        for poller in self.pollers.values():
            poller.stop()
        for poller in self.pollers.values():
            poller.join(WAIT_S)
            assert not poller.is_alive()
        while not self.queue.empty():
            self.keeper.take(self.queue.get())

    def end(self):
        self.stop()
        self.keeper.close()


@pytest.fixture
def bench(tmp_path):
    with contextlib.ExitStack() as stack:

        def start(marks=None, poll_s=HOUR_S, **instruments):
            running = Running(tmp_path, marks=marks)
            for kind, (instrument, options) in instruments.items():
                place = TcpServer(instrument).start()
                stack.callback(place.stop)
                spec = InstrumentSpec(kind, kind, place.resource, timeout_s=0.3, options=options)
                probes = ("A", "B") if kind == "scope" else ()
                running.setups.append(Setup(spec, poll_s, probes=probes))
            running.start()
            stack.callback(running.end)
            return running

        yield start


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


def poller_of(messages):
    setup = Setup(InstrumentSpec("g", "generator", "TCPIP::127.0.0.1::1::SOCKET"), 1.0)
    return Poller(setup, SystemClock(), messages.put, opener=None)


def test_the_queue_is_bounded_and_what_waits_at_the_end_is_answered():
    messages = queue.SimpleQueue()
    poller = poller_of(messages)
    acts = [Act(number, {"command": "generator", "output": "on"}, 0.0) for number in range(MOST_WAITING + 1)]
    assert [poller.order_act(act) for act in acts] == [True] * MOST_WAITING + [False]
    poller.stop()
    poller.run()
    answers = [messages.get(timeout=WAIT_S) for _ in range(MOST_WAITING)]
    assert [(each.number, each.why) for each in answers] == [(n, "The daemon is ending.") for n in range(MOST_WAITING)]


def test_what_comes_too_late_is_not_begun_unless_it_only_switches_off(bench):
    """A generator must not go on when its caller has been told that nobody answered."""
    instrument = generator()
    running = bench(generator=(instrument, {}))
    answered = []
    late_s = running.clock.monotonic_s() - HELD_S
    for number, output in ((101, "on"), (102, "off")):
        running.pollers["generator"].order_act(Act(number, {"command": "generator", "output": output}, late_s))
    while len(answered) < 2:
        message = running.queue.get(timeout=WAIT_S)
        if isinstance(message, Acted):
            answered.append(message)
    assert "busy for too long" in answered[0].why and "OUTP ON" not in instrument.heard
    assert not answered[1].why and "OUTP OFF" in instrument.heard


def test_acts_that_wait_for_an_instrument_that_is_lost_are_answered_with_the_reason(bench):
    instrument = generator()
    running = bench(generator=(instrument, {}))
    instrument.silent = True
    with pytest.raises(CommandError, match="silent"):
        running.say(command="generator", frequency_hz=1e6)


def test_a_raised_ceiling_is_told_with_its_reason(bench):
    running = bench(generator=(generator(), {"ceiling_dbm": -10.0, "ceiling_because": "20 dB pad at the mixer"}))
    assert running.told("remark")[-1] == "generator: its ceiling is -10 dBm by the bench file: 20 dB pad at the mixer"
    assert "level -12 dBm" in running.say(command="generator", output="on", level_dbm=-12)


class HangingGenerator:
    """A generator whose driver hangs while it is set, until it is let go."""

    identity = Identity("BENCH", "HANGS", "1", "1")

    def __init__(self):
        self.go_on = threading.Event()
        self.off = threading.Event()

    def poll(self):
        return Poll((Reading(1, 0.0, Quantity.OUTPUT), Reading(1, -60.0, Quantity.LEVEL)))

    def set_output(self, on, frequency_hz=None, level_dbm=None):
        self.go_on.wait(WAIT_S)
        return self.poll()

    def switch_off(self):
        self.off.set()
        return Poll((Reading(2, 0.0, Quantity.OUTPUT),))

    def to_local(self):
        pass

    def close(self):
        pass

    let_go = close


def test_an_act_during_which_the_driver_hangs_is_answered_and_the_output_made_off_afterwards():
    """Its caller, and a session that waits for the outputs to be off, must not wait for ever."""
    messages, hanging, fresh = queue.SimpleQueue(), HangingGenerator(), HangingGenerator()
    boxes = iter([hanging, fresh])
    setup = Setup(InstrumentSpec("g", "generator", "TCPIP::127.0.0.1::1::SOCKET"), HOUR_S)
    poller = Poller(setup, SystemClock(), messages.put, lambda spec, clock: next(boxes))
    poller.stuck_after_s = 0.1
    poller._memory.wait_s = 0.0
    poller.order_act(Act(1, {"command": "generator", "output": "on"}, SystemClock().monotonic_s() + WAIT_S))
    poller.start()
    while not isinstance(message := messages.get(timeout=WAIT_S), Acted):
        pass
    assert "hung for" in message.why and not poller._memory.acts
    assert fresh.off.wait(WAIT_S), "what the hanging driver may still do is taken back by the next"
    hanging.go_on.set()
    assert hanging.off.wait(WAIT_S)
    poller.stop()
    poller.join(WAIT_S)
    assert not poller.is_alive()


class OtherBox(HangingGenerator):
    identity = Identity("BENCH", "ANOTHER", "2", "1")

    def switch_off(self):
        raise AssertionError("another instrument at the same address was switched off")


def test_another_generator_that_answers_at_the_address_is_not_switched():
    messages, mine = queue.SimpleQueue(), HangingGenerator()
    setup = Setup(InstrumentSpec("g", "generator", "TCPIP::127.0.0.1::1::SOCKET"), HOUR_S)
    poller = Poller(setup, SystemClock(), messages.put, lambda spec, clock: OtherBox())
    poller._memory.identity = mine.identity
    poller.start()
    while getattr(message := messages.get(timeout=WAIT_S), "status", "") != "lost":
        pass
    assert "answers at" in message.why
    poller.stop()
    poller.join(WAIT_S)
