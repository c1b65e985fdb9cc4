"""Conformance suites: a new link or driver passes by one subclass with a few constants.

They are part of the kit for driver authors. A link's subclass names its ``server`` and, where needed,
what it cannot do; a driver's subclass names its ``kind``, ``options`` and a ``Scripted`` instrument.
"""

import math
from collections.abc import Callable, Iterator
from typing import Any

import pytest

from drivers.clock import SystemClock
from drivers.errors import AnswerError, CommandError, DriverError, LinkClosed, LinkError, LinkRefused, LinkTimeout
from drivers.links.choice import make_link
from drivers.links.link import Link
from drivers.protocols import InstrumentSpec
from drivers.readings import Identity, Poll, Reading, Trace
from drivers.registry import open_instrument
from drivers.resource_names import parse_resource
from tests.drivers import scripted
from tests.drivers.scripted import Scripted
from tests.drivers.servers import Server

EVERY_BYTE = bytes(range(256))
SHORT_S = 0.15  # long enough for loopback, short enough to be waited for in tests of silence
AMPLE_S = 5.0


def block(payload: bytes) -> bytes:
    """Definite-length block, written out here so that the drivers' own writer proves nothing."""
    return b"#%d%d" % (len(str(len(payload))), len(payload)) + payload


class LinkConformance:
    """What every ``Link`` does."""

    server: type[Server]
    forced: str | None = None
    block_sizes = (0, 1, 9, 4096, 300_000)

    @pytest.fixture
    def instrument(self) -> Scripted:
        return Scripted({"ECHO?": "hello"})

    @pytest.fixture
    def place(self, serve: Callable[..., Server], instrument: Scripted) -> Server:
        return serve(self.server, instrument)

    @pytest.fixture
    def link(self, place: Server, clock: SystemClock) -> Iterator[Link]:
        link = make_link(parse_resource(place.resource), self.forced, {"baud": 115200} | place.options, clock)
        link.open(clock.monotonic_s() + AMPLE_S)
        yield link
        link.close()

    def ask(self, link: Link, clock: SystemClock, query: bytes, within_s: float = AMPLE_S) -> bytes:
        link.write(query, clock.monotonic_s() + within_s)
        return link.read_line(clock.monotonic_s() + within_s)

    def ask_block(self, link: Link, clock: SystemClock, within_s: float = AMPLE_S) -> bytes:
        link.write(b"DATA?", clock.monotonic_s() + within_s)
        return link.read_block(clock.monotonic_s() + within_s)

    def test_a_line_comes_back_without_its_terminator(self, link, clock):
        assert self.ask(link, clock, b"ECHO?") == b"hello"

    def test_ten_questions_get_their_own_answers(self, link, clock, instrument):
        for number in range(10):
            instrument.answers["ECHO?"] = str(number)
            assert self.ask(link, clock, b"ECHO?") == str(number).encode()

    def test_a_carriage_return_before_the_line_feed_is_not_part_of_the_line(self, link, clock, instrument):
        instrument.answers["ECHO?"] = b"hello\r"
        assert self.ask(link, clock, b"ECHO?") == b"hello"

    def test_a_line_that_comes_byte_by_byte_is_whole(self, link, clock, instrument):
        instrument.fault("ECHO?", scripted.in_pieces)
        assert self.ask(link, clock, b"ECHO?") == b"hello"

    def test_a_long_line_is_whole(self, link, clock, instrument):
        instrument.answers["ECHO?"] = "x" * 50_000
        assert self.ask(link, clock, b"ECHO?") == b"x" * 50_000

    def test_bytes_that_are_not_ascii_pass_unchanged(self, link, clock, instrument):
        instrument.answers["ECHO?"] = b"\xff\xfe\x80"
        assert self.ask(link, clock, b"ECHO?") == b"\xff\xfe\x80"

    def test_blocks_of_all_sizes_and_bytes_come_whole(self, link, clock, instrument):
        """Line feeds inside of a block are data (IEEE 488.2, 8.7.9)."""
        for size in self.block_sizes:
            payload = (EVERY_BYTE * (size // 256 + 1))[:size]
            instrument.answers["DATA?"] = block(payload)
            assert self.ask_block(link, clock) == payload
        assert self.ask(link, clock, b"ECHO?") == b"hello"

    def test_a_block_without_a_length_ends_with_the_message(self, link, clock, instrument):
        """IEEE 488.2, 8.7.10."""
        instrument.answers["DATA?"] = b"#0\x01\x02\x03"
        assert self.ask_block(link, clock) == b"\x01\x02\x03"

    def test_a_line_where_a_block_is_due_is_an_answer_error(self, link, clock, instrument):
        instrument.answers["DATA?"] = b"12.5"
        with pytest.raises(AnswerError):
            self.ask_block(link, clock)

    def test_silence_ends_at_the_deadline(self, link, clock, instrument):
        instrument.silent = True
        begun_s = clock.monotonic_s()
        with pytest.raises(LinkTimeout):
            self.ask(link, clock, b"ECHO?", SHORT_S)
        assert clock.monotonic_s() - begun_s < AMPLE_S

    def test_a_deadline_in_the_past_is_a_timeout_at_once(self, link, clock):
        with pytest.raises(LinkTimeout):
            link.read_line(clock.monotonic_s() - 1)

    def test_a_block_that_stalls_is_an_error_and_no_data(self, link, clock, instrument):
        instrument.answers["DATA?"] = block(EVERY_BYTE)
        instrument.fault("DATA?", scripted.stall_in_the_middle)
        with pytest.raises(LinkError):
            self.ask_block(link, clock, SHORT_S)

    def test_a_block_cut_by_a_close_is_an_error_and_no_data(self, link, clock, instrument):
        instrument.answers["DATA?"] = block(EVERY_BYTE)
        instrument.fault("DATA?", scripted.close_in_the_middle)
        with pytest.raises(LinkError):
            self.ask_block(link, clock, SHORT_S)

    def test_after_a_late_answer_clearing_and_reopening_bring_the_next_answer_to_its_question(
        self, link, clock, instrument
    ):
        instrument.fault("ECHO?", scripted.silence)
        with pytest.raises(LinkTimeout):
            self.ask(link, clock, b"ECHO?", SHORT_S)
        link.clear(clock.monotonic_s() + AMPLE_S)
        instrument.answers["ECHO?"] = "second"
        assert self.ask(link, clock, b"ECHO?") == b"second"
        link.reopen(clock.monotonic_s() + AMPLE_S)
        assert self.ask(link, clock, b"ECHO?") == b"second"

    def test_a_closed_link_says_so_and_can_be_opened_again(self, link, clock):
        link.close()
        link.close()
        with pytest.raises(LinkClosed):
            self.ask(link, clock, b"ECHO?")
        link.open(clock.monotonic_s() + AMPLE_S)
        assert self.ask(link, clock, b"ECHO?") == b"hello"

    def test_nobody_there_is_refused(self, place, clock):
        place.stop()
        absent = make_link(parse_resource(place.resource), self.forced, place.options, clock)
        with pytest.raises(LinkRefused):
            absent.open(clock.monotonic_s() + 1.0)
        absent.close()


class StreamTests:
    """What a link does that carries a stream of bytes, in which anything may wait."""

    def test_what_waits_is_drained_and_then_nothing_does(self, link, clock, place):
        assert self.ask(link, clock, b"ECHO?") == b"hello"
        place.say(b"unasked\n")
        assert link.drain(0.2) == b"unasked\n"
        assert link.drain(0.0) == b""
        assert self.ask(link, clock, b"ECHO?") == b"hello"


    def test_clearing_throws_away_what_waits(self, link, clock, place):
        assert self.ask(link, clock, b"ECHO?") == b"hello"
        place.say(b"+1.0E+00\n")
        link.clear(clock.monotonic_s() + AMPLE_S)
        assert link.drain(0.0) == b""
        assert self.ask(link, clock, b"ECHO?") == b"hello"


class LanTests:
    """What a link does that has a connection, which the other end may close."""

    def test_a_peer_that_hung_up_is_noticed_before_the_next_question(self, link, clock, place):
        """Not by waiting for an answer: pyvisa-py would spin until the deadline."""
        assert self.ask(link, clock, b"ECHO?") == b"hello"
        place.hang_up()
        begun_s = clock.monotonic_s()
        with pytest.raises(LinkClosed):
            for _ in range(100):
                link.drain(0.05)
                self.ask(link, clock, b"ECHO?", 60)
        link.close()
        assert clock.monotonic_s() - begun_s < 30


class InstrumentConformance:
    """What every ``Instrument`` does."""

    kind: str
    server: type[Server]
    forced: str | None = None
    options: dict[str, Any] = {}  # noqa: RUF012 because subclasses replace it and nobody changes it
    identity = Identity("BENCH", "SCRIPTED", "0042", "1.0")
    questions: tuple[str, ...] = ()  # words that ask without a question mark

    def scripted(self) -> Scripted:
        """The instrument to be driven; a subclass gives it the answers its driver needs."""
        raise AssertionError("a conformance subclass says what its instrument answers")

    @pytest.fixture
    def instrument(self) -> Scripted:
        return self.scripted()

    @pytest.fixture
    def place(self, serve: Callable[..., Server], instrument: Scripted) -> Server:
        return serve(self.server, instrument)

    @pytest.fixture
    def driver(self, place: Server, clock: SystemClock) -> Iterator[Any]:
        spec = InstrumentSpec("it", self.kind, place.resource, self.forced, SHORT_S * 2, options=self.options)
        driver = open_instrument(spec, clock)
        yield driver
        driver.close()

    def test_it_knows_who_it_talks_to(self, driver):
        assert driver.identity == self.identity

    def test_a_poll_brings_readings_or_traces_stamped_between_question_and_answer(self, driver, clock):
        before_us = clock.now_us()
        poll = driver.poll()
        assert isinstance(poll, Poll)
        assert poll.readings or poll.traces
        for reading in poll.readings:
            assert isinstance(reading, Reading)
            assert before_us <= reading.t_us - reading.half_width_us + 1
            assert reading.t_us <= clock.now_us()
        assert all(isinstance(trace, Trace) for trace in poll.traces)

    def test_a_healthy_instrument_gives_no_remarks(self, driver):
        driver.poll()
        assert driver.poll().remarks == ()

    def test_polling_changes_no_setting(self, driver, instrument):
        """Only queries, and the choice of the waveform to be sent, leave the driver."""
        instrument.heard.clear()
        driver.poll()
        units = [unit for line in instrument.heard for unit in line.split(";")]
        told = [unit for unit in units if "?" not in unit and unit not in self.questions]
        assert all("SOUR" in unit or unit.startswith("*ESE ") for unit in told)

    def test_going_to_local_and_polling_alternate(self, driver):
        for _ in range(3):
            driver.to_local()
            assert driver.poll().remarks == ()

    def test_reset_is_never_sent(self, driver, instrument):
        driver.poll()
        driver.close()
        assert not any("*RST" in line for line in instrument.heard)

    def test_a_vanished_instrument_is_a_driver_error_and_closing_is_quiet(self, driver, place):
        driver.poll()
        place.stop()
        with pytest.raises(DriverError):
            driver.poll()
        driver.close()
        driver.close()


class MeterConformance(InstrumentConformance):
    """What every ``Meter`` does; its instrument reads 12.5."""

    kind = "meter"

    def test_the_value_is_the_one_that_was_sent(self, driver):
        (reading,) = driver.poll().readings
        assert math.isclose(reading.value, 12.5)
        assert reading.quantity.unit


class ScopeConformance(InstrumentConformance):
    """What every ``Scope`` does."""

    kind = "scope"

    def test_a_record_holds_all_channels_with_one_time_base(self, driver):
        traces = driver.record()
        assert len(traces) >= 1
        assert len({(trace.dt_s, len(trace.codes)) for trace in traces}) == 1
        assert len({trace.channel for trace in traces}) == len(traces)


class SupplyConformance(InstrumentConformance):
    """What every ``Supply`` does."""

    kind = "supply"


class GeneratorConformance(InstrumentConformance):
    """What every ``Generator`` does."""

    kind = "generator"

    def test_above_the_ceiling_nothing_is_sent(self, driver, instrument):
        instrument.heard.clear()
        with pytest.raises(CommandError):
            driver.set_output(True, 1e6, 0.0)
        assert instrument.heard == []
