"""Meters that send lines by themselves: the pattern (pure), and the driver on a pseudo terminal."""

import math
import os
import select
import threading
import tty

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.errors import AnswerError, DriverError, LinkClosed, LinkTimeout
from drivers.protocols import InstrumentSpec
from drivers.readings import Accuracy, Flag, Quantity
from drivers.registry import open_instrument
from drivers.streaming import StreamPattern

PATTERN = r"(?P<function>\S+)\s+(?:(?P<value>[+-]?[0-9.]+)|(?P<overload>OL))\s*(?P<unit>\S*)"
SHORT_S = 0.4


# ---- the pattern


@pytest.mark.parametrize(
    ("line", "quantity", "value"),
    [
        ("DC 12.50 V", Quantity.DC_V, 12.5),
        ("AC 230.1 mV", Quantity.AC_V, 0.2301),
        ("DC -1.25 mA", Quantity.DC_A, -1.25e-3),
        ("AC 0.41 A", Quantity.AC_A, 0.41),
        ("R 4.7 kOhm", Quantity.OHM, 4700.0),
        ("R 2.2 M\u03a9", Quantity.OHM, 2.2e6),
        ("CONT 0.4 Ohm", Quantity.CONTINUITY, 0.4),
        ("DIODE 0.612 V", Quantity.DIODE, 0.612),
        ("FREQ 76.00 kHz", Quantity.FREQUENCY, 76_000.0),
        ("PER 2.5 ms", Quantity.PERIOD, 2.5e-3),
        ("CAP 470 uF", Quantity.CAPACITANCE, 470e-6),
        ("CAP 4.7 \u00b5F", Quantity.CAPACITANCE, 4.7e-6),
        ("TEMP 25.4 \u00b0C", Quantity.TEMPERATURE, 25.4),
        ("- 3.30 VDC", Quantity.DC_V, 3.3),
        ("- 3.30 VAC", Quantity.AC_V, 3.3),
        ("DCV 3.30", Quantity.DC_V, 3.3),
    ],
)
def test_function_and_unit_give_the_quantity_in_its_own_unit(line, quantity, value):
    """SI prefixes (SI brochure, 9th edition, table 7): n 1e-9, u 1e-6, m 1e-3, k 1e3, M 1e6."""
    for encoding in ("utf-8", "latin-1"):
        try:
            data = line.encode(encoding)
        except UnicodeEncodeError:
            continue
        read = StreamPattern(PATTERN).read(data)
        assert (read.quantity, read.flags) == (quantity, Flag.NONE)
        assert read.value == pytest.approx(value)


def test_overload_is_a_flag_without_a_value():
    read = StreamPattern(PATTERN).read(b"R OL MOhm")
    assert math.isnan(read.value)
    assert (read.quantity, read.flags) == (Quantity.OHM, Flag.OVERLOAD)


def test_words_of_a_meters_own_are_told_by_the_bench_file():
    pattern = StreamPattern(r"(?P<function>\d) (?P<value>[0-9.]+)", {"0": "dc_v", "3": "ohm"})
    assert pattern.read(b"3 47.0").quantity is Quantity.OHM
    with pytest.raises(AnswerError, match="stream_functions"):
        pattern.read(b"7 47.0")


def test_a_line_without_function_and_unit_is_what_the_bench_file_says():
    assert StreamPattern(r"(?P<value>.*)", function="ac_v").read(b"1.5").quantity is Quantity.AC_V


@pytest.mark.parametrize(
    "line",
    [b"", b"DC", b"DC 12.50", b"DC 12.50 lux", b"DC 1.2.3 V", b"12.50 V", b"DC 12.50 V x", b"TEMP 1 V", b"\xff\x00"],
)
def test_a_line_that_does_not_fit_whole_is_an_answer_error(line):
    with pytest.raises(AnswerError):
        StreamPattern(PATTERN).read(line)


@pytest.mark.parametrize(
    ("pattern", "functions", "function", "words"),
    [
        ("(?P<value>", {}, "", "not a regular expression"),
        ("[0-9]+", {}, "", r"\(\?P<value>"),
        ("(?P<value>.)(?P<volts>.)", {}, "", "volts"),
        ("(?P<value>.)", {}, "", 'write function = "dc_v"'),
        ("(?P<value>.)(?P<function>.)", {"1": "volts"}, "", "write one of dc_v"),
    ],
)
def test_what_is_wrong_with_a_pattern_is_named_with_its_option_and_cure(pattern, functions, function, words):
    with pytest.raises(DriverError, match=words):
        StreamPattern(pattern, functions, function)


@given(st.binary(max_size=40), st.booleans())
def test_any_line_is_a_value_or_an_answer_error(junk, is_prefixed):
    pattern = StreamPattern(PATTERN)
    try:
        read = pattern.read(b"DC " + junk if is_prefixed else junk)
    except AnswerError:
        return
    assert math.isfinite(read.value) or read.flags


# ---- the driver


