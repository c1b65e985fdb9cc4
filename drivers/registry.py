"""From a bench file's kind to a driver, and which options each kind has."""

from collections.abc import Callable, Mapping
from typing import Any, NamedTuple

from drivers.clock import Clock
from drivers.conversation import Conversation
from drivers.dialects import scope_dialect
from drivers.errors import DriverError
from drivers.generator import CEILING_DBM, ScpiGenerator
from drivers.links.choice import make_link
from drivers.meter import ScpiMeter
from drivers.protocols import Generator, Instrument, InstrumentSpec, Meter, Scope, Supply
from drivers.readings import Quantity
from drivers.resource_names import parse_resource
from drivers.scope import ScpiScope
from drivers.supply import CURRENT_QUERY, VOLTAGE_QUERY, ScpiSupply


class Option(NamedTuple):
    """One option of a bench file's ``[[instrument]]`` table."""

    type: type
    default: Any
    meaning: str


LINK_OPTIONS = {
    "baud": Option(int, 9600, "bit rate of a serial port"),
    "data_bits": Option(int, 8, "data bits of a serial port, 7 or 8"),
    "parity": Option(str, "none", "parity of a serial port: none, even or odd"),
    "stop_bits": Option(int, 1, "stop bits of a serial port, 1 or 2"),
    "flow": Option(str, "none", "flow control of a serial port: none, xonxoff, rtscts or dsrdtr"),
    "terminator": Option(str, "lf", "what ends a line: lf, cr or crlf"),
    "tagged": Option(
        bool, False, "put a number before each question and want it back (writes the event enable register, *ESE)"
    ),
}
OPTIONS: Mapping[str, Mapping[str, Option]] = {
    "meter": LINK_OPTIONS
    | {
        "function": Option(str, "", "what it measures, where it cannot say so itself: dc_v, ac_v, ohm ..."),
        "integration_s": Option(float, 0.0, "seconds that one reading takes; it may stay silent three times as long"),
    },
    "scope": LINK_OPTIONS
    | {
        "channels": Option(list, [], "numbers of the channels that are read; empty: those that are shown"),
        "dialect": Option(str, "form_a", "which words it understands: form_a has a preamble of ten fields"),
    },
    "generator": LINK_OPTIONS
    | {"ceiling_dbm": Option(float, CEILING_DBM, "level in dBm above which its output is never switched on")},
    "supply": LINK_OPTIONS
    | {
        "current_query": Option(str, CURRENT_QUERY, "what asks it for the current in ampere; empty: not asked"),
        "voltage_query": Option(str, VOLTAGE_QUERY, "what asks it for the voltage in volt; empty: not asked"),
    },
}

Build = Callable[[Conversation, Mapping[str, Any], InstrumentSpec, Clock], Instrument]


def _meter(talk: Conversation, options: Mapping[str, Any], spec: InstrumentSpec, clock: Clock) -> Meter:
    function = options["function"]
    if function and function not in set(Quantity):
        raise DriverError(f"function {function!r}: write one of {', '.join(Quantity)}.")
    reading_s = max(spec.timeout_s, 3 * options["integration_s"])
    return ScpiMeter(talk, Quantity(function) if function else None, reading_s)


def _scope(talk: Conversation, options: Mapping[str, Any], spec: InstrumentSpec, clock: Clock) -> Scope:
    channels = options["channels"]
    if not all(isinstance(channel, int) and 1 <= channel <= 64 for channel in channels):
        raise DriverError(f"channels {channels!r}: write their numbers, such as [1, 2].")
    return ScpiScope(talk, clock, scope_dialect(options["dialect"]), channels)


def _generator(talk: Conversation, options: Mapping[str, Any], spec: InstrumentSpec, clock: Clock) -> Generator:
    return ScpiGenerator(talk, options["ceiling_dbm"])


def _supply(talk: Conversation, options: Mapping[str, Any], spec: InstrumentSpec, clock: Clock) -> Supply:
    return ScpiSupply(talk, options["current_query"], options["voltage_query"])


KINDS: Mapping[str, Build] = {"meter": _meter, "scope": _scope, "generator": _generator, "supply": _supply}


def open_instrument(spec: InstrumentSpec, clock: Clock) -> Instrument:
    """Connect, identify and return the driver of ``spec.kind``. Raises ``DriverError``."""
    if spec.kind not in KINDS:
        raise DriverError(f"kind {spec.kind!r}: write one of {', '.join(KINDS)}.")
    options = options_with_defaults(spec)
    link = make_link(parse_resource(spec.resource), spec.link, options, clock)
    talk = Conversation(link, clock, spec.timeout_s, options["tagged"])
    talk.open()
    try:
        return KINDS[spec.kind](talk, options, spec, clock)
    except BaseException:
        talk.close()
        raise


def options_with_defaults(spec: InstrumentSpec) -> dict[str, Any]:
    """The options of a spec, completed. Raises ``DriverError`` for one that its kind does not have."""
    known = OPTIONS[spec.kind]
    if unknown := sorted(set(spec.options) - set(known)):
        raise DriverError(f"{', '.join(unknown)}: no option of a {spec.kind}; there are {', '.join(known)}.")
    return {name: option.default for name, option in known.items()} | dict(spec.options)
