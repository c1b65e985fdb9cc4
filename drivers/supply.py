"""What feeds the unit: amperes and volts of a supply or a mains meter that speaks SCPI."""

from drivers import scpi
from drivers.conversation import Conversation
from drivers.errors import DriverError
from drivers.instrument import ScpiInstrument
from drivers.readings import Poll, Quantity, Reading

CURRENT_QUERY, VOLTAGE_QUERY = "MEAS:CURR?", "MEAS:VOLT?"  # SCPI-99 vol. 2, 3.4


class ScpiSupply(ScpiInstrument):
    """Reads amperes and volts; where one question is not understood, the other goes on alone."""

    def __init__(
        self,
        conversation: Conversation,
        current_query: str = CURRENT_QUERY,
        voltage_query: str = VOLTAGE_QUERY,
    ) -> None:
        super().__init__(conversation)
        self._queries = {Quantity.SUPPLY_CURRENT: current_query, Quantity.MAINS: voltage_query}
        self._untried = {quantity for quantity, query in self._queries.items() if query}
        self._understood: set[Quantity] = set()

    def poll(self) -> Poll:
        """Current and voltage, as far as they are understood. The first answer is a reading already."""
        readings = [reading for quantity in self._queries if (reading := self._read(quantity)) is not None]
        if not readings:
            asked = ", ".join(query for query in self._queries.values() if query)
            raise DriverError(f"{self.identity} answers none of {asked}: give current_query or voltage_query.")
        return Poll(tuple(readings), remarks=self._conversation.take_remarks())

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
        return Reading(answer.t_us, value, quantity, flags=flags, half_width_us=answer.half_width_us)
