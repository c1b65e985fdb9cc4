"""What is read with a part out of circuit: held against the network without it, or against nothing at all."""

from dataclasses import replace

import numpy as np
import pytest

from daemon.drawing import parse_drawing
from daemon.suspects.altered import LIKE, LINK, OUT, alter
from daemon.suspects.answer import answer, in_words
from daemon.suspects.dc import Solver
from daemon.suspects.diagnosis import Diagnosis
from daemon.suspects.faults import faults_of, put_in
from daemon.suspects.lifting import with_what_is_lifted
from daemon.suspects.marks import Mark, Stay, evidence_of
from daemon.suspects.net import build_net
from daemon.suspects.outlook import Outlook
from daemon.suspects.probes import outlook_of
from daemon.suspects.readings import Seen, parse_readings
from tests.suspects import spice
from tests.suspects.conftest import LAMP
from tests.suspects.networks import drawing_of
from tests.suspects.test_printed_only import THREE

DEAD = (Seen("A", "ON", "dc_v", 20.0), Seen("B", "ON", "dc_v", 0.02))
ALIVE = Seen("B", "ON", "dc_v", 12.0)


def lifted(part, how=""):
    return Seen(part, "ON", "lifted", how=how)


def back(part):
    return Seen(part, "ON", "back")


def as_built(drawing, out, across, *faults, far=0.5):
    """What ngspice finds in a unit that is built without the parts ``out``, with others twice for ``across``: volts by
    mode and net. The network is written anew, so that nothing here knows how a part is taken out of one."""
    parts = [part for part in drawing.parts if part.name not in out]
    parts += [replace(part, name=f"{part.name} twice") for part in drawing.parts if part.name in across]
    net = build_net(replace(drawing, parts=tuple(parts)))
    theta = net.nominal.T[:, :, None].copy()
    for name, fault in faults:
        if name not in out:
            mine = next(each for each in faults_of(net, net.part(name)) if each.fault == fault)
            put_in(net, mine, theta, np.array([far]))
    return net, theta[:, :, 0]


def by_ngspice(net, theta, folder):
    return spice.solve(net, list(theta), folder, spice.QUICK_OPTIONS)


CASES = [
    ("mixer", ("C7",), (), [("C7", "shorted")]),
    ("mixer", ("F1",), (), []),
    ("mixer", ("R7",), (), [("D6", "shorted")]),
    ("mixer", ("Q1",), (), [("D4", "open")]),
    ("mixer", ("U2",), (), [("R3", "open")]),
    ("cassette", ("L1", "D2"), (), [("C2", "leaky")]),
    ("receiver", ("S1",), (), []),
    ("receiver", (), ("R3",), [("R3", "open")]),
    ("receiver", (), ("R3",), [("R4", "value wrong")]),
    ("cassette", (), ("D1",), [("D1", "open")]),
    ("cassette", (), ("Q2",), [("Q2", "open")]),
    ("amplifier", (), ("L1",), [("L1", "open")]),
    ("console", ("V2",), (), [("C8", "shorted")]),
]


@pytest.mark.parametrize(("name", "out", "across", "faults"), CASES)
def test_ngspice_finds_the_same_volts_in_a_unit_built_without_the_part(ngspice, tmp_path, name, out, across, faults):
    """Reference: ngspice (Debian package), operating point, of a netlist that has no such part, or has it twice."""
    drawing = drawing_of(name)
    other, theirs = as_built(drawing, out, across, *faults)
    told = by_ngspice(other, theirs, tmp_path)
    net = build_net(drawing)
    theta = net.nominal.T[:, :, None].copy()
    for part, fault in faults:
        mine = next(each for each in faults_of(net, net.part(part)) if each.fault == fault)
        put_in(net, mine, theta, np.array([0.5]))
    alter(net, frozenset([*((part, OUT) for part in out), *((part, LIKE) for part in across)]), theta, [])
    ours = Solver(net).solve(theta[:, :, 0].T.copy()).volts
    shared = [node for node in other.nodes if node in net.nodes]
    assert len(shared) > 0.8 * len(net.nodes)
    for node in shared:  # an open part is 1 Tohm here, a node's leak 1 Gohm: one that floats is off by a thousandth
        assert ours[net.nodes[node]] == pytest.approx(told[:, other.nodes[node]], abs=0.03), node


