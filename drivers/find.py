"""What answers on this machine and LAN.

A serial port is written to only with consent: what hangs on it may be no instrument at all, and take
``*IDN?`` for a command. Instruments on one GPIB are asked one after another, each once and with a short limit; a
VXI-11 host is asked for more than its first device, see ``drivers.finding.behind``.
"""

import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Any, TypeVar

from drivers.clock import Clock
from drivers.conversation import Conversation
from drivers.errors import AnswerError, DriverError, LinkTimeout, OutOfStep, ResourceNameError
from drivers.finding.behind import look_behind, who
from drivers.finding.broadcast import vxi11_names
from drivers.finding.kinds import KINDS_IN_ORDER, Guess, guess_kind
from drivers.finding.services import service_names
from drivers.links.choice import make_link
from drivers.links.link import Link
from drivers.links.serial import serial_ports
from drivers.links.visa import visa_names
from drivers.links.visa_library import PURE_PYTHON, library_names
from drivers.readings import Identity
from drivers.resource_names import ResourceName, Way, parse_resource

T = TypeVar("T")
Search = Callable[[float], list[str]]
Consent = Callable[[str, str], bool]

WITHIN_S = 12.0
ANSWER_WITHIN_S = 1.5
SERIAL_ANSWER_WITHIN_S = 0.7
# common practice, no source: what instruments leave the works with, the commonest first
BAUDS = (9600, 115200, 19200, 38400, 57600, 4800, 2400, 1200)
SERIAL_WITHIN_S = 22.0  # after which no further bit rate is begun
LONGEST_ASKING_S = 27.0
GPIB_ANSWER_WITHIN_S = 1.0


@dataclass(frozen=True, slots=True)
class Found:
    """A resource name, who answered there (None: nobody was asked or answered), and why so.

    ``resource`` is empty where the remark is about the search itself. ``guess`` is there where the kind was asked
    for, ``baud`` where a serial port answered, ``visa_library`` where it was reached through another than pyvisa-py.
    """

    resource: str
    identity: Identity | None = None
    remark: str = ""
    guess: Guess | None = None
    baud: int | None = None
    visa_library: str = ""


def searches(clock: Clock) -> Mapping[str, Search]:
    """The ways to find instruments, by what they are called in a remark; each takes its allowed seconds."""
    return {
        "VXI-11 broadcast": lambda within_s: vxi11_names(clock, within_s),
        "multicast DNS": lambda within_s: service_names(clock, within_s),
        "USB": lambda within_s: visa_names(Way.USB),
        "GPIB": lambda within_s: visa_names(Way.GPIB),
    }


def library_searches(clock: Clock, library: str) -> Mapping[str, Search]:
    """As ``searches``, with a VISA library of the user's own for USB and GPIB. LAN and serial ports need none."""
    ways = {name: way for name, way in searches(clock).items() if name not in ("USB", "GPIB")}

    def listed(within_s: float) -> list[str]:
        return [name for name in library_names(library) if _is_instrument(name)]

    return ways | {f"VISA library {library}": listed}


def no_consent(device: str, description: str) -> bool:
    """No serial port is written to."""
    return False


