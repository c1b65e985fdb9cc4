"""A bench meter that speaks SCPI, followed as the technician turns its knob."""

from enum import Enum

from drivers import scpi
from drivers.conversation import Answer, Conversation
from drivers.errors import AnswerError, DriverError
from drivers.instrument import ScpiInstrument
from drivers.meter_settings import IntegrationTime, sense_node
from drivers.protocols import NO_ACCURACY
from drivers.readings import Accuracy, Flag, Poll, Quantity, Reading
from drivers.scpi import Configuration

FETCH, READ = "FETC?", "READ?"  # SCPI-99 vol. 2, 3.2 and 3.3
_made = tuple.__new__  # a third of the price of a named tuple's own, paid at each poll
FUNCTION_QUERIES = ("CONF?", "SENS:FUNC?", "FUNC?")


class Asking(Enum):
    """How the function is asked for around a reading."""

    FIXED = "the bench file names it"
    APART = "three questions"
    TOGETHER = "three questions in one message"


_Measured = tuple[float, Flag, Configuration, Configuration]  # the configuration before and after the value


class ScpiMeter(ScpiInstrument):
    """Reads what the meter measures anyway and changes no setting.

    The value is fetched (``FETC?``); only where that fails is it measured (``READ?``), and that is
    remembered until the link is opened again. Beware: ``READ?`` on a meter that runs freely at its
    front panel may leave it waiting for a trigger (SCPI-99 vol. 2, 3.3: it is ABORt, INITiate,
    FETCh?); ``to_local`` brings most meters back to running.

    The function is asked before and after the value, in one message where the meter proves to
    understand that. When it changed in between, the value is not attributed: the reading is NaN with
    ``Flag.CHANGING`` and a remark tells the number. When only the range changed, the value stays,
    with the flag.

    Each reading carries range, resolution and integration time as far as the meter says them, and the limits
    of error that follow from the bench file.
    """

    def __init__(
        self,
        conversation: Conversation,
        function: Quantity | None = None,
        reading_s: float | None = None,
        accuracy: Accuracy = NO_ACCURACY,
    ) -> None:
        """``function`` is used where the meter cannot be asked; ``reading_s`` is the allowed time of one reading,
        raised to three integration times where the meter tells those."""
        super().__init__(conversation)
        self._reading_s = reading_s
        self._accuracy = accuracy
        self._has_accuracy = accuracy != NO_ACCURACY
        self._integration = IntegrationTime(conversation)
        self._integration_s: float | None = None
        self._value_query = FETCH
        self._proved = False
        self._fixed = Configuration("", function)
        self._silent: set[str] = set()
        self._node = ""
        self._last: Configuration | None = None
        self._function_query = self._find_function_query(function)
        self._asking = self._find_asking()
        self._three = _Three()
        asked = self._function_query
        self._together = {query: f"{asked};:{query};:{asked}" for query in (FETCH, READ)}

    @property
    def abilities(self) -> tuple[str, ...]:
        """See ``Instrument``."""
        if self._asking is Asking.FIXED:
            return (f"cannot say its function: taken as {self._fixed.quantity}, so leave its knob there",)
        return (f"says its own function ({self._function_query}): turn its knob, the readings follow",)

    def poll(self) -> Poll:
        """One reading with function, range and flags; none, and a remark, on a function that is not kept."""
        # Before the reading, which must not be lost to a fault in asking about it.
        self._integration_s = self._integration.follow(self._node)
        answer = self._measure(self._value_query) if self._proved else self._measure_one()
        after = answer.value[3]
        if after is not self._last:
            self._turned_to(after)
        if after.quantity is None:
            self._conversation.remark(f"its function {after.function} is not one that is kept")
            return Poll(remarks=self._conversation.take_remarks())
        return _made(Poll, ((self._reading(answer, after.quantity),), (), self._conversation.take_remarks()))

    def _turned_to(self, configuration: Configuration) -> None:
        node = sense_node(configuration.function)
        if node != self._node:
            self._integration_s = None
        self._node, self._last = node, configuration

    def _reading(self, answer: Answer[_Measured], quantity: Quantity) -> Reading:
        value, flags, before, after = answer.value
        if before is not after and before != after:
            flags |= Flag.CHANGING
        if before.quantity is not quantity:
            self._conversation.remark(
                f"function turned from {before.function} to {after.function} "
                f"while {value:g} was read: belongs to neither"
            )
            value = float("nan")
        if self._function_query != "CONF?":
            after = self._with_range(after)
        reading = Reading(
            answer.t_us,
            value,
            quantity,
            "",
            flags,
            answer.half_width_us,
            after.range,
            after.resolution,
            self._integration_s,
        )
        return reading.within(self._accuracy) if self._has_accuracy else reading

    def _measure_one(self) -> Answer[_Measured]:
        if self._value_query == READ:
            return self._measure(READ)
        answer = self._conversation.attempt(lambda: self._measure(FETCH))
        if answer is None:  # nothing to fetch, or the word unknown (-230, -113): spared it from now on
            self._value_query = READ
            answer = self._measure(READ)
        self._proved = True
        return answer

    def _measure(self, query: str) -> Answer[_Measured]:
        if self._asking is Asking.TOGETHER:
            return self._conversation.ask(self._together[query], self._three.read, self._allowed_s())
        before = self._configuration()
        answer = self._conversation.ask(query, scpi.read_number, self._allowed_s())
        measured = (*answer.value, before, self._configuration())
        return Answer(measured, answer.t_us, answer.half_width_us)

    def _allowed_s(self) -> float | None:
        """How long one reading may be silent: its integration time may have been turned up since the opening."""
        if self._reading_s is None or self._integration_s is None:
            return self._reading_s
        return max(self._reading_s, 3 * self._integration_s)

    def _configuration(self) -> Configuration:
        if self._asking is Asking.FIXED:
            return self._fixed
        return self._conversation.ask(self._function_query, scpi.read_configuration).value

    def _with_range(self, configuration: Configuration) -> Configuration:
        """``SENS:FUNC?`` says no range: ask for it (SCPI-99 vol. 2, 18.21) where the meter answers."""
        function = sense_node(configuration.function)
        if not function:
            return configuration
        range_, resolution = (self._setting(f"SENS:{function}:{node}?") for node in ("RANG", "RES"))
        return Configuration(configuration.function, configuration.quantity, range_, resolution)

    def _setting(self, query: str) -> float | None:
        if query in self._silent:
            return None
        try:
            answer = self._conversation.try_ask(query, scpi.read_finite)
        except DriverError as error:
            # The reading stands; the next question finds the link suspect.
            self._conversation.remark(f"out of step: {error}")
            return None
        if answer is None:
            self._silent.add(query)
            return None
        return answer.value

    def _find_function_query(self, function: Quantity | None) -> str:
        for query in FUNCTION_QUERIES:
            answer = self._conversation.try_ask(query, scpi.read_configuration)
            if answer is not None:
                self._node = sense_node(answer.value.function)
                return query
        if function is None:
            raise DriverError(
                f"{self.identity} does not say which function it is on ({', '.join(FUNCTION_QUERIES)}): "
                'write it in the bench file, such as function = "dc_v", and leave the knob there.'
            )
        return ""

    def _find_asking(self) -> Asking:
        query = self._function_query
        if not query:
            return Asking.FIXED
        # Tried with functions only: a value that is asked for is a reading and must not be thrown away.
        together = self._conversation.try_ask(f"{query};:{query}", _are_two)
        return Asking.TOGETHER if together is not None and together.value else Asking.APART


def _are_two(text: str) -> bool:
    """Whether both questions were answered; a meter that answers the first alone is not out of step."""
    return len([scpi.read_configuration(unit) for unit in scpi.split_outside_quotes(text, ";")]) == 2


class _Three:
    """Reads function, value and function. The same function as last time is told by its text."""

    def __init__(self) -> None:
        self._begin = self._end = ""
        self._size = 0
        self._configuration: Configuration | None = None

    def read(self, text: str) -> _Measured:
        known, size = self._configuration, self._size
        if known is not None and text.startswith(self._begin) and text.endswith(self._end, size):
            return *scpi.read_number(text[size:-size]), known, known
        before, value, after = _units(text, 3)
        measured = (*scpi.read_number(value), scpi.read_configuration(before), scpi.read_configuration(after))
        self._configuration = measured[3]
        self._begin, self._end, self._size = f"{after};", f";{after}", len(after) + 1
        return measured


def _units(text: str, count: int) -> list[str]:
    units = scpi.split_outside_quotes(text, ";")
    if len(units) != count:
        raise AnswerError(f"{text[:80]!r}: {count} answers were asked for in one message, {len(units)} came.")
    return units
