"""The generic scope against the simulated one over a real socket, in each of the three forms.

What the converter of the simulated scope holds is known beside the wire: volts have to be those.
"""

import threading

import numpy as np
import pytest

from drivers.errors import DriverError
from drivers.protocols import InstrumentSpec
from drivers.registry import open_instrument
from simulated_instruments.instruments.digitising import MIDDLE, step_v
from simulated_instruments.instruments.scope import Scope
from simulated_instruments.serving import serve_hislip, serve_tcp, serve_vxi11
from tests.drivers.conformance import SHORT_S, block
from tests.drivers.instruments import two_channel_scope
from tests.drivers.scripted import Scripted
from tests.simulated_instruments.conftest import LocalUnit

IDENTITY = ("Ostrel", "Twotrace 8", "OS80442", "2.0")
WAYS = [
    ("a", ""),
    ("a", ":WAV:UNS 0"),
    ("a", ":WAV:FORM WORD"),
    ("a", ":WAV:FORM WORD;BYT LSBF;UNS 0"),
    ("a", ":WAV:FORM ASC"),
    ("b", ""),
    ("b", ":HEAD OFF"),
    ("b", ":DATA:ENC RPB"),
    ("b", ":DATA:ENC RIB;WID 2"),
    ("b", ":DATA:ENC SRP;WID 2"),
    ("b", ":DATA:ENC ASC"),
    ("b", ":HEAD OFF;:DATA:ENC ASC"),
    ("c", ""),
    ("c", "CFMT DEF9,WORD,BIN"),
    ("c", "CFMT DEF9,WORD,BIN;CORD LO"),
    ("c", "CORD LO"),
]


class Placed:
    """A simulated scope of one form on a unit, served over TCP, and its driver."""

    def __init__(self, form, clock, told="", dialect="", serve=serve_tcp, link=None, window=0, **options):
        self.unit = LocalUnit()
        self.inside = Scope("scope", ("scope A", "scope B"), IDENTITY, self.unit, self.unit.clock, 1, form, window)
        for knob, position in (("s/div", 0.005), ("V/div 1", 10.0), ("V/div 2", 0.5), ("coupling 2", "AC")):
            self.unit.ask(do="knob", instrument="scope", knob=knob, position=position)
        self.unit.ask(do="power", on=True)
        self.unit.ask(do="touch", probe="scope A", thing="VN")
        self.unit.ask(do="touch", probe="scope B", thing="VP")
        self.unit.turn(5.0)
        if told:
            self.inside.answer(told.encode())
            assert self.inside.status.error_count == 0
        self.server = serve(self.inside)
        self.server.__enter__()
        options["dialect"] = dialect
        spec = InstrumentSpec("it", "scope", self.server.resource, link, SHORT_S * 2, options=options)
        self.driver = open_instrument(spec, clock)

    def held_volts(self, channel):
        record = self.inside.shown()
        codes = np.frombuffer(record.codes[channel - 1], np.uint8).astype(float)
        return (codes - MIDDLE) * step_v(record.v_div[channel - 1])

    def close(self):
        self.driver.close()
        self.server.vanish()


@pytest.fixture
def placed(clock):
    opened = []

    def place(*words, **options):
        opened.append(Placed(words[0], clock, *words[1:], **options))
        return opened[-1]

    yield place
    for each in opened:
        each.close()


@pytest.mark.parametrize(("form", "told"), WAYS)
def test_volts_are_those_of_the_converter_whatever_the_form_width_order_and_sign(placed, form, told):
    scope = placed(form, told)
    scope.inside.stop()
    one, two = scope.driver.poll().traces
    for trace, channel in ((one, 1), (two, 2)):
        step = step_v(10.0 if channel == 1 else 0.5)
        np.testing.assert_allclose(trace.volts, scope.held_volts(channel), atol=step * 0.51 if "ASC" in told else 1e-4)
        assert trace.dt_s == pytest.approx(0.05 / 1000)
        assert np.ptp(trace.volts) > step
    assert not scope.inside.status.error_count


@pytest.mark.parametrize("form", ["a", "b", "c"])
@pytest.mark.parametrize(("serve", "link"), [(serve_tcp, "visa"), (serve_hislip, None), (serve_vxi11, None)])
def test_the_forms_are_the_same_over_every_link(placed, form, serve, link):
    scope = placed(form, "", f"form_{form}", serve=serve, link=link)
    scope.inside.stop()
    for trace, channel in zip(scope.driver.poll().traces, (1, 2), strict=True):
        np.testing.assert_allclose(trace.volts, scope.held_volts(channel), atol=1e-4)


