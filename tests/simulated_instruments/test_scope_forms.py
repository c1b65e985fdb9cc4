"""The simulated scope's three forms hold the same record, and a single capture takes the first whole sweep."""

import struct

import numpy as np
import pytest

from simulated_instruments.instruments.digitising import coded
from simulated_instruments.instruments.scope import Scope
from tests.simulated_instruments.conftest import LocalUnit, Spoken


def scope_of(form):
    """A stopped scope of one form; all of them see the same unit at the same moment with the same noise."""
    bench = LocalUnit()
    identity = ("Ostrel", "Twotrace 8", "OS80442", "2.0")
    spoken = Spoken(Scope("scope", ("scope A", "scope B"), identity, bench, bench.clock, 1, form))
    for knob, position in (("s/div", 0.005), ("V/div 1", 10.0)):
        bench.ask(do="knob", instrument="scope", knob=knob, position=position)
    bench.ask(do="power", on=True)
    bench.ask(do="touch", probe="scope A", thing="VN")
    bench.turn(5.0)
    return bench, spoken


def payload(answer):
    at = answer.index(b"#")
    digits = int(answer[at + 1 : at + 2])
    count = int(answer[at + 2 : at + 2 + digits])
    data = answer[at + 2 + digits : at + 2 + digits + count]
    assert len(data) == count and answer.endswith(b"\n")
    return answer[:at], data


def test_form_b_and_form_c_send_the_codes_of_form_a():
    a, b, c = (scope_of(form)[1] for form in "abc")
    for spoken, stop in ((a, ":STOP"), (b, ":ACQ:STATE STOP"), (c, "STOP")):
        spoken(stop)
    of_a = np.frombuffer(payload(a.raw(":WAV:DATA?"))[1], np.uint8).astype(int) - 128
    header, curve = payload(b.raw(":CURV?"))
    assert header == b":CURVE "
    assert np.array_equal(np.frombuffer(curve, np.int8), of_a)
    header, block = payload(c.raw("C1:WF? ALL"))
    assert header == b"C1:WF ALL,"
    length, note, count = (struct.unpack_from(">i", block, at)[0] for at in (36, 40, 60))
    assert (length, count, len(block)) == (346, 1000, 346 + note + 1000)
    assert np.array_equal(np.frombuffer(block[length + note :], np.int8), of_a)


def test_the_preamble_of_form_b_has_its_keys_until_headers_are_off():
    _, spoken = scope_of("b")
    assert spoken(":WFMP?").startswith(":WFMPRE:BYT_NR 1;BIT_NR 8;ENCDG BIN;BN_FMT RI;BYT_OR MSB;NR_PT 1000;")
    assert spoken(":WFMP:YMULT?") == ":WFMPRE:YMULT +3.125000E-01"
    spoken(":HEAD OFF")
    assert spoken(":WFMP?").startswith("1;8;BIN;RI;MSB;1000;")
    assert spoken(":WFMP:YMULT?") == "+3.125000E-01"


@pytest.mark.parametrize(
    ("bits", "signed", "high_first", "sent"),
    [
        (8, False, True, b"\x00\x80\xff"),
        (8, True, True, b"\x80\x00\x7f"),
        (16, False, True, b"\x00\x00\x80\x00\xff\x00"),
        (16, True, True, b"\x80\x00\x00\x00\x7f\x00"),
        (16, True, False, b"\x00\x80\x00\x00\x00\x7f"),
    ],
)
def test_codes_go_out_in_both_widths_signs_and_byte_orders(bits, signed, high_first, sent):
    """Two's complement, written out by hand."""
    assert coded(b"\x00\x80\xff", bits, signed, high_first) == sent


@pytest.mark.parametrize(
    ("form", "arm", "state", "waiting", "done"),
    [
        ("a", ":SING", ":TRIG:STAT?", "WAIT", "STOP"),
        ("b", ":ACQ:STOPA SEQ;:ACQ:STATE RUN", ":TRIG:STATE?", ":TRIGGER:STATE READY", ":TRIGGER:STATE SAVE"),
        ("c", "TRMD SINGLE;ARM", "TRMD?", "TRMD SINGLE", "TRMD STOP"),
    ],
)
def test_a_single_capture_waits_for_a_whole_sweep_and_then_stands(form, arm, state, waiting, done):
    bench, spoken = scope_of(form)
    spoken(arm)
    assert spoken(state) == waiting
    bench.turn(0.04)
    assert spoken(state) == waiting
    bench.turn(0.1)
    assert spoken(state) == done
    held = spoken.instrument.shown()
    bench.turn(1.0)
    assert spoken.instrument.shown() is held
