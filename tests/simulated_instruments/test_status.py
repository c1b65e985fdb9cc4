"""The status model of IEEE 488.2-1992 (clauses 5, 6, 10, 11, 12) and SCPI-99's queue, the same on every transport.

Clause numbers are from memory.
"""

import threading

import pytest

from simulated_instruments.language.errors import LanguageError
from simulated_instruments.language.framing import MessageSplitter
from simulated_instruments.language.polling import Polled
from simulated_instruments.language.status import Status


@pytest.fixture
def status():
    return Status()


@pytest.fixture
def polled(status):
    """A caller of an instrument, and what was requested of it."""
    requests = []
    status.request_enable = 0b1011_1111
    caller = Polled(status, requests.append)
    caller.requests = requests
    return caller


def error(status, code=-113):
    status.report(LanguageError(code))
    status.changed()


# ---- service request (11.3.3)


def test_each_new_reason_asks_once_and_an_old_one_does_not(status, polled):
    """11.3.3.1: a transition of an enabled bit from 0 to 1."""
    error(status)
    error(status)
    assert polled.requests == [4 + 64]
    polled.output(True)
    assert polled.requests == [4 + 64, 4 + 16 + 64]
    polled.output(True)
    assert len(polled.requests) == 2


def test_a_poll_clears_rqs_and_not_the_reason(status, polled):
    """11.3.3.2."""
    error(status)
    assert [polled.poll(), polled.poll()] == [4 + 64, 4]
    assert status.byte == 4 + 64, "the master summary stays with its reason (11.2.2.3)"


def test_a_reason_that_goes_takes_its_request_along(status, polled):
    error(status)
    status.clear()
    status.changed()
    assert polled.poll() == 0


def test_a_reason_that_comes_back_asks_again(status, polled):
    for _ in range(2):
        error(status)
        polled.poll()
        status.next_error()
        status.changed()
    assert len(polled.requests) == 2


def test_what_is_not_enabled_does_not_ask(status, polled):
    """11.3.2."""
    status.request_enable = 16
    error(status)
    assert polled.requests == [] and polled.poll() == 4


def test_enabling_a_reason_that_is_there_asks(meter):
    requests = []
    Polled(meter.instrument.status, requests.append)
    meter("NONSENSE")
    meter("*SRE 4")
    assert requests == [4 + 64]


def test_two_callers_poll_for_themselves(status, polled):
    other = Polled(status, lambda byte: None)
    error(status)
    polled.output(True)
    assert polled.poll() == 64 + 16 + 4
    assert other.poll() == 64 + 4


def test_who_has_gone_is_not_asked(status, polled):
    polled.close()
    polled.close()
    error(status)
    assert polled.requests == []


def test_an_instrument_older_than_the_status_model_shows_only_mav():
    caller = Polled(None, lambda byte: None)
    caller.report(-410)
    assert caller.poll() == 0
    caller.output(True)
    assert caller.poll() == 16
    caller.close()


# ---- queue and events


def test_the_queue_overflows_at_its_end_and_keeps_the_oldest(status):
    """SCPI-99 vol. 2, 21.8.1: the last place says -350, what is newer is lost; a read makes room again."""
    for code in [-113, *[-222] * 30]:
        status.report(LanguageError(code))
    assert status.error_count == 20
    assert status.next_error()[0] == -113
    status.report(LanguageError(-109))
    codes = [status.next_error()[0] for _ in range(21)]
    assert codes[17:] == [-222, -350, -109, 0]


@pytest.mark.parametrize(
    ("code", "bit"), [(-100, 5), (-199, 5), (-200, 4), (-299, 4), (-310, 3), (-350, 3), (-410, 2), (-420, 2)]
)
def test_each_class_of_error_has_its_event_bit(status, code, bit):
    """11.5.1.1: command 5, execution 4, device dependent 3, query 2."""
    status.take_events()
    known = {-199: -113, -299: -241}.get(code, code)
    status.report(LanguageError(known))
    assert status.take_events() == 1 << bit


def test_errors_reported_from_many_threads_are_all_kept(status):
    def report():
        for _ in range(5):
            status.report(LanguageError(-222))

    threads = [threading.Thread(target=report) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert status.error_count == 20


# ---- operations that go on (12.5)


@pytest.fixture
def initiated(bench, meter):
    meter("*CLS;:INIT:CONT OFF;:INIT")
    return meter


def test_opc_sets_its_bit_when_the_measurement_is_complete(bench, initiated):
    """10.18."""
    initiated("*OPC")
    assert initiated("*ESR?") == "0"
    bench.turn(0.3)
    assert initiated("*ESR?") == "1"
    assert initiated("*ESR?") == "0"


def test_opc_query_answers_when_the_measurement_is_complete(bench, initiated):
    """10.19."""
    begun_s = bench.clock.now_s()
    assert initiated("*OPC?") == "1"
    assert bench.clock.now_s() > begun_s
    assert initiated.instrument.pending_s() == 0


def test_wai_holds_up_the_next_command(bench, initiated):
    """10.39."""
    begun_s = bench.clock.now_s()
    assert float(initiated("*WAI;:FETC?")) < 1
    assert bench.clock.now_s() > begun_s


@pytest.mark.parametrize("cure", ["*CLS", "*RST"])
def test_clear_and_reset_forget_that_opc_waits(bench, initiated, cure):
    """10.3 and 10.32: operation complete command idle state."""
    initiated(f"*OPC;{cure}")
    bench.turn(0.3)
    assert initiated("*ESR?") == "0"


def test_device_clear_forgets_it_too(bench, initiated):
    """5.8."""
    initiated("*OPC")
    initiated.instrument.clear_device()
    bench.turn(0.3)
    assert initiated("*ESR?") == "0"


def test_operation_complete_can_ask_for_service_by_itself(bench, initiated):
    """Nobody has to speak to the instrument: that is what it is for (12.5.2)."""
    requests = []
    initiated("*ESE 1;*SRE 32")
    caller = Polled(initiated.instrument.status, requests.append)
    initiated("*OPC")
    bench.turn(0.3)
    initiated.instrument.settle()
    assert requests == [32 + 64]
    caller.close()


def test_a_free_running_meter_has_nothing_pending(meter):
    assert meter("*CLS;*OPC;*ESR?") == "1"


def test_a_trigger_that_nobody_waits_for_is_ignored(meter):
    """10.37; SCPI-99: -211."""
    meter("*TRG")
    assert meter("SYST:ERR?").startswith("-211,")


# ---- the end of a message


def test_the_end_of_a_bus_ends_a_message_without_newline():
    """7.5: NL, END or both."""
    splitter = MessageSplitter()
    assert splitter.feed(b"*IDN?") == [] and splitter.finish() == [b"*IDN?"]
    assert splitter.feed(b"*IDN?\n") == [b"*IDN?"] and splitter.finish() == []
    assert splitter.feed(b"#0ab") == [] and splitter.finish() == [b"#0ab"]


def test_a_cleared_splitter_has_nothing_left():
    splitter = MessageSplitter()
    splitter.feed(b"*IDN?" * 300_000)
    splitter.clear()
    assert splitter.finish() == [] and splitter.feed(b"1\n") == [b"1"]
    splitter.feed(b"*IDN?" * 300_000)
    assert splitter.finish() == [None]