@pytest.mark.parametrize("form", ["a", "b", "c"])
def test_the_form_is_found_by_asking_and_settings_come_as_the_scope_says_them(placed, form):
    scope = placed(form)
    one, two = scope.driver.poll().traces
    assert (one.coupling, two.coupling) == ("DC", "AC")
    assert (one.v_div, two.v_div) == (10.0, 0.5)
    assert (one.probe_factor, two.probe_factor) == (10.0, 10.0)
    assert any(f"form {form.upper()}" in ability for ability in scope.driver.abilities)


@pytest.mark.parametrize("form", ["a", "b", "c"])
def test_a_scope_that_ran_runs_again_after_a_record(placed, form):
    scope = placed(form, "", f"form_{form}")
    traces = scope.driver.record()
    assert [trace.channel for trace in traces] == ["1", "2"]
    scope.driver.poll()
    assert scope.inside.state() == "running"


def test_the_state_before_a_record_is_the_one_that_is_gone_back_to(placed):
    """A scope that waited for each trigger is not left triggering by itself."""
    scope = placed("c", "TRMD NORM")
    scope.driver.record()
    scope.driver.poll()
    assert b"NORM" in scope.inside.answer(b"TRMD?").data


@pytest.mark.parametrize("form", ["a", "b", "c"])
def test_a_single_capture_is_waited_for_without_blocking_and_read_when_it_has_triggered(placed, clock, form):
    scope = placed(form)
    before_us = clock.now_us()
    scope.driver.arm()
    for _ in range(3):
        assert scope.driver.poll().traces == ()
    assert scope.inside.state() == "waiting"
    between_us = clock.now_us()
    scope.unit.turn(1.0)
    poll = scope.driver.poll()
    assert [trace.channel for trace in poll.traces] == ["1", "2"]
    assert poll.remarks == ()
    for trace in poll.traces:
        # It ended between the last poll that waited and the one that found it.
        assert before_us <= trace.t1_us - trace.t0_half_width_us <= between_us
        assert trace.t1_us + trace.t0_half_width_us <= clock.now_us() + 1
        assert not trace.rolling
    scope.driver.poll()
    assert scope.inside.state() == "running"


def test_armed_in_the_bench_file_it_is_armed_again_after_each_capture(placed):
    scope = placed("a", armed=True)
    for _ in range(3):
        assert scope.driver.poll().traces == ()
        scope.unit.turn(1.0)
        assert len(scope.driver.poll().traces) == 2
    scope.driver.disarm()
    scope.driver.poll()
    assert scope.inside.state() == "running"


@pytest.mark.parametrize("leave", ["close", "let_go"])
def test_however_it_is_left_a_scope_that_was_armed_from_here_runs_as_before(bench, leave):
    instrument = two_channel_scope()
    scope = bench("scope", instrument, armed=True)
    scope.poll()
    assert ":SING" in instrument.heard and ":RUN" not in instrument.heard
    getattr(scope, leave)()
    for _ in range(100):
        if instrument.heard[-1] == ":RUN":
            break
        threading.Event().wait(0.02)  # the server reads what was sent before the connection was closed
    assert instrument.heard[-1] == ":RUN"


def test_disarming_lets_it_run_as_before(placed):
    scope = placed("b")
    scope.driver.arm()
    scope.driver.disarm()
    scope.driver.disarm()
    assert len(scope.driver.poll().traces) == 2
    assert scope.inside.state() == "running"


def test_a_record_that_is_asked_for_while_armed_leaves_it_armed(placed):
    scope = placed("a")
    scope.driver.arm()
    assert len(scope.driver.record()) == 2
    assert scope.driver.poll().traces == ()
    assert scope.inside.state() == "waiting"


def test_a_scope_that_understands_none_of_the_forms_is_told_the_cure(bench):
    with pytest.raises(DriverError, match=r"none of form A .*form C .*dialect = "):
        bench("scope", Scripted({}))


def test_a_scope_that_cannot_say_its_state_is_not_armed(bench):
    instrument = two_channel_scope()
    del instrument.answers["TRIG:STAT?"]
    scope = bench("scope", instrument)
    with pytest.raises(DriverError, match="cannot be told when it was triggered"):
        scope.arm()
    assert ":SING" not in instrument.heard


def test_ten_million_samples_in_words_come_whole(bench):
    """A ramp, so that a lost or doubled byte would show; 20 MB in one block."""
    codes = np.arange(10_000_000, dtype=np.int64).astype(np.uint16)
    instrument = two_channel_scope()
    instrument.answers["WAV:PRE?"] = "1,0,10000000,1,1.0E-9,0,0,1.0E-4,0,32768"
    instrument.answers["WAV:DATA?"] = block(codes.astype(">u2").tobytes())
    instrument.answers["WAV:BYT?"] = "MSBF"
    trace = bench("scope", instrument, channels=[1]).poll().traces[0]
    assert trace.codes.dtype == np.int16 and len(trace.codes) == 10_000_000
    assert np.array_equal(trace.codes.astype(np.int32) + 32768, codes)
    assert trace.volts[0] == pytest.approx(-3.2768)
