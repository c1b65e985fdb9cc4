"""One session kept: readings tagged by what was said, settled values judged, what cannot be objected to."""

import json
import math
import random
from concurrent.futures import Future
from pathlib import Path

import numpy as np
import pytest

from daemon.bench_file import Bench, Setup, UnitCard
from daemon.commands import checked
from daemon.feed import Feed
from daemon.keeper.keeper import Folders, Keeper, Said
from daemon.poller import Polled, Recorded, Status
from daemon.records import open_session
from drivers.clock import HandClock
from drivers.errors import CommandError
from drivers.protocols import InstrumentSpec
from drivers.readings import Accuracy, Flag, Identity, Poll, Quantity, Reading, Trace

DRAWING = """
[drawing]
unit = "cassette deck"
modes = ["STOP", "PLAY"]
nominal_mains_v = 230
[[point]]
name = "PBV"
printed_v = { STOP = 0.0, PLAY = 12.0 }
[[point]]
name = "Q302 C"
printed_v = { STOP = 0.0, PLAY = 6.54 }
[[point]]
name = "PB OUT"
printed_v = { STOP = 0.0, PLAY = 0.0 }
"""


def spec(name, kind="meter"):
    accuracy = Accuracy(0.05, 0.01)
    return InstrumentSpec(name, kind, "TCPIP::127.0.0.1::1::SOCKET", accuracy=accuracy)


class Desk:
    """A keeper on a bench without instruments: their messages are made here, and time is turned by hand."""

    def __init__(self, folder: Path, drawing: str = DRAWING):
        (folder / "deck.toml").write_text(drawing)
        unit = UnitCard("cassette deck", "1", "double-insulated", 230.0, folder / "deck.toml")
        setups = (
            Setup(spec("meter"), 0.1, probes=("red",)),
            Setup(spec("scope", "scope"), 0.5, probes=("scope A", "scope B"), watch_switch_on=True),
            Setup(spec("monitor", "supply"), 0.1, role="supply current"),
        )
        self.clock = HandClock()
        self.ordered = []
        self.random = random.Random(3)
        folders = Folders(folder, folder / "references")
        self.folders = folders
        self.bench = Bench(setups, unit)
        self.keeper = self.new_keeper()
        self.path = folder / "s.probetrail"
        self.keeper.open(self.path)
        for setup in setups:
            box = Identity("bench works", setup.spec.name, "1", "1")
            self.keeper.take(Status(setup.spec.name, "ok", self.clock.now_us(), identity=box))

    def new_keeper(self):
        def order(instrument, order):
            self.ordered.append((instrument, order.number if order.what == "record" else order.what))

        return Keeper(self.bench, self.clock, Feed(), self.folders, order, lambda: None)

    def say(self, command, by="a script", **fields):
        reply = Future()
        self.keeper.take(Said({"command": command, **fields}, reply, by))
        return reply.result(timeout=0)

    def send(self, instrument, *readings, traces=()):
        poll = Poll(readings=readings, traces=tuple(traces))
        self.keeper.take(Polled(instrument, poll, self.clock.now_us()))
        self.keeper.tick()

    def volts(self, value, seconds=2.0, quantity=Quantity.DC_V, flags=Flag.NONE, noise_v=0.0004):
        for _ in range(round(seconds * 10)):
            self.clock.turn(0.1)
            shown = math.nan if flags else round(value + self.random.gauss(0, noise_v), 3)
            self.send("meter", Reading(self.clock.now_us(), shown, quantity, flags=flags, range=60.0, resolution=0.001))

    def floating(self, seconds=1.5):
        self.volts(0.02, seconds, noise_v=0.06)

    def amperes(self, value, count=3):
        for _ in range(count):
            self.clock.turn(0.1)
            self.send("monitor", Reading(self.clock.now_us(), value, Quantity.SUPPLY_CURRENT, half_width_us=2000))

    def rolling_trace(self, channel="1"):
        codes = np.full(5000, 128, dtype=np.int16)
        t0_us = self.clock.now_us() - 5_000_000
        return Trace(t0_us, 0.001, codes, 0.1, -12.8, channel, lowest_code=0, highest_code=255, rolling=True)

    def state(self):
        self.clock.turn(0.2)
        self.keeper.tick()
        return json.loads(self.keeper.state_text)

    def records(self):
        self.keeper._commit()
        return open_session(self.path)


