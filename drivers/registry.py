"""From a bench file's kind to a driver, and which options each kind has."""

from collections.abc import Callable, Iterator, Mapping
from typing import Any, NamedTuple

from drivers.ceiling import CEILING_DBM, ceiling_mistake
from drivers.clock import Clock
from drivers.conversation import Conversation
from drivers.dialects import generator_dialect, scope_dialect
from drivers.errors import DriverError
from drivers.generator import ScpiGenerator
from drivers.instrument import check_known
from drivers.links.choice import TERMINATORS, make_link
from drivers.links.link import Link
from drivers.meter import ScpiMeter
from drivers.outside import outside_driver
from drivers.plain_talk import PlainTalk, proof_of
from drivers.protocols import Generator, Instrument, InstrumentSpec, Meter, Scope, Supply
from drivers.readings import Quantity
from drivers.resource_names import parse_resource
from drivers.scope import ScpiScope
from drivers.scope_forms import find_dialect
from drivers.streaming import StreamPattern
from drivers.streaming_meter import StreamingMeter
from drivers.supply import CURRENT_QUERY, FEEDS, VOLTAGE_QUERY, ScpiSupply
from drivers.template_generator import TemplateGenerator


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
    "adapter": Option(str, "", "VISA resource name of the LAN or serial adapter that a GPIB instrument is behind"),
    "visa_library": Option(
        str, "@py", "what a way through VISA uses: @py (pure Python), @ivi, another backend, or a library's path"
    ),
    "driver": Option(str, "", "name of a driver from another package, instead of the generic one of its kind"),
    "driver_options": Option(dict, {}, "table of settings for a driver from another package"),
}
OPTIONS: Mapping[str, Mapping[str, Option]] = {
    "meter": LINK_OPTIONS
    | {
        "function": Option(str, "", "what it measures, where it cannot say so itself: dc_v, ac_v, ohm ..."),
        "integration_s": Option(float, 0.0, "seconds that one reading takes; it may stay silent three times as long"),
        "stream_pattern": Option(
            str, "", "pattern of the lines that it sends by itself: named groups value, unit, function, overload"
        ),
        "stream_functions": Option(dict, {}, "what words of the function group mean, such as { V = \"dc_v\" }"),
    },
    "scope": LINK_OPTIONS
    | {
        "channels": Option(list, [], "numbers of the channels that are read; empty: those that are shown"),
        "dialect": Option(str, "", "its words: form_a, form_b, form_c or your own .toml file; empty: it is asked"),
        "armed": Option(bool, False, "armed for a single capture, and again after each; polls bring what triggered"),
    },
    "generator": LINK_OPTIONS
    | {
        "ceiling_dbm": Option(float, CEILING_DBM, "level in dBm above which its output is never switched on"),
        "ceiling_because": Option(str, "", "why the ceiling is above -20 dBm; without it, it cannot be"),
        "dialect": Option(str, "", "older than SCPI: the .toml file with its words, or letters or deaf; empty: SCPI"),
    },
    "supply": LINK_OPTIONS
    | {
        "current_query": Option(str, CURRENT_QUERY, "what asks it for the current in ampere; empty: not asked"),
        "voltage_query": Option(str, VOLTAGE_QUERY, "what asks it for the voltage in volt; empty: not asked"),
        "feeds": Option(str, "mains", "what it feeds the unit with: mains, or dc (a bench supply)"),
    },
}

Build = Callable[[Conversation, Mapping[str, Any], InstrumentSpec, Clock], Instrument]


def _meter(talk: Conversation, options: Mapping[str, Any], spec: InstrumentSpec, clock: Clock) -> Meter:
    function = options["function"]
    reading_s = max(spec.timeout_s, 3 * options["integration_s"])
    return ScpiMeter(talk, Quantity(function) if function else None, reading_s, spec.accuracy)


def _scope(talk: Conversation, options: Mapping[str, Any], spec: InstrumentSpec, clock: Clock) -> Scope:
    channels = options["channels"]
    if not all(isinstance(channel, int) and 1 <= channel <= 64 for channel in channels):
        raise DriverError(f"channels {channels!r}: write their numbers, such as [1, 2].")
    dialect = scope_dialect(options["dialect"]) if options["dialect"] else find_dialect(talk)
    return ScpiScope(talk, clock, dialect, channels, options["armed"])


def _generator(talk: Conversation, options: Mapping[str, Any], spec: InstrumentSpec, clock: Clock) -> Generator:
    driver = ScpiGenerator(talk, options["ceiling_dbm"], spec.resource in _PERHAPS_ON, _when_unsure(spec))
    _PERHAPS_ON.discard(spec.resource)
    return driver


def _supply(talk: Conversation, options: Mapping[str, Any], spec: InstrumentSpec, clock: Clock) -> Supply:
    return ScpiSupply(talk, options["current_query"], options["voltage_query"], options["feeds"], spec.accuracy)


