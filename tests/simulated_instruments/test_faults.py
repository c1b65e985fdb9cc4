"""Each fault of the wire, byte by byte; when they fall; and that a log of them is kept."""

import os
import socket
import time

import pytest

from simulated_instruments.clock import TurnedClock
from simulated_instruments.fault_schedule import KINDS, Scripted, Seeded, parse_fault
from simulated_instruments.faults import Faults, faulty, seeded
from simulated_instruments.serving import serve_tcp, serve_tty
from simulated_instruments.wire import HungUp, Spoken

ANSWER = Spoken.bare(b"+1.234560E+00\n")


class Tape:
    """A wire that keeps what is written and how long was rested, in order."""

    def __init__(self, clock=None):
        self.clock = clock
        self.tape = []

    def read(self):
        return b""

    def write(self, data):
        self.tape.append(bytes(data))

    def rest(self, seconds):
        self.tape.append(seconds)
        if self.clock:
            self.clock.sleep_s(seconds)

    @property
    def sent(self):
        return b"".join(piece for piece in self.tape if isinstance(piece, bytes))


def through(kind, answer=ANSWER):
    """What a first answer becomes under one fault."""
    tape = Tape()
    faulty(f"{kind}@1")(tape).write(answer)
    return tape


def test_silence_sends_nothing():
    assert through("silence").tape == []


def test_late_waits_and_then_sends_all():
    assert through("late:1.5").tape == [1.5, ANSWER]


def test_half_stops_in_the_middle_and_goes_on():
    assert through("half:3").tape == [ANSWER[:7], 3.0, ANSWER[7:]]


def test_half_of_a_framed_answer_is_in_the_middle_of_its_words():
    framed = Spoken.framed(b"HEADERHEADER" + b"#14abcd", slice(12, 19))
    assert through("half", framed).tape == [b"HEADERHEADER#14", 2.0, b"abcd"]


def test_garbage_is_as_long_and_has_no_digit_and_the_same_end():
    sent = through("garbage").sent
    assert len(sent) == len(ANSWER) and sent != ANSWER and sent.endswith(b"\n")
    assert not set(sent) & set(b"0123456789")


def test_garbage_leaves_the_frame_as_it_is():
    sent = through("garbage", Spoken.framed(b"0123#14abcd__", slice(4, 11))).sent
    assert sent[:4] == b"0123" and sent[11:] == b"__" and sent[4:11] != b"#14abcd"


def test_noise_comes_first_and_ends_no_line():
    sent = through("noise").sent
    assert sent.endswith(ANSWER) and len(sent) > len(ANSWER)
    assert not set(sent.removesuffix(ANSWER)) & set(b"0123456789\r\n")


def test_non_ascii_is_one_bit_of_the_first_byte():
    assert through("non-ascii").sent == bytes([ANSWER[0] | 0x80]) + ANSWER[1:]
    assert through("non-ascii", Spoken.framed(b"HS#11x", slice(2, 6))).sent == b"HS\xa311x"


def test_the_wrong_terminator_is_a_carriage_return_in_its_place():
    assert through("terminator").sent == ANSWER[:-1] + b"\r"
    assert through("terminator", Spoken.bare(b"1\r\n")).sent == b"1\r\r"


def test_closed_sends_half_and_hangs_up():
    tape = Tape()
    with pytest.raises(HungUp) as hung_up:
        faulty("closed@1")(tape).write(ANSWER)
    assert tape.tape == [ANSWER[:7]] and hung_up.value.away_s == 0


def test_refused_hangs_up_without_a_byte_and_stays_away():
    tape = Tape()
    with pytest.raises(HungUp) as hung_up:
        faulty("refused:5@1")(tape).write(ANSWER)
    assert tape.tape == [] and hung_up.value.away_s == 5


def test_duplicate_sends_it_twice():
    assert through("duplicate").sent == ANSWER * 2


def test_drip_sends_it_in_pieces_over_the_whole_time():
    tape = through("drip:2").tape
    assert tape[::2] == [bytes([byte]) for byte in ANSWER]
    assert sum(tape[1::2]) == pytest.approx(2)
    assert len(through("drip", Spoken.bare(bytes(1000))).tape) <= 80


def test_an_outage_holds_everything_on_every_connection_and_is_30_s_long():
    """30 s is what the job asks for; a housekeeping byte waits too."""
    clock = TurnedClock()
    faults = Faults(Scripted([parse_fault("outage@1")]), clock=clock)
    one, other = Tape(clock), Tape(clock)
    wire, late = faults(one), faults(other)
    wire.write(ANSWER)
    assert one.tape == [30.0, ANSWER]
    wire.write(ANSWER)
    assert one.tape == [30.0, ANSWER, ANSWER]
    faults.begin_outage(4)
    late.write(b"housekeeping")
    assert other.tape == [4.0, b"housekeeping"]


def test_every_kind_has_its_own_test_here():
    """A kind that is added is missing here until it is tested."""
    assert set(KINDS) == {
        *("silence", "late", "half", "garbage", "noise", "non-ascii", "terminator"),
        *("closed", "refused", "duplicate", "drip", "outage"),
    }


# ---- when


def falls(schedule, count=8):
    return [bool(schedule.due(number)) for number in range(1, count + 1)]


def test_a_fault_falls_once_or_for_good():
    assert falls(Scripted([parse_fault("late@3")])) == [False, False, True] + [False] * 5
    assert falls(Scripted([parse_fault("late:0.5@6+")])) == [False] * 5 + [True] * 3


