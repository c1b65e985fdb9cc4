"""What a check of the bench says, in sentences. Pure: values in, words out."""

from collections.abc import Iterable, Iterator, Sequence

from daemon.bench_file import Setup
from daemon.keeper.switching import CURRENTS
from daemon.quantity_words import amount
from drivers.errors import ResourceNameError
from drivers.protocols import InstrumentSpec
from drivers.readings import Poll, Quantity, Reading, Trace
from drivers.resource_names import ResourceName, Way, parse_resource

SILENT = (
    "something takes the connection and does not answer *IDN?: look whether port, baud and terminator are those of "
    "the instrument, and whether its remote interface is switched on."
)
GARBAGE = (
    "what comes back for *IDN? is not what IEEE 488.2 has there: look whether the port is the one for SCPI, and on "
    "a serial line whether baud, parity and terminator are those of the instrument."
)
NO_LOCAL = (
    "it is not known to give its front panel back by itself: where that stays locked, press its own key for local."
)
_QUANTITIES = {
    Quantity.FREQUENCY: "frequency",
    Quantity.PERIOD: "period",
    Quantity.LEVEL: "level",
    Quantity.SUPPLY_CURRENT: "current",
    Quantity.MAINS: "mains",
    Quantity.AM_DEPTH: "AM depth",
    Quantity.FM_DEVIATION: "FM deviation",
}
_PARITY = {"none": "N", "even": "E", "odd": "O"}
# Beginnings and ends of drivers' remarks that have a cure of their own.
_CURES = {
    "its error queue held": (
        "it has been read out now. If it comes again at the next check, the instrument refuses something that it is "
        "asked: try another kind or dialect, or give function"
    ),
    "is not one that is kept": "turn its knob to volts, amperes, ohms or another function that is followed",
    "above the ceiling": "turn its level down or its output off at its front panel before anything hangs on it",
    "out of step": "its answers do not come one for one: see that nothing else talks to it at the same time",
}


def link_words(spec: InstrumentSpec) -> str:
    """Over which link it is reached."""
    try:
        name = parse_resource(spec.resource)
    except ResourceNameError:
        return spec.resource
    return _way(name, spec) + (", through VISA" if spec.link == "visa" else "")


def _way(name: ResourceName, spec: InstrumentSpec) -> str:
    if name.way is Way.SERIAL:
        options = spec.options
        frame = f"{options.get('data_bits', 8)}{_PARITY.get(options.get('parity', 'none'), '?')}"
        return f"serial port {name.device}, {options.get('baud', 9600)} baud {frame}{options.get('stop_bits', 1)}"
    place = name.host + (f" port {name.port}" if name.port else "")
    plain = {Way.SOCKET: "TCP", Way.VXI11: "VXI-11", Way.HISLIP: "HiSLIP"}.get(name.way, str(name.way))
    return f"{plain} to {place}" if name.host else name.text


def says_now(poll: Poll) -> Iterator[str]:
    """What it said at the last poll."""
    for reading in poll.readings:
        yield _reading(reading)
    for trace in poll.traces:
        yield _trace(trace)


def _reading(reading: Reading) -> str:
    quantity = reading.quantity
    if quantity is Quantity.OUTPUT:
        return "output on" if reading.value else "output off"
    words = f"{_QUANTITIES.get(quantity, quantity)} {amount(reading.value, quantity.unit, reading.flags)}"
    if reading.range is not None:
        words += f", range {amount(reading.range, quantity.unit)}"
    if reading.resolution is not None:
        words += f", steps of {amount(reading.resolution, quantity.unit)}"
    return words


def _trace(trace: Trace) -> str:
    if not len(trace.codes):
        return f"channel {trace.channel}: an empty record"
    volts = (trace.codes.min() * trace.scale_v + trace.offset_v, trace.codes.max() * trace.scale_v + trace.offset_v)
    words = f"channel {trace.channel}: {len(trace.codes)} samples, one each {amount(trace.dt_s, 's')}"
    words += f", {trace.coupling}, {amount(min(volts), 'V')} to {amount(max(volts), 'V')}"
    return words + (", rolling" if trace.rolling else "") + (", clipped" if trace.clipped else "")


def wrong_with(setup: Setup, poll: Poll, remarks: Sequence[str]) -> list[str]:
    """What keeps the daemon from its work with this instrument, each with its cure."""
    found = [f"{remark.rstrip('.')}: {_cure(remark)}." for remark in remarks if _cure(remark)]
    if setup.role == "supply current" and not any(reading.quantity in CURRENTS for reading in poll.readings):
        found.append(
            "it has the role of telling the supply current and gives no amperes, so no switch-on can be noticed: "
            "turn it to amperes, or give current_query."
        )
    if setup.spec.kind == "scope":
        found += _missing_channels(setup, poll)
    return found


def opening_remarks(remarks: Iterable[str]) -> tuple[list[str], list[str]]:
    """Those that only tell how it was found out what the instrument understands, and all others.

    A question that is not understood is answered by silence, and may look like a fault on the way.
    """
    remarks = list(remarks)
    found_out = [remark for remark in remarks if remark.startswith("out of step")]
    return (
        [f"while it was found out what it understands: {remark}" for remark in found_out],
        [remark for remark in remarks if remark not in found_out],
    )


def minded(setup: Setup, poll: Poll, remarks: Sequence[str]) -> list[str]:
    """What is good to know and keeps the daemon from nothing."""
    found = [remark for remark in remarks if not _cure(remark)]
    by_hand = setup.watch_switch_on and not setup.prepare_switch_on
    if by_hand and poll.traces and not all(trace.rolling for trace in poll.traces):
        found.append("it does not roll now: turn it to a slow rolling record first, or give prepare_switch_on.")
    if any(reading.quantity is Quantity.OUTPUT and reading.value for reading in poll.readings):
        found.append("its output is on now, and was left so; the daemon switches it off when it ends.")
    return found


def _cure(remark: str) -> str:
    return next((cure for words, cure in _CURES.items() if words in remark), "")


def _missing_channels(setup: Setup, poll: Poll) -> Iterator[str]:
    there = {trace.channel for trace in poll.traces}
    if not there:
        yield "it gives no waveform: switch a channel on at the scope, and let it run."
        return
    for number, probe in enumerate(setup.probes, start=1):
        if str(number) not in there:
            yield (
                f"probe {probe!r} is its channel {number}, which it does not show: switch that channel on "
                "at the scope, or take the name out of probe."
            )
