"""What feeds the unit: amperes and volts of a supply or a mains meter that speaks SCPI."""

from drivers import scpi
from drivers.conversation import Conversation
from drivers.errors import CommandError, DriverError, InstrumentRefused
from drivers.instrument import ScpiInstrument
from drivers.protocols import NO_ACCURACY
from drivers.readings import Accuracy, Poll, Quantity, Reading

CURRENT_QUERY, VOLTAGE_QUERY = "MEAS:CURR?", "MEAS:VOLT?"  # SCPI-99 vol. 2, 3.4
OUTPUT_QUERY, OUTPUT_OFF = "OUTP?", "OUTP OFF"  # SCPI-99 vol. 2, 15
SETTINGS = {"VOLT?": "V", "CURR?": "A"}  # SCPI-99 vol. 2, 19: SOURce, what it is set to
FEEDS = {"mains": Quantity.MAINS, "dc": Quantity.DC_V}


class ScpiSupply(ScpiInstrument):
    """Reads amperes and volts; where one question is not understood, the other goes on alone.

    A supply that knows ``OUTP?`` is programmable: whether its output is on is a reading, and what it
    is set to is remarked whenever it changes. ``feeds`` is mains or dc: a bench supply's volts are not
    the mains, by which printed values are corrected.
    """

    def __init__(
        self,
        conversation: Conversation,
        current_query: str = CURRENT_QUERY,
        voltage_query: str = VOLTAGE_QUERY,
        feeds: str = "mains",
        accuracy: Accuracy = NO_ACCURACY,
    ) -> None:
        super().__init__(conversation)
        self._accuracy = accuracy
        self._queries = {Quantity.SUPPLY_CURRENT: current_query, FEEDS[feeds]: voltage_query}
        self._untried = {quantity for quantity, query in self._queries.items() if query}
        self._understood: set[Quantity] = set()
        self._is_programmable = conversation.try_ask(OUTPUT_QUERY, scpi.read_boolean) is not None
        self._settings = self._find_settings() if self._is_programmable else ()
        self._said = ""

    @property
    def abilities(self) -> tuple[str, ...]:
        """See ``Instrument``."""
        if self._is_programmable:
            return ("programmable: its output and settings are read back; it can be switched off from here, never on",)
        return ("measures only: it does not say that it has an output",)

    def poll(self) -> Poll:
        """Current and voltage, as far as they are understood, and the output. The first answer is a reading already."""
        output = [self._read_output()] if self._is_programmable else []
        readings = [reading for quantity in self._queries if (reading := self._read(quantity)) is not None]
        if not readings:
            asked = ", ".join(query for query in self._queries.values() if query)
            raise DriverError(f"{self.identity} answers none of {asked}: give current_query or voltage_query.")
        return Poll((*readings, *output), remarks=self._conversation.take_remarks())

    def output_off(self) -> Poll:
        """See ``Supply``. No driver switches a supply on."""
        if not self._is_programmable:
            raise CommandError("output", "it does not say that it has an output: use its own switch.")
        self._conversation.tell(OUTPUT_OFF)
        poll = self.poll()
        if any(reading.quantity is Quantity.OUTPUT and reading.value for reading in poll.readings):
            raise InstrumentRefused("its output is still on: use its own switch.")
        return poll

    def _read(self, quantity: Quantity) -> Reading | None:
        query = self._queries[quantity]
        if quantity in self._understood:
            answer = self._conversation.ask(query, scpi.read_number)
        elif quantity in self._untried:
            self._untried.discard(quantity)
            tried = self._conversation.try_ask(query, scpi.read_number)
            if tried is None:
                return None
            self._understood.add(quantity)
            answer = tried
        else:
            return None
        value, flags = answer.value
        reading = Reading(answer.t_us, value, quantity, flags=flags, half_width_us=answer.half_width_us)
        return reading.within(self._accuracy)

    def _read_output(self) -> Reading:
        """Whether the output is on, and a remark where that or a setting has changed."""
        settings = [
            f"{self._conversation.ask(query, scpi.read_finite).value:g} {SETTINGS[query]}" for query in self._settings
        ]
        output = self._conversation.ask(OUTPUT_QUERY, scpi.read_boolean)
        said = ", ".join([*settings, f"output {'on' if output.value else 'off'}"])
        if said != self._said:
            self._said = said
            self._conversation.remark(f"is set to {said}")
        return Reading(output.t_us, float(output.value), Quantity.OUTPUT, half_width_us=output.half_width_us)

    def _find_settings(self) -> tuple[str, ...]:
        return tuple(query for query in SETTINGS if self._conversation.try_ask(query, scpi.read_finite) is not None)