def read(drawing, told, net, *points):
    """Readings of nets in a mode, from ngspice's volts."""
    modes = list(drawing.modes)
    return [Seen(node.upper(), mode, "dc_v", float(told[modes.index(mode), net.nodes[node]])) for node, mode in points]


STORIES = [
    ("mixer", "PHANTOM OFF", ("C7", "shorted"), ("C7", "D6", "L3"), ("p12", "p15b", "n15")),
    ("mixer", "PHANTOM OFF", ("D6", "shorted"), ("C7", "D6", "L3"), ("p12", "p15b", "n15")),
    ("cassette", "PLAY", ("D3", "shorted"), ("D3", "L1"), ("mot", "pb", "b12")),
    ("receiver", "FM", ("C3", "shorted"), ("C3", "L2"), ("fm2", "fm", "b12")),
    ("console", "TAPE", ("C9", "shorted"), ("C9", "L4"), ("osc2", "osc", "p18")),
    ("console", "FM", ("L2", "shorted"), ("C5", "D2", "L2"), ("fm2", "fm", "p18")),
]


@pytest.mark.parametrize(("name", "mode", "fault", "in_turn", "nets"), STORIES)
def test_lifting_the_shorted_one_brings_the_rail_back_and_a_sound_one_leaves_it(
    ngspice, tmp_path, name, mode, fault, in_turn, nets
):
    """Parts side by side, lifted in turn in a unit that ngspice solves: no volts with all of them in tell which."""
    drawing = drawing_of(name)
    diagnosis = Diagnosis(drawing)
    points = [(net, mode) for net in nets]
    net, theta = as_built(drawing, (), (), fault)
    evidence = read(drawing, by_ngspice(net, theta, tmp_path), net, *points)
    for part in sorted(in_turn, key=lambda each: each == fault[0]):
        before = diagnosis.posterior(evidence).by_part[part]
        net, theta = as_built(drawing, (part,), (), fault)
        meanwhile = read(drawing, by_ngspice(net, theta, tmp_path), net, points[0])
        evidence += [lifted(part), *meanwhile, back(part)]
        after = diagnosis.posterior(evidence).by_part.get(part, 0.0)
        if part != fault[0]:
            assert before > 0.05 and after < 0.2 * before, part
    assert next(iter(diagnosis.posterior(evidence).by_part)) == fault[0] and after > 0.9


def test_a_rail_without_its_fuse_reads_nothing_and_says_nothing_against_the_fuse(chance):
    """Before it counted against the network as drawn, where 0 V at A are a blown fuse or a dead source."""
    nothing = Seen("A", "ON", "dc_v", 0.0)
    for part in ("F1", "V1", "C1"):
        assert chance(part, lifted("F1"), nothing) == pytest.approx(chance(part), rel=0.25)
    assert chance("F1", nothing) > 2 * chance("F1")


def test_current_and_ohms_count_with_a_part_lifted_too(chance):
    """0.198 A through 100 ohm into a short that goes with C2: then 0.08 A by the zener's 12 V, and many ohms."""
    short = (*DEAD, Seen("V1", "ON", "current_a", 0.198))
    sound = chance("C2", *short, lifted("C2"), Seen("V1", "ON", "current_a", 0.079))
    assert sound > 0.9 > chance("C2", *short)
    ohms = Seen("B", "", "ohm_off", 0.3, None, "off")
    assert chance("C2", *short, lifted("C2"), ohms) < 0.05 < chance("C2", *short, ohms)


def test_once_it_is_back_readings_are_of_the_unit_as_drawn(chance):
    again = (*DEAD, lifted("C2"), ALIVE, back("C2"), DEAD[1])
    assert chance("C2", *again) > 0.9
    replaced = (*DEAD, lifted("C2"), ALIVE, Seen("C2", "ON", "mended"), ALIVE)
    assert chance("C2", *replaced) > 0.9