@pytest.mark.parametrize("text", ["late", "late@0", "late:@3", "laugh@1", "late@-1", "@1", "late@1-"])
def test_what_is_not_a_fault_is_refused_in_words(text):
    with pytest.raises(ValueError, match=r"KIND|there is no fault|counted from 1"):
        parse_fault(text)


def test_a_seed_repeats_its_faults_and_another_has_others():
    def drawn(seed):
        schedule = Seeded(seed, 0.3, seconds={"late": 0.1})
        return [schedule.due(number) for number in range(1, 300)]

    assert drawn(7) == drawn(7) != drawn(8)
    kinds = [fault.kind for fault in drawn(7) if fault]
    assert set(kinds) == set(KINDS) and 50 < len(kinds) < 130
    assert {fault.lasts_s for fault in drawn(7) if fault and fault.kind == "late"} == {0.1}


def test_only_answers_are_counted_and_a_plain_byte_is_left_alone():
    tape = Tape()
    faults = faulty("silence@2")
    wire = faults(tape)
    for data in (b"hello", ANSWER, b"hello", ANSWER, ANSWER):
        wire.write(data)
    assert tape.tape == [b"hello", ANSWER, b"hello", ANSWER]
    assert faults.answers == 3


def test_what_was_put_in_is_logged_with_time_kind_and_number():
    clock = TurnedClock(500)
    faults = Faults(Scripted([parse_fault("duplicate@2+")]), clock=clock)
    told = []
    faults.told = told.append
    wire = faults(Tape())
    before_us = time.time_ns() // 1000
    for _ in range(3):
        wire.write(ANSWER)
        clock.sleep_s(1)
    assert [(one.answer, one.t_s) for one in faults.injected] == [(2, 501), (3, 502)]
    assert {one.kind for one in faults.injected} == {"duplicate"}
    assert all(before_us <= one.t_us <= time.time_ns() // 1000 for one in faults.injected)
    assert told == faults.injected


def test_a_fault_can_be_put_on_the_next_answer():
    tape = Tape()
    faults = faulty()
    wire = faults(tape)
    faults.arm("silence")
    wire.write(ANSWER)
    wire.write(ANSWER)
    assert tape.tape == [ANSWER] and [one.answer for one in faults.injected] == [1]


# ---- on real servers


def ask(caller, message=b"*OPC?\n"):
    caller.sendall(message)
    return caller.recv(100)


def test_after_closed_the_next_caller_is_served(meter):
    with serve_tcp(meter.instrument, wrap=faulty("closed@1")) as server:
        with socket.create_connection((server.host, server.port), 5) as caller:
            assert ask(caller, b"SYST:VERS?\n") == b"199"
            assert caller.recv(100) == b""
        with socket.create_connection((server.host, server.port), 5) as caller:
            assert ask(caller) == b"1\n"


def test_while_refused_nobody_is_let_in_and_then_again_at_the_same_port(meter):
    with serve_tcp(meter.instrument, wrap=faulty("refused:600@1")) as server:
        with socket.create_connection((server.host, server.port), 5) as caller:
            assert ask(caller) == b""
        for _ in range(20):
            with pytest.raises(ConnectionError):
                socket.create_connection((server.host, server.port), 5)
        server.come_back()
        with socket.create_connection((server.host, server.port), 5) as caller:
            assert ask(caller) == b"1\n"


def test_after_refused_it_comes_back_by_itself_and_no_sooner(meter):
    away_s = 0.3
    with serve_tcp(meter.instrument, wrap=faulty(f"refused:{away_s}@1")) as server:
        with socket.create_connection((server.host, server.port), 5) as caller:
            asked_s = time.monotonic()
            assert ask(caller) == b""
        while True:
            try:
                with socket.create_connection((server.host, server.port), 5) as caller:
                    assert ask(caller) == b"1\n"
                break
            except ConnectionError:
                assert time.monotonic() < asked_s + 20, "it never came back"
                time.sleep(0.01)
        assert time.monotonic() >= asked_s + away_s


def test_a_server_that_is_left_during_an_outage_leaves_no_thread(meter):
    with serve_tcp(meter.instrument, wrap=faulty("outage@1")) as server:
        caller = socket.create_connection((server.host, server.port), 5)
        caller.sendall(b"*OPC?\n")
        end_s = time.monotonic() + 20
        while not server._wires and time.monotonic() < end_s:
            time.sleep(0.01)
        threads = list(server._wires.values())
    assert threads and not any(thread.is_alive() for thread in threads)
    caller.close()


def test_a_serial_line_that_is_hung_up_comes_back_by_itself(meter, tmp_path):
    with serve_tty(meter.instrument, tmp_path / "meter.tty", wrap=faulty("refused:0.05@1")) as server:
        end = os.open(server.link, os.O_RDWR | os.O_NOCTTY)
        os.write(end, b"*OPC?\n")
        end_s = time.monotonic() + 20
        while time.monotonic() < end_s:
            try:
                os.write(end, b"*OPC?\n")
            except OSError:
                break
        os.close(end)
        while not server.link.is_symlink() and time.monotonic() < end_s:
            time.sleep(0.01)
        end = os.open(server.link, os.O_RDWR | os.O_NOCTTY)
        os.write(end, b"*OPC?\n")
        assert os.read(end, 100) == b"1\r\n"
        os.close(end)


def test_seeded_faults_wrap_a_server_in_one_line(meter):
    wrap = seeded(3, rate=1.0, kinds=["duplicate"])
    with (
        serve_tcp(meter.instrument, wrap=wrap) as server,
        socket.create_connection((server.host, server.port), 5) as caller,
    ):
        assert ask(caller) == b"1\n1\n"
    assert [one.kind for one in wrap.injected] == ["duplicate"]
