"""Questions and answers over a link, kept in step: an answer is never that of an earlier question.

=========  =============================================  ==========
state      event                                          next state
=========  =============================================  ==========
in step    answer that fits and nothing after it          in step
in step    timeout, error, answer that does not fit,      suspect
           bytes that wait before a question
suspect    clear (else reopen) the link, the same         in step
           ``*IDN?``, ``*ESR?``, ``SYST:ERR?`` until 0
suspect    anything else                                  suspect
=========  =============================================  ==========

While suspect nothing is returned. ``*RST`` is never sent.
"""

import contextlib
from collections.abc import Callable, Sequence
from typing import Generic, NamedTuple, TypeVar

from drivers import scpi
from drivers.clock import Clock
from drivers.errors import (
    AnswerError,
    DriverError,
    InstrumentRefused,
    LinkClosed,
    LinkError,
    LinkRefused,
    LinkTimeout,
    OutOfStep,
    WrongInstrument,
)
from drivers.links.link import Link
from drivers.readings import Identity

T = TypeVar("T")

ERRORS_AT_MOST = 32
ATTEMPTS = 2
KEPT_QUESTIONS = 256
TAGS = 254
_made = tuple.__new__  # half the price of a named tuple's own, paid at each answer
_TAGGING = [f"*ESE {tag};*ESE?;".encode("ascii") for tag in range(TAGS + 1)]
_TAGGED = [f"{tag};".encode("ascii") for tag in range(TAGS + 1)]
OBJECTION = "its error queue held "
SWITCHED_ON = "it was switched off and on in between"
POWER_ON = 128  # bit 7 of the standard event status register (IEEE 488.2, 11.5.1.1)
ERROR_QUERY = "SYST:ERR?"  # SCPI-99 vol. 2, 21.8


class Answer(NamedTuple, Generic[T]):
    """What was answered, and when: the middle between question and answer, session microseconds."""

    value: T
    t_us: int
    half_width_us: int


