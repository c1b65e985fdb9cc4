"""The scripted technician: order of the script, and what he says over HTTP to a daemon that only writes down."""

import json
import threading
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

import pytest

from simulated_instruments.clock import TurnedClock
from simulated_instruments.technician.acting import Answer, Hand, Hold, Pause, Say, Strike, Wait
from simulated_instruments.technician.doors import DaemonDoor
from simulated_instruments.technician.playing import Player
from simulated_instruments.technician.script import script, v_div_for
from simulated_instruments.unit.scenario import load

SCENARIOS = ("amplifier", "mixer", "cassette")


def said(action, command):
    return isinstance(action, Say) and action.command["command"] == command


def does(action, what):
    return isinstance(action, Hand) and action.request["do"] == what


def positions(actions, true):
    return [i for i, action in enumerate(actions) if true(action)]


@pytest.fixture(params=SCENARIOS)
def scenario(request):
    return load(request.param)


def test_all_lines_of_all_logs_are_played_in_order():
    held = {name: [a.line for a in script(load(name)) if isinstance(a, Hold)] for name in SCENARIOS}
    assert held == {name: list(range(len(load(name).log))) for name in SCENARIOS}
    assert sum(map(len, held.values())) == 47


def test_each_reading_is_said_then_touched_then_held_then_lifted(scenario):
    actions = script(scenario)
    for at in positions(actions, lambda a: isinstance(a, Hold)):
        line = scenario.log[actions[at].line]
        touch = next(a for a in reversed(actions[:at]) if does(a, "touch"))
        lift = next(a for a in actions[at:] if does(a, "lift"))
        mark = next(a for a in reversed(actions[:at]) if said(a, "point"))
        assert touch.request == {"do": "touch", "probe": actions[at].probe, "thing": line.touches}
        assert mark.command["point"] == line.point and mark.command["probe"] == lift.request["probe"]
        assert mark.command.get("leg", "") == line.leg
        assert (line.leg == "across") == (line.function == "across")


def test_the_point_is_left_before_an_open_lead_is_lifted(scenario):
    """An overload or a hum cannot tell a lead in the air from one on a point: the technician has to."""
    actions = script(scenario)
    for at in positions(actions, lambda a: isinstance(a, Hold)):
        left = said(actions[at + 1], "point") and actions[at + 1].command["point"] == ""
        assert left == (scenario.log[actions[at].line].function not in ("dc_v", "across"))


def marked_and_real(scenario):
    """For each line: what the daemon was told and what is true at the moment of the reading."""
    marked, real, found = {}, {"on": False, "stage": "faulty"}, []
    for action in script(scenario):
        if isinstance(action, Say):
            marked.update({key: action.command[key] for key in ("mode", "condition") if key in action.command})
        elif isinstance(action, Hand):
            real.update({key: action.request[key] for key in ("mode", "on", "stage") if key in action.request})
            if action.request["do"] == "knob":
                real[action.request["knob"]] = action.request["position"]
        elif isinstance(action, Hold):
            found.append((scenario.log[action.line], dict(marked), dict(real)))
    return found


def test_mode_and_condition_are_marked_as_the_log_tags_them_and_set_as_they_really_were(scenario):
    for line, marked, real in marked_and_real(scenario):
        assert (marked["mode"], marked["condition"]) == (line.mode, line.condition)
        assert real["on"] == line.powered
        if line.powered:
            assert real["mode"] == line.really


def test_the_meter_and_the_hand_scope_probe_stand_as_the_function_needs(scenario):
    for line, _, real in marked_and_real(scenario):
        if line.function == "scope":
            assert real["coupling 2"] == "AC" and real["s/div"] < 0.1
            assert 4 * real["V/div 2"] >= line.value
        else:
            wanted = {"across": "dc_v"}.get(line.function, line.function)
            assert real.get("function", "dc_v") == wanted


def test_the_stage_is_what_the_remark_of_the_line_says(scenario):
    stage = "faulty"
    for line, _, real in marked_and_real(scenario):
        stage = line.stage or stage
        assert real["stage"] == stage
    assert stage == "repaired"


def test_switch_ons_stand_before_the_first_and_after_the_last_reading(scenario):
    actions = script(scenario)
    ons = positions(actions, lambda a: does(a, "power") and a.request["on"])
    offs = positions(actions, lambda a: does(a, "power") and not a.request["on"])
    holds = positions(actions, lambda a: isinstance(a, Hold))
    assert offs[0] < ons[0] < holds[0]
    assert holds[-1] < offs[-1] < ons[-1]
    assert len(ons) == len(offs) == 4


