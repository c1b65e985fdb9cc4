"""Faults on the wire, seen from a driver: never a value of another question."""


import pytest

from drivers.errors import DriverError, LinkError, LinkTimeout
from drivers.protocols import InstrumentSpec
from drivers.registry import open_instrument
from tests.drivers import scripted
from tests.drivers.conformance import (
    SHORT_S,
)
from tests.drivers.instruments import bench_meter
from tests.drivers.servers import HislipServer, PtyServer, TcpServer, Vxi11Server


@pytest.mark.parametrize("server", [TcpServer, PtyServer, HislipServer, Vxi11Server])
@pytest.mark.parametrize(
    "fault",
    [
        scripted.silence,
        scripted.late,
        scripted.twice,
        scripted.stall_in_the_middle,
        scripted.close_in_the_middle,
        scripted.replaced_by(b"12.3.4\n"),
        scripted.replaced_by(b"\xff\xfe\x00\n"),
        scripted.replaced_by(b"#15hello\n"),
    ],
    ids=["silence", "late", "twice", "stall", "close", "garbage", "not ascii", "block"],
)
def test_after_any_fault_values_are_those_of_their_own_questions(bench, server, fault):
    """The instrument counts its answers; whatever happens, a value is the count of its own question."""
    instrument = bench_meter()
    count = [0]

    def value():
        count[0] += 1
        return f"{count[0]:.6E}"

    instrument.answers["FETC?"] = value
    meter = bench("meter", instrument, server)
    assert meter.poll().readings[0].value == 1.0
    instrument.fault("FETC?", fault)
    failures = 0
    for _ in range(6):
        try:
            readings = meter.poll().readings
        except DriverError:
            failures += 1
            continue
        assert [reading.value for reading in readings] == [float(count[0])]
    assert failures <= 2


@pytest.mark.parametrize("server", [TcpServer, PtyServer])
def test_a_duplicate_that_comes_with_the_next_question_is_noticed_when_questions_are_tagged(bench, server):
    instrument = bench_meter()
    count = [0]

    def value():
        count[0] += 1
        return f"{count[0]:.6E}"

    instrument.answers["FETC?"] = value
    meter = bench("meter", instrument, server, tagged=True)
    instrument.fault("FETC?", scripted.twice_late)
    good = 0
    for _ in range(5):
        try:
            (reading,) = meter.poll().readings
        except LinkError:
            continue
        assert reading.value == count[0]
        good += 1
    assert good >= 3


def test_tags_give_the_event_enable_register_back(bench):
    instrument = bench_meter()
    instrument.enable = 33
    meter = bench("meter", instrument, tagged=True)
    meter.poll()
    assert instrument.enable != 33
    meter.close()
    assert instrument.enable == 33


def test_bytes_that_were_waiting_are_a_remark_and_never_a_value(bench, serve, clock):
    instrument = bench_meter()
    place = serve(TcpServer, instrument)
    meter = open_instrument(InstrumentSpec("it", "meter", place.resource, timeout_s=SHORT_S), clock)
    meter.poll()
    link = meter._conversation._link
    link._pending += b"+9.999E+00\n"
    poll = meter.poll()
    assert poll.readings[0].value == 12.5
    assert any("waiting" in remark for remark in poll.remarks)
    meter.close()


def test_another_instrument_after_a_reconnect_is_refused(bench, serve, clock):
    instrument = bench_meter()
    place = serve(TcpServer, instrument)
    meter = open_instrument(InstrumentSpec("it", "meter", place.resource, timeout_s=SHORT_S), clock)
    meter.poll()
    instrument.identity = "BENCH,OTHER,0043,1.0"
    place.hang_up()
    with pytest.raises(DriverError, match="OTHER"):
        for _ in range(3):
            meter.poll()
    meter.close()


def test_an_instrument_that_was_off_and_on_again_is_a_remark(serve, clock):
    """Power on is bit 7 of the standard event status register (IEEE 488.2, 11.5.1.1)."""
    instrument = bench_meter()
    place = serve(TcpServer, instrument)
    meter = open_instrument(InstrumentSpec("it", "meter", place.resource, timeout_s=SHORT_S), clock)
    meter.poll()
    instrument.status = 128
    instrument.fault("FETC?", scripted.silence)
    with pytest.raises(LinkTimeout):
        meter.poll()
    assert any("switched off and on" in remark for remark in meter.poll().remarks)
    meter.close()