class Terminal:
    """The meter's end of a serial line; ``written`` tells what the driver sent."""

    def __init__(self):
        self.near, self.far = os.openpty()
        tty.setraw(self.near)
        tty.setraw(self.far)
        self.resource = f"ASRL{os.ttyname(self.far)}::INSTR"

    def say(self, data):
        os.write(self.near, data)

    def written(self):
        return os.read(self.near, 4096) if select.select([self.near], [], [], 0)[0] else b""

    def unplug(self):
        for end in (self.near, self.far):
            if end >= 0:
                os.close(end)
        self.near = self.far = -1


@pytest.fixture
def terminal():
    end = Terminal()
    yield end
    end.unplug()


@pytest.fixture
def listening(terminal, clock):
    opened = []

    def start(accuracy=None, **options):
        options = {"stream_pattern": PATTERN} | options
        more = {"accuracy": accuracy} if accuracy else {}
        spec = InstrumentSpec("it", "meter", terminal.resource, timeout_s=SHORT_S, options=options, **more)
        opened.append(open_instrument(spec, clock))
        return opened[-1]

    yield start
    for driver in opened:
        driver.close()


def test_every_line_is_one_reading_in_order_and_not_a_byte_is_sent(listening, terminal, clock):
    meter = listening()
    terminal.say(b"12.5 V\r\n")  # the end of a line that began before the port was opened
    read, sent = [], []
    before_us = clock.now_us()
    for burst in range(20):
        for number in range(burst % 4 + 1):
            sent.append(burst + number / 10)
            terminal.say(f"DC {sent[-1]:.1f} V\r\n".encode())
        read += meter.poll().readings
    assert [reading.value for reading in read] == pytest.approx(sent)
    times = [reading.t_us for reading in read]
    assert times == sorted(times)
    assert all(before_us <= reading.t_us + reading.half_width_us for reading in read)
    meter.to_local()
    meter.close()
    assert terminal.written() == b""


def test_the_first_line_may_be_torn_and_is_never_a_value(listening, terminal):
    meter = listening()
    terminal.say(b"DC 2.5 V\nDC 12.5 V\n")  # the first may have been DC 12.5 V once
    assert [reading.value for reading in meter.poll().readings] == [12.5]


def test_a_line_that_comes_byte_by_byte_is_one_reading_when_it_is_whole(listening, terminal):
    meter = listening()
    terminal.say(b"\n")
    for byte in b"DC 12.5 V":
        terminal.say(bytes([byte]))
    with pytest.raises(LinkTimeout):
        meter.poll()
    terminal.say(b"\r\nDC 13")
    assert [reading.value for reading in meter.poll().readings] == [12.5]
    terminal.say(b".5 V\r\n")
    assert [reading.value for reading in meter.poll().readings] == [13.5]


def test_the_next_line_is_waited_for_and_silence_names_the_cure(listening, terminal):
    meter = listening()
    with pytest.raises(LinkTimeout, match="sends by itself"):
        meter.poll()


def test_a_line_that_the_pattern_does_not_have_is_remarked_once_and_no_value(listening, terminal):
    meter = listening()
    terminal.say(b"\nBATT LOW!\nDC 1.0 V\nBATT LOW!\nBATT LOW!\n")
    poll = meter.poll()
    assert [reading.value for reading in poll.readings] == [1.0]
    assert len(poll.remarks) == 2
    terminal.say(b"BATT LOW!\n")
    assert meter.poll().remarks == ()


def test_lines_end_in_a_carriage_return_where_the_bench_file_says_so(listening, terminal):
    meter = listening(terminator="cr")
    terminal.say(b"\rDC 1.0 V\rDC 2.0 V\r")
    assert [reading.value for reading in meter.poll().readings] == [1.0, 2.0]


def test_lines_that_waited_so_long_that_some_may_be_lost_are_none_of_them_kept(listening, terminal):
    meter = listening()
    terminal.say(b"\n")
    for _ in range(40):
        terminal.say(b"DC 1.0 V" + b" " * 92 + b"\n")
    poll = meter.poll()
    assert poll.readings == ()
    assert any("poll_s shorter" in remark for remark in poll.remarks)
    terminal.say(b"2.0 V\nDC 3.0 V\n")  # what was lost may have been the beginning of a line
    assert [reading.value for reading in meter.poll().readings] == [3.0]


def test_accuracy_of_the_bench_file_comes_with_each_value_and_with_no_overload(listening, terminal):
    """0.5 % of 20 V is 0.1 V; the meter tells no range, so its own value stands for it."""
    meter = listening(Accuracy(0.5, 0.0))
    terminal.say(b"\nDC 20.0 V\nDC OL V\n")
    value, over = meter.poll().readings
    assert value.accuracy == pytest.approx(0.1)
    assert over.accuracy is None


def test_a_meter_that_never_pauses_can_be_opened(listening, terminal):
    """A port that is waited quiet before it is used would never be opened."""
    ended = threading.Event()

    def talk():
        while not ended.wait(0.01):
            terminal.say(b"DC 1.0 V\r\n")

    thread = threading.Thread(target=talk)
    thread.start()
    try:
        assert listening().poll().readings
    finally:
        ended.set()
        thread.join()


def test_a_pulled_plug_is_a_closed_link(listening, terminal):
    meter = listening()
    terminal.unplug()
    with pytest.raises((LinkClosed, LinkTimeout)):
        meter.poll()
