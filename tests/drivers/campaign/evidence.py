"""What is believed of a value: it was made between its question and its answer, and for that question."""

from drivers.readings import Quantity
from tests.drivers.campaign.instruments import AMPERES, DBM, HERTZ, MAINS, OHMS, VOLTS

FRACTIONS = {
    Quantity.DC_V: VOLTS,
    Quantity.OHM: OHMS,
    Quantity.SUPPLY_CURRENT: AMPERES,
    Quantity.MAINS: MAINS,
    Quantity.FREQUENCY: HERTZ,
    Quantity.LEVEL: DBM,
}
ROUNDING_US = 2  # middle and half width are whole microseconds


def wrong_in(poll, made, begun_us, done_us):
    """What is wrong with what one poll brought, a sentence each."""
    return [*_wrong_readings(poll, made), *_wrong_traces(poll, made, begun_us, done_us)]


def _wrong_readings(poll, made):
    for reading in poll.readings:
        if reading.quantity is Quantity.OUTPUT:
            if reading.value != 0.0:
                yield f"output {reading.value} was never said"
            continue
        if reading.value != reading.value and reading.flags:
            continue  # no value is claimed
        value = abs(reading.value)
        if value % 1 != FRACTIONS.get(reading.quantity):
            yield f"{reading.value!r} is no answer to a question for {reading.quantity}"
        elif value not in made:
            yield f"{reading.value!r} was never made"
        elif abs(made[value] - reading.t_us) > reading.half_width_us + ROUNDING_US:
            late_ms = (reading.t_us - made[value]) / 1000
            yield f"{reading.value!r} was made {late_ms:.1f} ms before its question's middle: of an earlier question"


def _wrong_traces(poll, made, begun_us, done_us):
    for trace in poll.traces:
        data = bytes(code & 0xFF for code in trace.codes)
        words = {data[at : at + 4] for at in range(0, len(data), 4)}
        number = int.from_bytes(min(words)[:3], "big")
        if len(words) != 1 or not min(words).endswith(b"\n"):
            yield f"a trace of {len(data)} samples is mixed or torn"
        elif number not in made:
            yield f"trace {number} was never sent"
        elif not begun_us <= made[number] <= done_us:
            yield f"trace {number} is of an earlier question"