def test_a_reading_with_the_part_back_is_one_taken_again(diagnosis):
    """The unit is what it was before: what the network does not know of it is the same once more."""
    told = (*DEAD, lifted("D1"), DEAD[1], back("D1"))
    before, after = (diagnosis.posterior(each) for each in (told, (*told, DEAD[1])))
    assert after.by_part == pytest.approx(before.by_part, abs=0.02)
    assert after.taken["B", "ON", "dc_v"].state == after.state
    assert ("B", "ON", "dc_v") not in diagnosis.posterior((*DEAD, lifted("D1"))).taken


def test_two_parts_that_are_lifted_at_once_are_both_out(chance):
    """With both lifted the rail comes back; with C2 alone it did not."""
    told = (*DEAD, lifted("C2"), DEAD[1], lifted("D1"), Seen("B", "ON", "dc_v", 17.0))
    assert chance("D1", *told) > 0.9


def test_the_next_probe_is_foreseen_without_the_part(diagnosis):
    """With the fuse lifted nobody expects 20 V behind it."""
    posterior = diagnosis.posterior([Seen("RAW", "ON", "dc_v", 20.0), lifted("F1")])
    outlook: Outlook = outlook_of(posterior)
    number = next(n for n, each in enumerate(outlook.listed) if each.point == "A" and each.mode == 0)
    assert float(outlook.mean[number] @ outlook.weights) == pytest.approx(0, abs=0.1)


def test_a_like_resistor_across_a_sound_one_is_not_read_as_a_change_of_the_unit(chance):
    """R1 halved lets the zener draw twice the current: V1 gives 0.15 A more and nothing is faulty by that."""
    usual, more = Seen("V1", "ON", "current_a", 0.079), Seen("V1", "ON", "current_a", 0.157)
    assert chance("D1", usual, Seen("R1", "ON", "bypassed"), more) < 1.3 * chance("D1", usual)
    dead = Seen("B", "ON", "dc_v", 0.0)
    helped = (*DEAD, Seen("R1", "ON", "bypassed"), ALIVE)
    assert chance("R1", *helped) > 0.9
    assert chance("R1", *DEAD, Seen("R1", "ON", "bypassed"), dead) < 0.05


def test_a_link_across_a_switch_closes_it_in_every_mode(diagnosis):
    def stuck(*evidence):
        found = diagnosis.posterior(evidence)
        return sum(
            float(p)
            for each, p in zip(found.table.hypotheses, found.by_hypothesis, strict=True)
            if (each.part, each.fault) == ("S1", "stuck closed")
        )

    lit = Seen("LAMP", "DIM", "dc_v", 12.0)
    assert stuck(lit) > 0.5
    for how in (LINK, ""):
        assert stuck(Seen("S1", "DIM", "bypassed", how=how), lit) < 0.1


def test_what_a_person_sums_up_is_not_counted_twice(chance):
    read_so = (*DEAD, lifted("D1"), DEAD[1], back("D1"))
    said = Seen("D1", "ON", "proof", 1.0)
    assert chance("D1", *read_so, said) == pytest.approx(chance("D1", *read_so))
    assert chance("D1", *DEAD, said) > 2 * chance("D1", *DEAD)


NO_WORLDS = [
    (lifted("Q3", "collector"), "receiver", "Q3 is lifted at one leg only (collector)"),
    (lifted("R99"), "receiver", "R99 is lifted and not in the drawing's network"),
]


@pytest.mark.parametrize(("said", "name", "words"), NO_WORLDS)
def test_what_the_network_cannot_have_silences_readings_and_is_said(said, name, words):
    diagnosis = Diagnosis(drawing_of(name))
    before = diagnosis.posterior([])
    odd = Seen("B12", "FM", "dc_v", 3.0)
    during = diagnosis.posterior([said, odd])
    assert during.by_part == pytest.approx(before.by_part)
    (told,) = answer(during, "FM")["lifted"]
    assert told["said"].startswith(words) and not told["counts"] and told["lifted"]
    assert f"LIFTED: {words}" in in_words(answer(during, "FM"), during)
    later = diagnosis.posterior([said, odd, back(said.point), Seen("B12", "FM", "dc_v", 12.0)])
    (told,) = answer(later, "FM")["lifted"]
    assert told["said"].startswith("A reading taken while ") and told["said"].endswith("is left out.")
    assert diagnosis.posterior([said, odd, back(said.point), odd]).by_part != pytest.approx(before.by_part)