# Generators that this process lost or left without being sure that they are off: the next opening makes them so.
_PERHAPS_ON: set[str] = set()


def _when_unsure(spec: InstrumentSpec) -> Callable[[], None]:
    return lambda: _PERHAPS_ON.add(spec.resource)


def _streaming_meter(link: Link, options: Mapping[str, Any], spec: InstrumentSpec, clock: Clock) -> Meter:
    pattern = StreamPattern(options["stream_pattern"], options["stream_functions"], options["function"])
    link.open(clock.monotonic_s() + spec.timeout_s)
    timeout_s = max(spec.timeout_s, 3 * options["integration_s"])
    end = TERMINATORS[options["terminator"]][-1:]
    return StreamingMeter(link, clock, pattern, spec.resource, timeout_s, spec.accuracy, end)


def _template_generator(link: Link, options: Mapping[str, Any], spec: InstrumentSpec, clock: Clock) -> Generator:
    dialect = generator_dialect(options["dialect"])
    asks = [(ask.query, ask.answer) for ask in dialect.ask]
    talk = PlainTalk(link, clock, spec.timeout_s, proof_of(dialect.identify, dialect.identity, asks))
    make_off = spec.resource in _PERHAPS_ON
    driver = TemplateGenerator(talk, dialect, spec.resource, options["ceiling_dbm"], make_off, _when_unsure(spec))
    _PERHAPS_ON.discard(spec.resource)
    return driver


# By kind, the option that says that the instrument speaks no SCPI, and what is made of the bare link then.
NOT_SCPI: Mapping[str, tuple[str, Callable[[Link, Mapping[str, Any], InstrumentSpec, Clock], Instrument]]] = {
    "meter": ("stream_pattern", _streaming_meter),
    "generator": ("dialect", _template_generator),
}
KINDS: Mapping[str, Build] = {"meter": _meter, "scope": _scope, "generator": _generator, "supply": _supply}


def open_instrument(spec: InstrumentSpec, clock: Clock) -> Instrument:
    """Connect, identify and return the driver of ``spec.kind``. Raises ``DriverError``."""
    if spec.kind not in KINDS:
        raise DriverError(f"kind {spec.kind!r}: write one of {', '.join(KINDS)}.")
    options = options_with_defaults(spec)
    for key, sentence in option_mistakes(spec.kind, options):
        raise DriverError(f"{key}: {sentence}")
    link = make_link(parse_resource(spec.resource), spec.link, options, clock)
    option, build = NOT_SCPI.get(spec.kind, ("", None))
    if build is not None and options[option]:
        try:
            return build(link, options, spec, clock)
        except BaseException:
            link.close()
            raise
    make = outside_driver(options["driver"]) if options["driver"] else KINDS[spec.kind]
    talk = Conversation(link, clock, spec.timeout_s, options["tagged"])
    talk.open()
    try:
        check_known(spec, talk.identity)
        return make(talk, options["driver_options"] if options["driver"] else options, spec, clock)
    except BaseException:
        talk.close()
        raise


def options_with_defaults(spec: InstrumentSpec) -> dict[str, Any]:
    """The options of a spec, completed. Raises ``DriverError`` for one that its kind does not have."""
    known = OPTIONS[spec.kind]
    if unknown := sorted(set(spec.options) - set(known)):
        raise DriverError(f"{', '.join(unknown)}: no option of a {spec.kind}; there are {', '.join(known)}.")
    return {name: option.default for name, option in known.items()} | dict(spec.options)


def option_mistakes(kind: str, options: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    """Key and sentence of each option that is of the right type and still cannot be; no instrument is asked."""
    if (function := options.get("function", "")) and function not in set(Quantity):
        yield "function", f"{function!r} is not measured: write one of {', '.join(Quantity)}."
        return
    checks: dict[str, Callable[[], object]] = {}
    if options.get("driver"):
        checks["driver"] = lambda: outside_driver(options["driver"])
    if options.get("adapter"):
        checks["adapter"] = lambda: parse_resource(options["adapter"])
    if kind == "scope" and options.get("dialect"):
        checks["dialect"] = lambda: scope_dialect(options["dialect"])
    if kind == "generator" and options.get("dialect"):
        checks["dialect"] = lambda: generator_dialect(options["dialect"])
    if options.get("stream_pattern"):
        checks["stream_pattern"] = lambda: StreamPattern(
            options["stream_pattern"], options.get("stream_functions"), options.get("function", "")
        )
    for key, check in checks.items():
        try:
            check()
        except DriverError as error:
            yield from ((key, line) for line in str(error).splitlines())
    if kind == "generator" and (mistake := ceiling_mistake(options.get("ceiling_dbm"), options.get("ceiling_because"))):
        yield "ceiling_dbm", mistake
    if (feeds := options.get("feeds", "mains")) not in FEEDS:
        yield "feeds", f"{feeds!r} is neither of {' and '.join(FEEDS)}."