@pytest.fixture
def desk(tmp_path):
    desk = Desk(tmp_path)
    yield desk
    desk.keeper.close()


def measure(desk, point, volts, **more):
    desk.floating()
    desk.say("point", probe="red", point=point)
    desk.volts(volts, **more)
    desk.floating()


def test_each_reading_carries_what_held_at_its_time(desk):
    desk.say("condition", condition="direct")
    desk.say("mode", mode="PLAY")
    desk.say("hypothesis", hypothesis="no supply in PLAY")
    measure(desk, "PBV", 12.0)
    with desk.records() as records:
        rows = records.readings(series="dc_v")
    on_point = rows[rows.point == "PBV"]
    assert 18 <= len(on_point) <= 22
    assert set(on_point["mode"]) == {"PLAY"} and set(on_point.condition) == {"direct"}
    assert set(on_point.hypothesis) == {"no supply in PLAY"}
    assert (on_point.value - 12.0).abs().max() < 0.01
    floating = rows[rows.point == ""]
    assert set(floating["mode"]) == {"PLAY"} and floating.placement.isna().all()


def test_a_settled_value_is_judged_against_the_drawing_in_the_right_mode(desk):
    desk.say("condition", condition="direct")
    desk.say("mode", mode="PLAY")
    desk.floating()
    desk.say("point", probe="red", point="PBV")
    desk.volts(12.3)
    (red,) = [probe for probe in desk.state()["probes"] if probe["probe"] == "red"]
    assert red["state"] == "settled" and red["settled"]["value"] == pytest.approx(12.3, abs=0.001)
    assert red["judgement"]["verdict"] == "inside"
    assert "12.0 V printed" in red["judgement"]["compared_with"] or "12 V printed" in red["judgement"]["compared_with"]


def test_a_value_of_another_mode_and_two_values_are_objected_to(desk):
    desk.say("condition", condition="direct")
    desk.say("mode", mode="PLAY")
    measure(desk, "Q302 C", 0.0)
    measure(desk, "Q302 C", 6.54)  # answers the doubt: nothing to object to
    measure(desk, "Q302 C", 5.9)
    with desk.records() as records:
        kinds = list(records.objections()["kind"])
    assert kinds == ["other mode", "two values"]


def test_values_that_jump_while_nothing_new_is_said_ask_for_the_marks(desk):
    desk.say("condition", condition="direct")
    desk.say("mode", mode="STOP")
    measure(desk, "B", 12.0)
    desk.volts(7.0)
    desk.floating()
    desk.volts(3.0)
    with desk.records() as records:
        kinds = list(records.objections()["kind"])
    assert kinds == ["two values", "forgotten mark"]


def test_what_also_fits_is_a_remark_and_no_objection(desk):
    desk.say("condition", condition="direct")
    desk.say("mode", mode="PLAY")
    measure(desk, "Q302 C", 11.9)
    with desk.records() as records:
        texts = list(records.events().query("kind == 'remark'")["text"])
        assert "11.9 V at Q302 C also fits PBV (12 V expected)." in texts
        assert list(records.objections()["kind"]) == []


def test_ohms_on_a_live_unit_are_objected_to_and_never_a_voltage(desk):
    desk.amperes(0.0)
    desk.say("condition", condition="direct")
    desk.say("mode", mode="PLAY")
    desk.amperes(0.2)
    desk.floating()
    desk.say("point", probe="red", point="PBV")
    desk.volts(0, quantity=Quantity.OHM, flags=Flag.OVERLOAD)
    with desk.records() as records:
        assert list(records.objections()["kind"]) == ["function"]
        (row,) = records.placements().to_dict("records")
        assert row["quantity"] == "ohm"
    assert any(c["id"] == "unit is on" and c["due"] for c in desk.state()["cautions"])


def test_the_supply_condition_cannot_be_empty(desk):
    with pytest.raises(CommandError):
        checked({"command": "condition", "condition": ""})
    assert desk.state()["context"]["condition"] == "off"