def test_with_printed_volts_only_readings_without_a_part_are_left_out():
    drawing = parse_drawing(THREE, "three.toml")
    diagnosis = Diagnosis(drawing)
    name, mode = drawing.points[0].name, drawing.modes[0]
    odd = Seen(name, mode, "dc_v", 0.0)
    assert diagnosis.posterior([odd]).by_part != pytest.approx(diagnosis.posterior([]).by_part)
    silent = diagnosis.posterior([Seen("C7", mode, "lifted"), odd])
    assert silent.by_part == pytest.approx(diagnosis.posterior([]).by_part)
    assert "only printed volts are known" in answer(silent, mode)["lifted"][0]["said"]


def test_a_part_that_is_lifted_is_called_out_until_it_is_back(diagnosis):
    posterior = diagnosis.posterior([*DEAD, lifted("C2"), ALIVE])
    said = answer(posterior, "ON")
    (told,) = said["lifted"]
    assert told["part"] == "C2" and told["counts"] and "until it is said to be back" in told["said"]
    suspect = next(each for each in said["suspects"] if (each["part"], each["fault"]) == ("C2", "shorted"))
    assert "B 12 V (ON) with C2 lifted" in suspect["for"]
    assert "lifted" not in answer(diagnosis.posterior([*DEAD, lifted("C2"), ALIVE, back("C2")]), "ON")


def test_what_is_read_with_a_part_out_is_no_phase_of_a_bypass(diagnosis):
    told = (lifted("R1"), DEAD[1], back("R1"), Seen("F1", "ON", "bypassed"))
    (proof,) = answer(diagnosis.posterior(told), "ON")["proofs"]
    assert proof["said"].startswith("No faulty reading was taken before")


MARKS = [
    ("part lifted", "C2", [("C2", "lifted", "")]),
    ("part lifted", "C2 lifted at one end", [("C2", "lifted", "one end")]),
    ("part lifted", "C2 lifted, tested good", [("C2", "lifted", ""), ("C2", "good", "")]),
    ("part lifted", "C2 lifted, rail is back", [("C2", "lifted", "")]),
    ("part lifted", "C2 tested good", [("C2", "good", "")]),
    ("part lifted", "R99 out", [("R99", "lifted", "")]),
    ("part lifted", "the coil", [("a part that is not named", "lifted", "")]),
]
AGAIN = ["C2 back", "C2 refitted", "C2 soldered back in", "C2 no longer lifted"]


@pytest.mark.parametrize(("kind", "text", "seen"), MARKS)
def test_a_mark_says_what_is_lifted(lamp, kind, text, seen):
    found = evidence_of([], [Mark(5, kind, text, "ON", {})], lamp)
    assert [(each.point, each.quantity, each.how) for each in found.seen] == seen


@pytest.mark.parametrize("text", AGAIN)
@pytest.mark.parametrize("kind", ["part lifted", "note"])
def test_a_mark_says_that_it_is_back(lamp, kind, text):
    marks = [Mark(5, "part lifted", "C2 and R1", "ON", {}), Mark(6, kind, text, "ON", {})]
    found = [(each.point, each.quantity) for each in evidence_of([], marks, lamp).seen]
    back_too = [("C2", "back")] if kind == "part lifted" or text != "C2 back" else []
    assert found == [("R1", "lifted"), ("C2", "lifted"), *back_too]


@pytest.mark.parametrize(("text", "leg"), [("Q3 C lifted", "C"), ("base of Q3", "base"), ("Q3 taken out", "")])
def test_the_one_leg_that_is_lifted_is_heard(text, leg):
    found = evidence_of([], [Mark(5, "part lifted", text, "FM", {})], drawing_of("receiver"))
    assert [(each.point, each.how) for each in found.seen] == [("Q3", leg)]