def find(
    clock: Clock,
    within_s: float = WITHIN_S,
    ways: Mapping[str, Search] | None = None,
    ports: Callable[[], list[tuple[str, str]]] = serial_ports,
    may_write: Consent = no_consent,
    with_kinds: bool = False,
    visa_library: str = PURE_PYTHON,
) -> Sequence[Found]:
    """Everything that can be found and answers within ``within_s`` seconds, LAN and USB first.

    ``may_write`` is asked for each serial port, before anything else; a port that may be written to, a kind that is
    asked for, a GPIB and what is behind a VXI-11 host may take up to ``LONGEST_ASKING_S`` more. ``visa_library`` is
    what USB and GPIB are reached through. Never raises ``DriverError``.
    """
    serial = {path: (description, may_write(path, description)) for path, description in ports()}
    if ways is None:
        ways = searches(clock) if visa_library == PURE_PYTHON else library_searches(clock, visa_library)
    names, remarks = _search(ways, within_s / 2, clock)
    ask = _Asking(clock, with_kinds, visa_library)
    buses = _buses(names)
    alone = [name for name in names if not any(name in bus for bus in buses.values())]
    jobs = {name: _guarded(name, ask.lan_or_usb, name) for name in alone}
    jobs |= {bus: partial(ask.one_after_another, addresses) for bus, addresses in buses.items()}
    allowed = [path for path, (_, may) in serial.items() if may]
    jobs |= {serial_name(path): _guarded(serial_name(path), ask.serial, path) for path in allowed}
    is_slow = with_kinds or allowed or buses or any(_is_vxi11(name) for name in alone)
    answers = in_parallel(jobs, clock, within_s / 2 + (LONGEST_ASKING_S if is_slow else 0.0))
    unasked = [
        Found(serial_name(path), remark=f"serial port, not asked: {description or 'no description'}")
        for path, (description, may) in serial.items()
        if not may
    ]
    found = [each for name in jobs for each in answers.get(name, [Found(name, remark="did not answer in time")])]
    return found + unasked + remarks


class _Asking:
    """Asks one place at a time who is there; many threads may do so side by side."""

    def __init__(self, clock: Clock, with_kinds: bool, visa_library: str) -> None:
        self._clock = clock
        self._with_kinds = with_kinds
        self._visa_library = visa_library

    def lan_or_usb(self, name: str) -> list[Found]:
        parsed = parse_resource(name)
        if parsed.way is Way.VXI11 and parsed.device == "inst0":
            return self._vxi11(parsed)
        return [self._ask(name, self._through(parsed), ANSWER_WITHIN_S)]

    def _vxi11(self, host: ResourceName) -> list[Found]:
        try:
            own = self._ask(host.text, {}, ANSWER_WITHIN_S)
        except DriverError as error:
            own = Found(host.text, remark=str(error))
        behind = look_behind(host, own.identity, self._link, self._clock)
        others = [self._named(name, identity) for name, identity in behind.found.items()]
        first = [own] if own.identity or not others else []  # a gateway is no instrument itself
        return first + others + ([Found("", remark=behind.remark)] if behind.remark else [])

    def one_after_another(self, names: Sequence[str]) -> list[Found]:
        """Those on one GPIB, each asked once: several at a time would take each other's answers."""
        end_s = self._clock.monotonic_s() + SERIAL_WITHIN_S
        found: list[Found] = []
        for name in names:
            if self._clock.monotonic_s() > end_s:
                found.append(Found(name, remark="not asked: the others on its bus took too long"))
                continue
            try:
                found.append(self._named(name, who(self._link(name), self._clock, GPIB_ANSWER_WITHIN_S)))
            except DriverError as error:
                found.append(Found(name, remark=str(error)))
        return found

    def _named(self, name: str, identity: Identity) -> Found:
        through = self._through(parse_resource(name))
        if not self._with_kinds:
            return Found(name, identity, visa_library=_named_library(through))
        try:
            return self._ask(name, through, ANSWER_WITHIN_S)
        except DriverError as error:
            guess = Guess("", f"it could not be asked ({error})")
            return Found(name, identity, guess=guess, visa_library=_named_library(through))

    def _link(self, name: str) -> Link:
        parsed = parse_resource(name)
        return make_link(parsed, None, self._through(parsed), self._clock)

    def _through(self, name: ResourceName) -> Mapping[str, Any]:
        return {"visa_library": self._visa_library} if name.way in (Way.USB, Way.GPIB) else {}

    def serial(self, path: str) -> list[Found]:
        name = serial_name(path)
        end_s = self._clock.monotonic_s() + SERIAL_WITHIN_S
        asked: list[int] = []
        for baud in BAUDS:
            if self._clock.monotonic_s() > end_s:
                break
            asked.append(baud)
            try:
                return [replace(self._ask(name, {"baud": baud}, SERIAL_ANSWER_WITHIN_S), baud=baud)]
            except (LinkTimeout, OutOfStep, AnswerError):
                continue  # silence or garbage: what another bit rate sounds like
        bauds = ", ".join(map(str, asked))
        why = (
            f"asked at {bauds} baud, 8N1, and nothing that can be read came back: "
            "if an instrument hangs on it, look up its own settings"
        )
        return [Found(name, remark=why)]

    def _ask(self, name: str, options: Mapping[str, Any], within_s: float) -> Found:
        found = ask(self._clock, name, options, within_s, KINDS_IN_ORDER if self._with_kinds else ())
        return replace(found, visa_library=_named_library(options))


