"""A conversation over a link that is played from a script, on a clock that is turned by hand."""

import pytest

from drivers import scpi
from drivers.clock import HandClock
from drivers.conversation import ERRORS_AT_MOST, Conversation
from drivers.errors import (
    AnswerError,
    InstrumentRefused,
    LinkClosed,
    LinkError,
    LinkTimeout,
    OutOfStep,
    WrongInstrument,
)
from drivers.readings import Flag

HEALTHY = {b"*IDN?": b"A,B,C,D", b"*ESR?": b"0", b"SYST:ERR?": b'0,"No error"', b"*ESE?": b"33"}


class PlayedLink:
    """Answers from a table, or first from ``script``, whose entries are lines, errors or lists of lines.

    A list puts its first line in as the answer and leaves the rest waiting behind it.
    """

    def __init__(self, clock):
        self.clock = clock
        self.table = dict(HEALTHY)
        self.script = {}
        self.waiting = []
        self.written = []
        self.cleared = self.reopened = 0
        self.is_open = False

    def open(self, deadline_s):
        self.is_open = True

    def write(self, line, deadline_s):
        if not self.is_open:
            raise LinkClosed("closed")
        self.written.append(line)
        self.clock.turn(0.001)

    def read_line(self, deadline_s):
        self.clock.turn(0.002)
        if self.waiting:
            return self.waiting.pop(0)
        question = self.written[-1]
        planned = self.script.get(question)
        answer = planned.pop(0) if planned else self._from_table(question)
        if isinstance(answer, LinkError):
            self.clock.turn(max(0.0, deadline_s - self.clock.monotonic_s()))
            raise answer
        if isinstance(answer, list):
            self.waiting += answer[1:]
            return answer[0]
        return answer

    def _from_table(self, question):
        if question not in self.table:
            return LinkTimeout("silent")
        return self.table[question]

    def read_block(self, deadline_s):
        return self.read_line(deadline_s)

    def drain(self, quiet_s):
        if not self.is_open:
            raise LinkClosed("closed")
        taken, self.waiting = b"\n".join(self.waiting), []
        return taken

    def clear(self, deadline_s):
        self.cleared += 1
        self.waiting = []

    def reopen(self, deadline_s):
        self.reopened += 1
        self.is_open = True
        self.waiting = []

    def take_remarks(self):
        return ()

    def close(self):
        self.is_open = False


@pytest.fixture
def clock():
    return HandClock()


@pytest.fixture
def link(clock):
    link = PlayedLink(clock)
    link.table[b"FETC?"] = b"12.5"
    return link


@pytest.fixture
def talk(link, clock):
    talk = Conversation(link, clock, 1.0)
    talk.open()
    link.written.clear()
    return talk


def fetch(talk):
    return talk.ask("FETC?", scpi.read_number)


def test_an_answer_is_stamped_in_the_middle_of_its_question(talk, clock):
    """The link takes 1 ms to write and 2 ms to read: 1.5 ms either side."""
    begun_us = clock.now_us()
    answer = fetch(talk)
    assert answer.value == (12.5, Flag.NONE)
    assert (answer.t_us - begun_us, answer.half_width_us) == (1500, 1500)


def test_an_answer_that_comes_twice_at_once_is_not_kept(talk, link):
    """One of the two may be that of an earlier question, and nobody can tell which."""
    link.script[b"FETC?"] = [[b"11.0", b"12.5"]]
    with pytest.raises(OutOfStep, match="neither"):
        fetch(talk)
    assert fetch(talk).value[0] == 12.5


def test_after_a_timeout_nothing_is_asked_before_the_link_is_in_step_again(talk, link):
    link.script[b"FETC?"] = [LinkTimeout("silent")]
    with pytest.raises(LinkTimeout):
        fetch(talk)
    link.written.clear()
    fetch(talk)
    assert link.cleared == 1
    assert link.written == [b"*IDN?", b"*ESR?", b"SYST:ERR?", b"FETC?"]


def test_a_late_answer_during_getting_in_step_starts_it_again_with_a_new_connection(talk, link):
    link.script[b"FETC?"] = [LinkTimeout("silent")]
    link.script[b"*IDN?"] = [[b"11.0", b"A,B,C,D"]]
    with pytest.raises(LinkTimeout):
        fetch(talk)
    assert fetch(talk).value[0] == 12.5
    assert link.reopened == 1


@pytest.mark.parametrize("query", [b"*ESR?", b"SYST:ERR?"])
def test_a_late_identity_in_the_place_of_a_later_answer_is_noticed(talk, link, query):
    """Two questions for the identity, two answers: the second must not pass for anything else."""
    link.script[b"FETC?"] = [LinkTimeout("silent")]
    link.script[query] = [b"A,B,C,D"]
    with pytest.raises(LinkTimeout):
        fetch(talk)
    assert fetch(talk).value[0] == 12.5
    assert link.reopened == 1


def test_a_link_that_stays_silent_is_given_up_after_three_ways_and_returns_nothing(talk, link, clock):
    link.table.clear()
    with pytest.raises(LinkTimeout):
        fetch(talk)
    begun_s = clock.monotonic_s()
    with pytest.raises(LinkTimeout):
        fetch(talk)
    assert clock.monotonic_s() - begun_s < 3.1
    assert (link.cleared, link.reopened) == (1, 2)
    link.table |= HEALTHY | {b"FETC?": b"12.5"}
    assert fetch(talk).value[0] == 12.5