def test_a_strike_and_its_undo_are_kept_with_their_history(desk):
    desk.say("mode", mode="PLAY")
    measure(desk, "PBV", 12.0)
    desk.say("strike", probe="red", why="wrong leg")
    with desk.records() as records:
        assert list(records.placements().struck) == [True]
        assert set(records.readings(series="dc_v").query("point == 'PBV'").struck) == {True}
    desk.say("strike", probe="red", undo=True)
    with desk.records() as records:
        assert list(records.placements().struck) == [False]
        assert len(records.changes()) == 2


def test_a_placement_can_be_said_to_have_been_elsewhere_and_is_judged_anew(desk):
    desk.say("condition", condition="direct")
    desk.say("mode", mode="PLAY")
    measure(desk, "PBV", 6.5)
    desk.say("move", placement=1, point="Q302 C")
    with desk.records() as records:
        (row,) = records.placements().to_dict("records")
    assert row["point"] == "Q302 C" and row["judgement"]["verdict"] == "inside"


def test_words_that_name_nothing_change_nothing(desk):
    with pytest.raises(CommandError, match="no placement 99"):
        desk.say("strike", placement=99)
    assert desk.say("point", point="PBV")["done"] == "red: PBV."
    with pytest.raises(CommandError, match="no probe 'blue'"):
        desk.say("point", point="PBV", probe="blue")
    with pytest.raises(CommandError, match="no caution"):
        desk.say("confirm", caution="none")
    with pytest.raises(CommandError, match="no session file"):
        desk.say("session", do="resume", file="nowhere")
    with pytest.raises(CommandError, match="earthed"):
        desk.say("session", do="start", unit="x")


def test_a_switch_on_orders_the_record_of_the_rolling_scope_and_keeps_it(desk):
    desk.say("mode", mode="PLAY")
    desk.say("point", probe="scope A", point="PB OUT")
    desk.send("scope", traces=[desk.rolling_trace("1"), desk.rolling_trace("2")])
    assert desk.state()["watch"] == {"watching": True, "why": "Watching PB OUT for the switch-on."}
    desk.amperes(0.0)
    desk.amperes(0.3)
    assert desk.ordered == []
    for _ in range(50):
        desk.clock.turn(0.1)
        desk.keeper.tick()
    assert desk.ordered == [("scope", 1)]
    desk.keeper.take(Recorded("scope", 1, (desk.rolling_trace("1"), desk.rolling_trace("2"))))
    with desk.records() as records:
        (capture,) = records.captures("switch-on").to_dict("records")
        assert (capture["point"], capture["mode"]) == ("PB OUT", "PLAY")
    verdict = {"verdict": "missing", "also": [], "ratio": 0.049, "why": "4.9 %."}
    desk.say("judged", capture=capture["id"], verdict=verdict)
    (shown,) = desk.state()["switch_ons"]
    assert (shown["verdict"], shown["point"]) == ("missing", "PB OUT")
    with desk.records() as records:
        (row,) = records.switch_ons().to_dict("records")
    assert (row["verdict"], row["ratio"]) == ("missing", 0.049)


def test_a_switch_on_that_no_scope_could_see_is_not_observed_and_says_why(desk):
    desk.say("point", probe="scope A", point="PB OUT")
    desk.send("scope", traces=[desk.rolling_trace()])
    desk.amperes(0.0)
    desk.amperes(0.3)
    for _ in range(50):
        desk.clock.turn(0.1)
        desk.keeper.tick()
    desk.keeper.take(Recorded("scope", 1, (), "the link is closed"))
    (shown,) = desk.state()["switch_ons"]
    assert shown["verdict"] == "not observed" and "the link is closed" in shown["why"]


def test_a_lost_instrument_is_told_its_probe_is_lost_and_its_stay_ends(desk):
    desk.say("mode", mode="PLAY")
    desk.floating()
    desk.say("point", probe="red", point="PBV")
    desk.volts(12.0)
    desk.keeper.take(Status("meter", "lost", desk.clock.now_us(), "closed in mid-message"))
    state = desk.state()
    assert next(p for p in state["probes"] if p["probe"] == "red")["state"] == "lost"
    with desk.records() as records:
        assert "instrument lost" in list(records.events()["kind"])
        assert records.placements().t1_us.notna().all()