def ask(
    clock: Clock,
    resource: str,
    options: Mapping[str, Any],
    within_s: float,
    kinds: Sequence[str] = (),
    link: str | None = None,
) -> Found:
    """Who is there, and which of ``kinds`` it seems to be (none: not asked). ``options`` and ``link`` as in a bench
    file. Raises ``DriverError``.
    """
    talk = Conversation(make_link(parse_resource(resource), link, options, clock), clock, within_s)
    try:
        if not kinds:
            return Found(resource, talk.greet())
        return Found(resource, talk.open(), guess=guess_kind(talk, kinds))
    finally:
        talk.close()


def serial_name(path: str) -> str:
    """The VISA resource name of a serial port."""
    return f"ASRL{path}::INSTR"


def in_parallel(jobs: Mapping[str, Callable[[], T]], clock: Clock, within_s: float) -> dict[str, T]:
    """Results of the jobs that were done within ``within_s``, each in a thread that is left behind if it was not."""
    end_s = clock.monotonic_s() + within_s
    results: dict[str, T] = {}

    def run(name: str, job: Callable[[], T]) -> None:
        results[name] = job()

    threads = [
        threading.Thread(target=run, args=(name, job), name=f"ask {name}", daemon=True) for name, job in jobs.items()
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(max(0.0, end_s - clock.monotonic_s()))
    return dict(results)


def _search(ways: Mapping[str, Search], within_s: float, clock: Clock) -> tuple[list[str], list[Found]]:
    """Names without serial ports, each once, and what went wrong with a way."""
    remarks: list[Found] = []

    def job(search: Search) -> Callable[[], list[str]]:
        def run() -> list[str]:
            try:
                return search(0.8 * within_s)  # the rest is for taking it all down again
            except DriverError as error:
                remarks.append(Found("", remark=str(error)))
                return []

        return run

    found = in_parallel({way: job(search) for way, search in ways.items()}, clock, within_s)
    remarks += [
        Found("", remark=f"{way}: given up after {within_s:g} s") for way in ways if way not in found
    ]
    names = {name for names in found.values() for name in names if "ASRL" not in name.upper()}
    return sorted(names), list(remarks)


def _buses(names: Sequence[str]) -> dict[str, list[str]]:
    """GPIB names by the interface that they share."""
    buses: dict[str, list[str]] = {}
    for name in names:
        if parse_resource(name).way is Way.GPIB:
            buses.setdefault(name.upper().partition("::")[0], []).append(name)
    return buses


def _named_library(options: Mapping[str, Any]) -> str:
    library = str(options.get("visa_library", ""))
    return "" if library == PURE_PYTHON else library


def _is_vxi11(name: str) -> bool:
    return parse_resource(name).way is Way.VXI11


def _is_instrument(name: str) -> bool:
    """Whether a name that a library lists is of an instrument on USB or GPIB that can be reached by it."""
    try:
        return name.upper().endswith("INSTR") and parse_resource(name).way in (Way.USB, Way.GPIB)
    except ResourceNameError:
        return False


def _guarded(name: str, ask: Callable[[str], list[Found]], place: str) -> Callable[[], list[Found]]:
    def run() -> list[Found]:
        try:
            return ask(place)
        except DriverError as error:
            return [Found(name, remark=str(error))]

    return run
