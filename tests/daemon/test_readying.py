"""Scopes are made ready while the unit is off, and put back when its switch-on is over."""

from dataclasses import replace

import numpy as np
import pytest

from daemon.bench_file import parse_bench
from daemon.poller import Readied, Recorded, Status
from drivers.errors import BenchFileError
from drivers.readings import Trace
from tests.daemon.test_keeper import Desk as PlainDesk


class Desk(PlainDesk):
    """The same bench with a scope that may be made ready in one of the two ways."""

    def __init__(self, folder, way):
        self.way = way
        super().__init__(folder)

    def new_keeper(self):
        setups = tuple(
            replace(setup, prepare_switch_on=self.way) if setup.spec.kind == "scope" else setup
            for setup in self.bench.setups
        )
        self.bench = replace(self.bench, setups=setups)
        return super().new_keeper()

    def turn(self, seconds):
        for _ in range(round(seconds * 10)):
            self.clock.turn(0.1)
            self.keeper.tick()

    def answer(self, what, words="", why=""):
        self.keeper.take(Readied("scope", what, words, why))
        self.keeper.tick()

    def sweep(self, volts=1.0, before_s=0.0, count=100):
        """A triggered sweep of 0.1 s whose moment is known to its own length."""
        codes = np.full(count, round(volts * 10), dtype=np.int16)
        t0_us = self.clock.now_us() - 100_000 - round(before_s * 1e6)
        return Trace(t0_us, 0.001, codes, 0.1, 0.0, "1", 50_000, lowest_code=-128, highest_code=127)

    def texts(self):
        with self.records() as records:
            return list(records.events()["text"])


@pytest.fixture(params=["roll"])
def desk(tmp_path, request):
    desk = Desk(tmp_path, request.param)
    desk.say("mode", mode="PLAY")
    yield desk
    desk.keeper.close()


single = pytest.mark.parametrize("desk", ["single"], indirect=True)


def test_a_scope_is_asked_to_roll_when_the_unit_is_off_and_its_probe_is_somewhere(desk):
    desk.amperes(0.0)
    assert desk.ordered == []
    desk.say("point", probe="scope A", point="PB OUT")
    desk.turn(1)
    assert desk.ordered == [("scope", "roll")]


def test_it_is_not_touched_while_the_unit_is_on_or_nobody_knows(desk):
    desk.say("point", probe="scope A", point="PB OUT")
    desk.turn(1)
    assert desk.ordered == []
    desk.amperes(0.3)
    desk.turn(1)
    assert desk.ordered == []


def test_it_is_put_back_when_the_record_is_kept_and_both_are_told(desk):
    desk.say("point", probe="scope A", point="PB OUT")
    desk.amperes(0.0)
    desk.answer("roll", "rolls at 0.5 s a division; it stood at 0.005 s")
    desk.send("scope", traces=[desk.rolling_trace()])
    assert desk.state()["watch"]["watching"] is True
    desk.amperes(0.3)
    desk.turn(5)
    assert desk.ordered == [("scope", "roll"), ("scope", 1)]
    desk.keeper.take(Recorded("scope", 1, (desk.rolling_trace(),)))
    desk.turn(1)
    assert desk.ordered[-1] == ("scope", "as before")
    desk.answer("as before", "put back to 0.005 s a division")
    texts = desk.texts()
    assert "scope made ready for the switch-on: rolls at 0.5 s a division; it stood at 0.005 s." in texts
    assert "scope after the switch-on: put back to 0.005 s a division." in texts


def test_one_that_cannot_is_asked_once_and_the_reason_is_on_the_screen_before_the_switch(desk):
    desk.say("point", probe="scope A", point="PB OUT")
    desk.amperes(0.0)
    desk.answer("roll", why="it is stopped.")
    desk.turn(3)
    assert desk.ordered == [("scope", "roll")]
    assert desk.state()["watch"] == {"watching": False, "why": "it is stopped."}


def test_one_that_is_lost_before_it_is_put_back_leaves_a_word_of_how_it_stood(desk):
    desk.say("point", probe="scope A", point="PB OUT")
    desk.amperes(0.0)
    desk.answer("roll", "rolls at 0.5 s a division; it stood at 0.005 s")
    desk.keeper.take(Status("scope", "lost", desk.clock.now_us(), "no answer"))
    assert any("lost before it could be put back" in text and "0.005 s" in text for text in desk.texts())


@single
def test_an_armed_scope_s_capture_is_kept_though_it_came_before_the_switch_was_noticed(desk):
    desk.say("point", probe="scope A", point="PB OUT")
    desk.amperes(0.0)
    assert desk.ordered == [("scope", "arm")]
    desk.answer("arm")
    assert desk.state()["watch"]["why"] == "Watching PB OUT: scope waits for one trigger."
    desk.clock.turn(0.15)
    desk.send("scope", traces=[desk.sweep()])
    desk.amperes(0.3, 2)
    with desk.records() as records:
        (capture,) = records.captures("switch-on").to_dict("records")
    assert capture["point"] == "PB OUT"


@single
def test_an_armed_scope_that_never_triggers_says_no_more_than_that(desk):
    desk.say("point", probe="scope A", point="PB OUT")
    desk.amperes(0.0)
    desk.answer("arm")
    desk.amperes(0.3)
    desk.turn(20)
    (shown,) = desk.state()["switch_ons"]
    assert shown["verdict"] == "not observed"
    assert "nothing rose above the trigger level of scope, which waited for it" in shown["why"]
    assert desk.ordered[-1] == ("scope", "as before")


def test_sweeps_with_gaps_are_kept_for_some_seconds_and_judged_together(desk):
    desk.keeper.take(Readied("scope", "roll", why="no words"))
    desk.say("point", probe="scope A", point="PB OUT")
    desk.amperes(0.0)
    desk.send("scope", traces=[desk.sweep(0.0)])
    desk.amperes(0.3)
    for _ in range(10):
        desk.clock.turn(0.5)
        desk.send("scope", traces=[desk.sweep()])
    with desk.records() as records:
        captures = records.captures("switch-on")
        (facts,) = records.events("capture")["data"]
        shown = records.trace(facts["capture"])
    assert len(captures) >= 6
    assert facts["pieces"] == list(captures["id"])
    assert shown.t1_us > facts["switch_on_t_us"]


@pytest.mark.parametrize(
    ("words", "says"),
    [('kind = "scope"\nprepare_switch_on = "stop"', "roll or single"), ('prepare_switch_on = "roll"', "for a scope")],
)
def test_a_bench_file_that_asks_for_what_there_is_not_names_the_line_and_the_cure(tmp_path, words, says):
    kind = "" if "kind" in words else 'kind = "meter"\n'
    text = f'[[instrument]]\nname = "a"\nresource = "TCPIP::h::1::SOCKET"\n{kind}{words}\n'
    with pytest.raises(BenchFileError, match="prepare_switch_on") as told:
        parse_bench(text, "bench.toml", tmp_path)
    assert says in str(told.value).replace("'", "").replace('"', "").replace(", ", " or ")
