"""Conformance suites of drivers over a bare link, with no SCPI; part of the kit for driver authors."""

import contextlib
import threading
from collections.abc import Callable, Iterator
from typing import Any

import pytest

from drivers.errors import DriverError, LinkError
from tests.drivers import scripted
from tests.drivers.conformance import GeneratorConformance, MeterConformance
from tests.drivers.scripted import Scripted
from tests.drivers.servers import PtyServer, Server


class BareMeterConformance(MeterConformance):
    """What a ``Meter`` over a bare link does that is only listened to, such as one that sends lines by itself.

    A subclass gives ``line``, which reads 12.5 in the pattern of its ``options``, and ``noise``, which has it not.
    """

    server: type[Server] = PtyServer
    line: bytes
    noise: bytes = b"BATT LOW!\n"
    pause_s = 0.005

    def scripted(self) -> Scripted:
        return Scripted({})

    @pytest.fixture
    def talking(self) -> threading.Event:
        """Set: it keeps sending its line."""
        event = threading.Event()
        event.set()
        return event

    @pytest.fixture
    def place(self, serve: Callable[..., Server], instrument: Scripted, talking: threading.Event) -> Iterator[Any]:
        place: Any = serve(self.server, instrument)
        ended = threading.Event()

        def talk() -> None:
            while not ended.wait(self.pause_s):
                with contextlib.suppress(OSError, IndexError):  # nobody listens yet, or any more
                    if talking.is_set():
                        place.say(self.line)

        thread = threading.Thread(target=talk)
        thread.start()
        yield place
        ended.set()
        thread.join()

    def test_it_knows_who_it_talks_to(self, driver, place):
        """It cannot be asked: its place stands for it."""
        assert place.resource in str(driver.identity)

    def test_a_poll_brings_readings_or_traces_stamped_between_question_and_answer(self, driver, clock):
        """Nobody asked: they are of the time since the poll before."""
        driver.poll()
        before_us = clock.now_us()
        (*_, last) = driver.poll().readings
        assert last.t_us <= clock.now_us()
        assert before_us <= last.t_us + last.half_width_us

    def test_the_value_is_the_one_that_was_sent(self, driver):
        readings = [reading for _ in range(5) for reading in driver.poll().readings]
        assert {reading.value for reading in readings} == {12.5}
        assert [reading.t_us for reading in readings] == sorted(reading.t_us for reading in readings)

    def test_not_a_byte_is_ever_sent_to_it(self, driver, instrument):
        driver.poll()
        driver.to_local()
        driver.poll()
        driver.let_go()
        driver.close()
        assert instrument.heard == []

    def test_noise_is_a_remark_and_no_value(self, driver, place, talking):
        driver.poll()
        talking.clear()
        place.say(self.noise + self.line)
        polls = [driver.poll()]
        while not any(poll.remarks for poll in polls):
            polls.append(driver.poll())
        assert {reading.value for poll in polls for reading in poll.readings} <= {12.5}

    def test_silence_is_a_link_error(self, driver, talking):
        talking.clear()
        with pytest.raises(LinkError):
            for _ in range(100):
                driver.poll()


class BareGeneratorConformance(GeneratorConformance):
    """What a ``Generator`` over a bare link does, such as one whose words are those of a dialect.

    A subclass gives ``identity``, ``questions`` and ``output_off``, the word that switches its output off.
    """

    output_off: str

    def test_closing_switches_off_what_was_switched_on_and_letting_go_does_not(self, driver, instrument):
        driver.set_output(True, 1e6, -47.0)
        instrument.heard.clear()
        driver.close()
        assert self.output_off in instrument.heard

    def test_letting_go_leaves_it_as_it_is(self, driver, instrument):
        driver.set_output(True, 1e6, -47.0)
        instrument.heard.clear()
        driver.let_go()
        driver.close()
        assert instrument.heard == []

    def test_an_answer_that_is_not_in_its_pattern_is_never_a_value(self, driver, instrument):
        right = {(reading.quantity, reading.value) for reading in driver.poll().readings}
        for fault in (scripted.silence, scripted.twice, scripted.stall_in_the_middle, scripted.replaced_by(b"?\n")):
            instrument.fault(self.questions[-1], fault)
            with contextlib.suppress(DriverError):
                assert {(reading.quantity, reading.value) for reading in driver.poll().readings} <= right
        with contextlib.suppress(DriverError):
            driver.poll()
        assert {(reading.quantity, reading.value) for reading in driver.poll().readings} == right