class Conversation:
    """Owns a link. ``open`` first; methods raise only ``DriverError``.

    With ``tagged`` each text question carries ``*ESE n;*ESE?`` (IEEE 488.2, 10.10 and 10.11) in front, so
    that even a late duplicate on a serial line is recognised; the register is restored at the end.
    """

    def __init__(self, link: Link, clock: Clock, timeout_s: float = 1.0, tagged: bool = False) -> None:
        self._link = link
        self._clock = clock
        self._timeout_s = timeout_s
        self._wants_tags = tagged
        self._tag: int | None = None
        self._kept_enable = 0
        self._asked: dict[str, bytes] = {}
        self._suspect = True
        self._identity: Identity | None = None
        self._has_status = False
        self._power_on_tells: bool | None = None  # whether power-on in the status means that it was off; None: unknown
        self.has_error_queue = False
        self._remarks: list[str] = []

    @property
    def identity(self) -> Identity:
        """Who answered ``*IDN?`` at the opening."""
        if self._identity is None:
            raise LinkClosed("not opened yet.")
        return self._identity

    def open(self) -> Identity:
        """Connect, learn who is there and which of the status queries it understands."""
        try:
            self.greet()
            self.has_error_queue = self._keeps_errors()
            self._has_status = self.try_ask("*ESR?", scpi.read_integer) is not None
            if self._wants_tags:
                self._begin_tags()
        except DriverError:
            self.close()
            raise
        return self.identity

    def greet(self) -> Identity:
        """Connect and ask only who is there."""
        self._link.open(self._deadline_s())
        self._get_in_step((self._as_it_is, self._link.clear, self._link.reopen))
        return self.identity

    def ask(self, query: str, parse: Callable[[str], T], timeout_s: float | None = None) -> Answer[T]:
        """Ask for one line and read it with ``parse``; the link is suspect until that has succeeded."""
        if self._tag is not None:
            return self._ask_tagged(query, parse, timeout_s)
        self._make_ready()
        return self._exchange(query, lambda line: parse(scpi.decode(line)), self._link.read_line, timeout_s)

    def _ask_tagged(self, query: str, parse: Callable[[str], T], timeout_s: float | None) -> Answer[T]:
        """One write and one read: the number in the answer proves it, so nothing else has to be looked at."""
        if self._suspect:
            self.get_in_step()
        assert self._tag is not None
        self._tag = tag = self._tag % TAGS + 1
        asked = self._asked.get(query) or self._remember(query)
        clock, link = self._clock, self._link
        deadline_s = clock.monotonic_s() + (self._timeout_s if timeout_s is None else timeout_s)
        self._suspect = True
        asked_us = clock.now_us()
        link.write(_TAGGING[tag] + asked, deadline_s)
        line = link.read_line(deadline_s)
        answered_us = clock.now_us()
        tagged = _TAGGED[tag]
        if line.startswith(tagged):
            value = parse(scpi.decode(line[len(tagged) :]))
        else:
            value = parse(_without_tag(line.decode("ascii", "replace"), tag))
        self._suspect = False
        took_us = answered_us - asked_us
        return _made(Answer, (value, asked_us + took_us // 2, (took_us + 1) // 2))

    def _remember(self, query: str) -> bytes:
        """The bytes of a question that stands behind its number; kept, most are asked again and again."""
        if len(self._asked) >= KEPT_QUESTIONS:
            self._asked.clear()
        self._asked[query] = asked = f"{'' if query[0] in ':*' else ':'}{query}".encode("ascii")
        return asked

    def ask_block(self, query: str, timeout_s: float | None = None) -> Answer[bytes]:
        """Ask for arbitrary block data (IEEE 488.2, 8.7.9) and return the payload."""
        self._make_ready()
        return self._exchange(query, lambda payload: payload, self._link.read_block, timeout_s)

    def try_ask(self, query: str, parse: Callable[[str], T], timeout_s: float | None = None) -> Answer[T] | None:
        """As ``ask``, but None where the instrument does not understand; in step again afterwards."""
        return self.attempt(lambda: self.ask(query, parse, timeout_s))

    def attempt(self, asking: Callable[[], Answer[T]]) -> Answer[T] | None:
        """What ``asking`` brings, or None where the instrument does not understand it; in step again afterwards.

        An instrument that keeps an error queue says so there when it does not understand, and that is no
        event. Where it has no objection it was the way that failed: a remark, and asked once more. The queue is
        looked at before the way is cleared too: some keep one for each connection.
        """
        for _ in range(ATTEMPTS):
            kept = len(self._remarks)
            try:
                return asking()
            except (LinkTimeout, AnswerError, OutOfStep) as error:
                if isinstance(error, LinkTimeout) and self.has_error_queue:
                    with contextlib.suppress(DriverError):
                        self._remark_queue()
                self.get_in_step()
                objected = self._forget_objections(kept)
                if isinstance(error, OutOfStep) or (self.has_error_queue and not objected):
                    self.remark(f"out of step: {error}")
                if objected or not self.has_error_queue:
                    return None
        return None

    def _forget_objections(self, kept: int) -> bool:
        """Take the objections out of the remarks from number ``kept`` on; True where there were some.

        A query error (-4xx, SCPI-99 vol. 2, 21.8.12) is about the exchange of messages, not about what was asked.
        """
        new = self._remarks[kept:]
        objections = [remark for remark in new if remark.startswith(OBJECTION)]
        self._remarks[kept:] = [remark for remark in new if remark not in objections]
        return any(not remark.startswith(f"{OBJECTION}-4") for remark in objections)

    def tell(self, command: str) -> None:
        """Send a command that has no answer. ``InstrumentRefused`` where the error queue objects."""
        self.tell_unchecked(command)
        if self.has_error_queue and (objections := self._read_queue()):
            raise InstrumentRefused(f"{command!r} was refused: {'; '.join(objections)}")

    def takes(self, command: str) -> bool:
        """Send a command that does no harm; True where the error queue has nothing against it."""
        try:
            self.tell(command)
        except InstrumentRefused:
            return False
        return True

    def tell_unchecked(self, command: str) -> None:
        """Send a command without asking whether it was understood."""
        self._make_ready()
        self._suspect = True
        self._link.write(command.encode("ascii"), self._deadline_s())
        self._suspect = False

    def get_in_step(self) -> None:
        """Make sure that the next answer belongs to the next question, or raise ``DriverError``."""
        self._get_in_step((self._link.clear, self._link.reopen, self._link.reopen))

    def take_remarks(self) -> tuple[str, ...]:
        """Anomalies since the last call, for the time line."""
        of_link = self._link.take_remarks()
        if not (of_link or self._remarks):
            return ()
        remarks, self._remarks = (*self._remarks, *of_link), []
        return remarks

    def remark(self, text: str) -> None:
        """Keep a remark for the time line, once."""
        if text not in self._remarks:
            self._remarks.append(text)

    def close(self) -> None:
        """Restore what was borrowed and let go; safe to call twice, never raises."""
        if self._tag is not None:
            self._tag = None
            with contextlib.suppress(DriverError):
                self._ask_plainly(f"*ESE {self._kept_enable};*ESE?", scpi.read_integer)
        self._suspect = True
        self._link.close()

    def _deadline_s(self, timeout_s: float | None = None) -> float:
        return self._clock.monotonic_s() + (self._timeout_s if timeout_s is None else timeout_s)

    def _make_ready(self) -> None:
        if not self._suspect:
            try:
                if waiting := self._link.drain(0.0).strip():
                    self._suspect = True
                    self.remark(f"out of step: {waiting[:60]!r} was waiting before a question and was thrown away")
            except LinkClosed as error:
                self._suspect = True
                self.remark(f"out of step: {error}")
        if self._suspect:
            self.get_in_step()

    def _exchange(
        self,
        query: str,
        parse: Callable[[bytes], T],
        read: Callable[[float], bytes],
        timeout_s: float | None = None,
    ) -> Answer[T]:
        self._suspect = True
        deadline_s = self._deadline_s(timeout_s)
        asked_us = self._clock.now_us()
        self._link.write(query.encode("ascii"), deadline_s)
        data = read(deadline_s)
        answered_us = self._clock.now_us()
        if extra := self._link.drain(0.0).strip():
            raise OutOfStep(f"{query} was answered twice ({data[:60]!r}, then {extra[:60]!r}): neither is kept.")
        value = parse(data)
        self._suspect = False
        took_us = answered_us - asked_us
        return Answer(value, asked_us + took_us // 2, (took_us + 1) // 2)

    def _ask_plainly(self, query: str, parse: Callable[[str], T]) -> T:
        return self._exchange(query, lambda line: parse(scpi.decode(line)), self._link.read_line).value

    def _get_in_step(self, ways: Sequence[Callable[[float], None]]) -> None:
        self._suspect = True
        failures: list[DriverError] = []
        for way in ways:
            try:
                way(self._deadline_s())
                self._prove()
            except (LinkRefused, WrongInstrument):
                self._suspect = True
                raise
            except (LinkError, AnswerError) as error:
                self._suspect = True
                failures.append(error)
            else:
                for failure in failures:  # what went wrong on the way back is an event too
                    self.remark(f"out of step: {failure}")
                return
        raise failures[-1]

    def _as_it_is(self, deadline_s: float) -> None:
        """A link that was opened this moment needs no clearing."""

    def _prove(self) -> None:
        self._check_identity()
        if self._has_status and self._says_power_on() and self._power_on_tells is not False:
            self.remark(SWITCHED_ON)
            if self._power_on_tells is None:
                self._find_what_power_on_tells()
        if self.has_error_queue:
            self._remark_queue()

    def _check_identity(self) -> None:
        who = self._ask_plainly("*IDN?", scpi.read_identity)
        known = self._identity
        if known is not None and not known.same_instrument(who):
            raise WrongInstrument(f"{who} answers where {known} did before: nothing is read from it.")
        self._identity = who

    def _says_power_on(self) -> bool:
        return bool(self._ask_plainly("*ESR?", scpi.read_integer) & POWER_ON)

    def _find_what_power_on_tells(self) -> None:
        """Some keep a status for each connection, new at its beginning: then power-on is said at once again."""
        self._link.reopen(self._deadline_s())
        self._check_identity()
        self._power_on_tells = not self._says_power_on()
        if not self._power_on_tells:
            self._remarks.remove(SWITCHED_ON)

    def _keeps_errors(self) -> bool:
        first = self.try_ask(ERROR_QUERY, scpi.read_error)
        if first is None:
            # One fault on the way must not make it an instrument without an error queue until the next opening.
            first = self.try_ask(ERROR_QUERY, scpi.read_error)
            if first is None:
                return False
            self.remark(f"out of step: {ERROR_QUERY} had to be asked twice")
        if first.value[0]:
            self.remark(f"{OBJECTION}{_objection(first.value)}")
            self._remark_queue()
        return True

    def _remark_queue(self) -> None:
        for objection in self._read_queue():
            self.remark(f"{OBJECTION}{objection}")

    def _read_queue(self) -> list[str]:
        objections: list[str] = []
        for _ in range(ERRORS_AT_MOST):
            entry = self._ask_plainly(ERROR_QUERY, scpi.read_error)
            if entry[0] == 0:
                break
            objections.append(_objection(entry))
        return objections

    def _begin_tags(self) -> None:
        self._kept_enable = self.ask("*ESE?", scpi.read_integer).value
        self._tag = 0
        if self.try_ask("*ESE?", scpi.read_integer) is None:
            self._tag = None
            self.remark("it does not understand tagged questions (*ESE n;*ESE?): asked without")


def _objection(entry: tuple[int, str]) -> str:
    return f"{entry[0]} {entry[1]}".strip()


def _without_tag(text: str, expected: int) -> str:
    tag, _, rest = text.partition(";")
    if tag.strip() != str(expected):
        raise OutOfStep(f"{text[:60]!r} does not begin with the number {expected}: of an earlier question, or of none.")
    return rest