def test_a_part_that_is_back_without_having_been_lifted_is_no_evidence(lamp):
    assert evidence_of([], [Mark(5, "note", "C2 refitted", "ON", {})], lamp).seen == ()
    stranger = [Mark(5, "part lifted", "R99", "ON", {}), Mark(6, "part replaced", "new R99", "ON", {})]
    assert [each.quantity for each in evidence_of([], stranger, lamp).seen] == ["lifted", "back"]


def test_a_condition_can_say_it_too(lamp):
    def stay(number, condition):
        return Stay(number, 10 * number, "B", "", "ON", condition, "dc_v", 12.0, None)

    conditions = ["isolation", "isolation, C2 lifted", "isolation, C2 lifted", "isolation, cover lifted"]
    found = evidence_of([stay(n, each) for n, each in enumerate(conditions, 1)], [], lamp)
    assert [each.quantity for each in found.seen] == ["dc_v", "lifted", "dc_v", "dc_v", "back", "dc_v"]
    assert found.placements == (1, None, 2, 3, None, 4)


HEAD = "point,mode,condition,quantity,value,uncertainty\nA,ON,isolation,dc_v,20,\nB,ON,isolation,dc_v,0.02,\n"
SAID_IN_A_FILE = [
    "B,ON,C2 lifted,dc_v,12,\n",
    "B,ON,\"isolation, C2 lifted\",dc_v,12,\nB,ON,isolation,dc_v,0.02,\n",
    "C2,,,part_lifted,,\nB,ON,isolation,dc_v,12,\nC2,,,part_back,,\nB,ON,isolation,dc_v,0.02,\n",
]


@pytest.mark.parametrize("rows", SAID_IN_A_FILE)
def test_a_readings_file_can_say_it(lamp, diagnosis, rows):
    seen = parse_readings(HEAD + rows, "r.csv", lamp)
    assert next(iter(diagnosis.posterior(seen).by_part)) == "C2"
    assert diagnosis.posterior(seen).by_part["C2"] > 0.9


def test_what_a_condition_said_is_heard_once(lamp):
    """Replaced while its condition still stands beside the readings: the same list whoever goes through it again."""
    stays = [Stay(1, 10, "B", "", "ON", "isolation, C2 lifted", "dc_v", 12.0, None)]
    stays.append(Stay(2, 30, "B", "", "ON", "isolation", "dc_v", 12.0, None))
    found = evidence_of(stays, [Mark(20, "part replaced", "C2", "ON", {})], lamp).seen
    assert [each.quantity for each in found] == ["lifted", "dc_v", "mended", "dc_v"]
    again = with_what_is_lifted(((0, None, each) for each in found), lamp)
    assert tuple(each for _, _, each in again) == found


def test_a_readings_file_can_name_the_one_leg():
    rows = "point,mode,condition,quantity,value,uncertainty\nQ3,,collector,part_lifted,,\n"
    (seen,) = parse_readings(rows, "r.csv", drawing_of("receiver"))
    assert (seen.point, seen.quantity, seen.how) == ("Q3", "lifted", "collector")


def test_until_the_network_without_it_is_solved_readings_wait_and_nothing_is_solved(monkeypatch):
    diagnosis = Diagnosis(parse_drawing(LAMP, "lamp.toml"))
    told = [*DEAD, lifted("C2"), ALIVE]
    assert diagnosis.table.of.size
    solved = []
    unit = diagnosis._unit
    monkeypatch.setattr(unit, "_solved", lambda *about: solved.append(1) or type(unit)._solved(unit, *about))
    first = diagnosis.single(told, solve=False)
    assert first.wanting and not solved
    assert first.by_part == pytest.approx(diagnosis.single(DEAD).by_part)
    assert "once the network without it is worked out" in answer(first, "ON")["lifted"][0]["said"]
    assert diagnosis.single(told).by_part["C2"] > 0.9 and len(solved) == 1
    assert not diagnosis.single(told, solve=False).wanting and len(solved) == 1