def test_before_each_switch_on_the_scope_rolls_and_cautions_are_answered_and_after_it_the_window_is_awaited(scenario):
    actions = script(scenario)
    for at in positions(actions, lambda a: does(a, "power") and a.request["on"]):
        since = max([0, *positions(actions[:at], lambda a: does(a, "power"))])
        before = actions[since:at]
        knobs = {a.request["knob"]: a.request["position"] for a in before if does(a, "knob")}
        assert knobs["s/div"] == 0.5 and knobs["V/div 1"] == scenario.scope_v_div and knobs["coupling 1"] == "DC"
        assert any(isinstance(a, Answer) for a in before)
        turned = max(positions(before, lambda a: does(a, "knob")))
        assert sum(a.seconds for a in before[turned:] if isinstance(a, Wait)) >= 1.5
        assert isinstance(actions[at - 1], Wait)
        assert isinstance(actions[at + 1], Wait) and actions[at + 1].seconds >= 6


def test_the_healthy_kick_does_not_clip_at_the_knobs_of_the_switch_on(scenario):
    _, volts = scenario.wave(scenario.scope_point, "healthy")
    assert max(map(abs, volts)) < 3.97 * scenario.scope_v_div


def test_clip_and_scope_are_put_on_while_the_unit_is_off(scenario):
    actions = script(scenario)
    first_on = positions(actions, lambda a: does(a, "power") and a.request["on"])[0]
    on = {a.request["probe"]: a.request["thing"] for a in actions[:first_on] if does(a, "touch")}
    assert on == {"clip": scenario.clip_point, "scope A": scenario.scope_point}


def test_proof_and_repair_are_noted_with_the_power_off_before_their_reading(scenario):
    actions = script(scenario)
    on, kinds = False, []
    for action in actions:
        if does(action, "power"):
            on = action.request["on"]
        if said(action, "note"):
            assert not on
            kinds.append(action.command["kind"])
    assert "proof" in kinds
    assert {"part replaced", "cleaned"} & set(kinds)


def test_a_hypothesis_is_named_with_what_would_kill_it_and_ends_as_proved(scenario):
    said_ = [a.command for a in script(scenario) if said(a, "hypothesis")]
    assert said_[0]["kill"] and said_[1]["state"] == "proved"
    assert said_[1]["hypothesis"] == said_[0]["hypothesis"]


def test_every_mistake_is_struck_after_it_was_made(scenario):
    actions = script(scenario)
    for at in positions(actions, lambda a: isinstance(a, Strike)):
        made = positions(actions, lambda a, at=at: isinstance(a, Hold) and a.line == actions[at].line)[0]
        assert made < at
    struck = [a.line for a in actions if isinstance(a, Strike)]
    assert sorted(struck) == [i for i, line in enumerate(scenario.log) if line.trap]


@pytest.mark.parametrize(("vpp", "v_div"), [(0.0113, 0.005), (12.07, 5.0), (0.0001, 0.001), (1e6, 50.0)])
def test_the_volts_a_division_are_a_step_of_1_2_5_that_cannot_clip(vpp, v_div):
    assert v_div_for(vpp) == pytest.approx(v_div)


# ---- against a door that writes down


class WritingDoor(ThreadingHTTPServer):
    """A daemon that takes everything, and calls a probe settled after three looks at the same point."""

    daemon_threads = True

    def __init__(self):
        super().__init__(("127.0.0.1", 0), _Request)
        self.commands = []
        self.tokens = set()
        self.points = {}
        self.number = 0
        self.looks = 0
        self.caution = {"id": "first-power", "kind": "confirm", "confirmed": False, "due": True}

    def take(self, command):
        self.commands.append(command)
        if command["command"] == "point":
            self.points[command["probe"]] = command["point"]
            self.number += bool(command["point"])
            self.looks = 0
        if command["command"] == "confirm":
            self.caution["confirmed"] = True

    def state(self):
        self.looks += 1
        probes = [
            {
                "probe": probe,
                "point": point,
                "placement": self.number if point else None,
                "state": "settled" if self.looks > 3 else "settling",
                "settled": {"count": 9, "value": 1.0},
                "flags": "",
            }
            for probe, point in self.points.items()
        ]
        status = "ok" if self.looks > 1 else "opening"
        return {"probes": probes, "instruments": [{"name": "meter", "status": status}], "cautions": [self.caution]}