def test_a_resumed_session_knows_what_was_known(tmp_path):
    desk = Desk(tmp_path)
    desk.say("condition", condition="isolation")
    desk.say("mode", mode="PLAY")
    desk.say("hypothesis", hypothesis="switch stuck", kill="PBV at 12 V in PLAY")
    desk.say("confirm", caution="first power")
    measure(desk, "PBV", 12.0)
    desk.keeper.close()
    again = desk.new_keeper()
    again.open(desk.path)
    desk.keeper = again
    state = desk.state()
    assert state["context"]["condition"] == "isolation" and state["context"]["mode"] == "PLAY"
    assert state["hypotheses"][0]["kill"] == "PBV at 12 V in PLAY"
    assert state["modes"] == ["STOP", "PLAY"]
    assert next(c for c in state["cautions"] if c["id"] == "first power")["confirmed"]
    measure(desk, "PBV", 9.0)
    with desk.records() as records:
        assert "two values" in list(records.objections()["kind"])
    desk.keeper.close()


def test_a_new_session_can_be_started_while_the_instruments_go_on(desk, tmp_path):
    desk.say("mode", mode="PLAY")
    desk.volts(1.0, 0.5)
    fields = {"unit": "tuner", "protection": "earthed", "rated_mains_v": 230.0, "file": str(tmp_path / "b.probetrail")}
    desk.say("session", do="start", **fields)
    desk.volts(1.0, 0.5)
    assert desk.state()["unit"]["unit"] == "tuner"
    for path in (tmp_path / "s.probetrail", tmp_path / "b.probetrail"):
        desk.keeper._commit()
        with open_session(path) as records:
            assert len(records.readings()) == 5, path


def test_a_point_above_the_touch_limit_is_told_before_it_is_touched_and_two_rails_by_their_sum(tmp_path):
    """The limits are those trade bodies quote (60 V DC); local rules may be lower."""
    drawing = DRAWING + '''
[[point]]
name = "HV"
printed_v = { PLAY = 72.0 }
[[point]]
name = "+B"
printed_v = { PLAY = 44.0 }
[[point]]
name = "-B"
printed_v = { PLAY = -44.0 }
'''
    desk = Desk(tmp_path, drawing)

    def due():
        return {c["id"]: c["text"] for c in desk.state()["cautions"] if c["due"]}

    assert not {"touch limit", "rail to rail"} & set(due())
    desk.say("point", probe="red", point="HV")
    assert "touch limit" in due()
    desk.say("condition", condition="direct")
    desk.say("mode", mode="PLAY")
    measure(desk, "+B", 44.5)
    measure(desk, "-B", -44.2)
    assert due()["rail to rail"] == "44.5 V and -44.2 V make 88.7 V between them."
    desk.keeper.close()


def test_a_new_session_of_the_bench_file_s_unit_keeps_its_drawing(desk, tmp_path):
    fields = {"unit": "cassette deck", "protection": "double-insulated", "rated_mains_v": 230.0}
    desk.say("session", do="start", file=str(tmp_path / "again.session"), **fields)
    assert desk.state()["modes"] == ["STOP", "PLAY"]


def test_what_the_mains_has_in_a_trace_goes_with_it_to_the_screens(desk):
    frames = []
    desk.keeper._feed = type("Listened", (), {"heard": True, "send": lambda self, frame: frames.append(frame)})()
    times_s = np.arange(2000) * 0.001
    codes = np.round(50 * np.sin(2 * np.pi * 50 * times_s)).astype(np.int16)
    desk.send("scope", traces=[Trace(desk.clock.now_us(), 0.001, codes, 0.1, 0.0, "1")])
    (frame,) = [each for each in frames if isinstance(each, bytes)]
    size = int.from_bytes(frame[:4], "little")
    hum = json.loads(frame[4 : 4 + size])["hum"]
    assert hum["mains_hz"] == pytest.approx(50, abs=0.05)
    assert hum["f_v"] == pytest.approx(5 / math.sqrt(2), rel=0.01)
    assert hum["two_f_v"] == pytest.approx(0, abs=0.05)