def test_another_identity_is_refused_until_the_right_one_answers(talk, link):
    link.script[b"FETC?"] = [LinkTimeout("silent")]
    with pytest.raises(LinkTimeout):
        fetch(talk)
    link.table[b"*IDN?"] = b"A,B,OTHER,D"
    for _ in range(2):
        with pytest.raises(WrongInstrument):
            fetch(talk)
    link.table[b"*IDN?"] = b"A,B,C,D"
    assert fetch(talk).value[0] == 12.5


def test_a_renewed_firmware_is_still_the_same_instrument(talk, link):
    link.script[b"FETC?"] = [LinkTimeout("silent")]
    with pytest.raises(LinkTimeout):
        fetch(talk)
    link.table[b"*IDN?"] = b"A,B,C,E"
    assert fetch(talk).value[0] == 12.5


@pytest.mark.parametrize("garbage", [b"12.3.4", b"\xff\x00", b"", b"#12hi"])
def test_an_answer_that_does_not_fit_makes_the_link_suspect(talk, link, garbage):
    link.script[b"FETC?"] = [garbage]
    with pytest.raises(AnswerError):
        fetch(talk)
    fetch(talk)
    assert link.cleared == 1


def test_bytes_that_wait_are_thrown_away_and_remarked_once(talk, link):
    link.waiting = [b"11.0"]
    assert fetch(talk).value[0] == 12.5
    (remark,) = talk.take_remarks()
    assert "11.0" in remark
    assert talk.take_remarks() == ()


def test_a_connection_that_was_closed_while_idle_is_opened_again_with_a_remark(talk, link):
    link.is_open = False
    link.clear = link.reopen
    assert fetch(talk).value[0] == 12.5
    assert "out of step" in talk.take_remarks()[0]


def test_at_most_32_entries_of_the_error_queue_are_read(talk, link):
    link.table[b"SYST:ERR?"] = b'-350,"Queue overflow"'
    link.script[b"FETC?"] = [LinkTimeout("silent")]
    with pytest.raises(LinkTimeout):
        fetch(talk)
    link.written.clear()
    fetch(talk)
    assert link.written.count(b"SYST:ERR?") == ERRORS_AT_MOST == 32


def test_a_refused_command_names_the_objection(talk, link):
    link.script[b"SYST:ERR?"] = [b'-222,"Data out of range"']
    with pytest.raises(InstrumentRefused, match="-222 Data out of range"):
        talk.tell("POW 99")


def test_trying_leaves_no_trace_in_the_time_line(talk, link):
    link.script[b"SYST:ERR?"] = [b'-113,"Undefined header"']
    assert talk.try_ask("CONF?", scpi.read_configuration) is None
    assert talk.take_remarks() == ()
    assert fetch(talk).value[0] == 12.5


def test_reset_is_never_sent_whatever_happens(talk, link):
    link.script[b"FETC?"] = [LinkTimeout("silent"), b"garbage", b"\xff"]
    for _ in range(6):
        try:
            fetch(talk)
        except (LinkError, AnswerError):
            continue
    assert not any(b"*RST" in line for line in link.written)


def test_a_conversation_that_was_closed_says_so(talk, link):
    talk.close()
    link.reopen = link.clear = lambda deadline_s: None
    with pytest.raises(LinkClosed):
        fetch(talk)


class TaggedLink(PlayedLink):
    """Understands a number in front of a question and gives it back."""

    def _from_table(self, question):
        if not question.startswith(b"*ESE "):
            return super()._from_table(question)
        number, _, rest = question.removeprefix(b"*ESE ").partition(b";")
        asked = rest.removeprefix(b"*ESE?").lstrip(b";:")
        self.table[b"*ESE?"] = number
        return number + b";" + self.table[asked] if asked else number


def test_a_tagged_answer_of_an_earlier_question_is_never_taken(clock):
    """The earlier answer comes alone, in time, and has the right form: only its number is wrong."""
    link = TaggedLink(clock)
    link.table[b"FETC?"] = b"12.5"
    talk = Conversation(link, clock, 1.0, tagged=True)
    talk.open()
    fetch(talk)
    earlier = link.written[-1]
    link._from_table(earlier)
    number = int(earlier.removeprefix(b"*ESE ").partition(b";")[0])
    link.script[b"*ESE %d;*ESE?;:FETC?" % (number + 1)] = [b"%d;11.0" % number]
    with pytest.raises(OutOfStep, match="earlier question"):
        fetch(talk)
    assert fetch(talk).value[0] == 12.5


def test_five_hundred_tagged_questions_use_the_numbers_of_one_byte(clock):
    """The event enable register has eight bits (IEEE 488.2, 10.10); 0 and 255 are left alone."""
    link = TaggedLink(clock)
    link.table[b"FETC?"] = b"12.5"
    talk = Conversation(link, clock, 1.0, tagged=True)
    talk.open()
    for _ in range(500):
        fetch(talk)
    tags = {int(line[5:].partition(b";")[0]) for line in link.written if line.startswith(b"*ESE ")}
    assert tags == set(range(1, 255))
    talk.close()
    assert link.written[-1] == b"*ESE 33;*ESE?"