class _Request(BaseHTTPRequestHandler):
    def _answer(self, body, code=200):
        data = json.dumps(body).encode()
        self.send_response(code)
        self.send_header("Content-Length", str(len(data)))
        self.end_headers()
        self.wfile.write(data)

    def do_GET(self):
        self.server.tokens.add(self.headers["Authorization"])
        self._answer(self.server.state())

    def do_POST(self):
        command = json.loads(self.rfile.read(int(self.headers["Content-Length"])))
        self.server.tokens.add(self.headers["Authorization"])
        if command["command"] == "refuse me":
            self._answer({"error": "no", "field": "command"}, 422)
            return
        self.server.take(command)
        self._answer({"done": "yes", "id": None})

    def log_message(self, *args):
        """Silence."""


@pytest.fixture
def daemon():
    with WritingDoor() as server:
        thread = threading.Thread(target=server.serve_forever, args=(0.02,))
        thread.start()
        yield server
        server.shutdown()
        thread.join()


def door_to(daemon):
    return DaemonDoor(f"http://127.0.0.1:{daemon.server_address[1]}/", "secret")


def test_a_whole_repair_is_said_through_the_door_in_the_order_of_the_script(scenario, daemon, bench_of):
    bench = bench_of(scenario.name)
    told = []
    Player(scenario, bench, door_to(daemon), bench.clock, told.append, speed=50.0).play()
    expected = [a.command for a in script(scenario) if isinstance(a, Say)]
    commands = [c for c in daemon.commands if c["command"] not in ("confirm", "strike")]
    assert commands == expected
    assert daemon.tokens == {"Bearer secret"}
    assert daemon.caution["confirmed"]
    assert told[-1]["action"] == "done"
    assert bench.unit.state.on and bench.unit.state.stage == "repaired"


def test_strikes_name_the_placement_of_the_mistake_itself(scenario, daemon, bench_of):
    bench = bench_of(scenario.name)
    told = []
    Player(scenario, bench, door_to(daemon), bench.clock, told.append).play()
    placements = {fact["line"]: fact["placement"] for fact in told if fact["action"] == "has read"}
    wrong = [i for i, line in enumerate(scenario.log) if line.trap]
    struck = [c["placement"] for c in daemon.commands if c["command"] == "strike"]
    assert sorted(struck) == sorted(placements[i] for i in wrong)
    assert len(set(placements.values())) == len(scenario.log)


def test_what_really_happened_is_reported_for_every_line(daemon, bench_of):
    bench = bench_of("mixer")
    told = []
    Player(load("mixer"), bench, door_to(daemon), bench.clock, told.append).play()
    lands = [fact for fact in told if fact["action"] == "lands"]
    assert [fact["line"] for fact in lands] == list(range(16))
    assert lands[7] | {"point": "VN", "touches": "0 V", "trap": "WRONG_POINT"} == lands[7]
    assert lands[3]["mode"] == "PHANTOM ON" and lands[3]["really"] == "PHANTOM OFF"


def test_speed_shortens_the_pauses_and_nothing_else(daemon, bench_of):
    def lasts(speed):
        bench = bench_of("amplifier")
        began_s = bench.clock.now_s()
        Player(load("amplifier"), bench, door_to(daemon), bench.clock, lambda fact: None, speed=speed).play()
        return bench.clock.now_s() - began_s

    actions = script(load("amplifier"))
    pauses_s = sum(action.seconds for action in actions if isinstance(action, Pause))
    waits_s = sum(action.seconds for action in actions if isinstance(action, Wait))
    assert lasts(1.0) - lasts(1e9) == pytest.approx(pauses_s, rel=0.1)
    assert lasts(1e9) > waits_s + 16 * 0.8


def test_a_refusal_is_an_answer_and_not_an_end(daemon):
    assert door_to(daemon).say({"command": "refuse me"}) == {"error": "no", "field": "command"}


def test_instruments_that_never_answer_are_named(bench_of):
    class Dead:
        def state(self):
            return {"instruments": [{"name": "scope", "status": "lost"}, {"name": "meter", "status": "ok"}]}

    bench = bench_of("mixer")
    with pytest.raises(RuntimeError, match=r"from: scope$"):
        Player(load("mixer"), bench, Dead(), TurnedClock(), lambda fact: None).play()
