"""What answers on this machine and LAN.

A serial port is written to only with consent: what hangs on it may be no instrument at all, and take
``*IDN?`` for a command. GPIB is listed and not asked, for it may be in use by somebody else.
"""

import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, TypeVar

from drivers.clock import Clock
from drivers.conversation import Conversation
from drivers.errors import AnswerError, DriverError, LinkTimeout, OutOfStep
from drivers.finding.broadcast import vxi11_names
from drivers.finding.kinds import KINDS_IN_ORDER, Guess, guess_kind
from drivers.finding.services import service_names
from drivers.links.choice import make_link
from drivers.links.serial import serial_ports
from drivers.links.visa import visa_names
from drivers.readings import Identity
from drivers.resource_names import Way, parse_resource

T = TypeVar("T")
Search = Callable[[float], list[str]]
Consent = Callable[[str, str], bool]

WITHIN_S = 12.0
ANSWER_WITHIN_S = 1.5
SERIAL_ANSWER_WITHIN_S = 0.7
BAUDS = (9600, 115200, 19200)  # common practice, no source: what instruments leave the works with
LONGEST_ASKING_S = 25.0
NOT_ASKED_WAYS = (Way.GPIB,)


@dataclass(frozen=True, slots=True)
class Found:
    """A resource name, who answered there (None: nobody was asked or answered), and why so.

    ``resource`` is empty where the remark is about the search itself. ``guess`` is there where the kind was asked
    for, ``baud`` where a serial port answered.
    """

    resource: str
    identity: Identity | None = None
    remark: str = ""
    guess: Guess | None = None
    baud: int | None = None


def searches(clock: Clock) -> Mapping[str, Search]:
    """The ways to find instruments, by what they are called in a remark; each takes its allowed seconds."""
    return {
        "VXI-11 broadcast": lambda within_s: vxi11_names(clock, within_s),
        "multicast DNS": lambda within_s: service_names(clock, within_s),
        "USB": lambda within_s: visa_names(Way.USB),
        "GPIB": lambda within_s: visa_names(Way.GPIB),
    }


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
) -> Sequence[Found]:
    """Everything that can be found and answers within ``within_s`` seconds, LAN and USB first.

    ``may_write`` is asked for each serial port, before anything else; a port that may be written to, and a kind that
    is asked for, may take up to ``LONGEST_ASKING_S`` more. Never raises ``DriverError``.
    """
    serial = {path: (description, may_write(path, description)) for path, description in ports()}
    names, remarks = _search(searches(clock) if ways is None else ways, within_s / 2, clock)
    ask = _Asking(clock, with_kinds)
    jobs = {name: _guarded(name, ask.lan_or_usb, name) for name in names}
    allowed = [path for path, (_, may) in serial.items() if may]
    jobs |= {serial_name(path): _guarded(serial_name(path), ask.serial, path) for path in allowed}
    answers = in_parallel(jobs, clock, within_s / 2 + (LONGEST_ASKING_S if with_kinds or allowed else 0.0))
    unasked = [
        Found(serial_name(path), remark=f"serial port, not asked: {description or 'no description'}")
        for path, (description, may) in serial.items()
        if not may
    ]
    return [answers.get(name, Found(name, remark="did not answer in time")) for name in jobs] + unasked + remarks


class _Asking:
    """Asks one place at a time who is there; many threads may do so side by side."""

    def __init__(self, clock: Clock, with_kinds: bool) -> None:
        self._clock = clock
        self._with_kinds = with_kinds

    def lan_or_usb(self, name: str) -> Found:
        parsed = parse_resource(name)
        if parsed.way in NOT_ASKED_WAYS:
            return Found(name, remark="not asked: it may be in use by somebody else")
        return self._ask(name, {}, ANSWER_WITHIN_S)

    def serial(self, path: str) -> Found:
        name = serial_name(path)
        for baud in BAUDS:
            try:
                return replace(self._ask(name, {"baud": baud}, SERIAL_ANSWER_WITHIN_S), baud=baud)
            except (LinkTimeout, OutOfStep, AnswerError):
                continue  # silence or garbage: what another bit rate sounds like
        bauds = ", ".join(map(str, BAUDS))
        return Found(
            name,
            remark=f"asked at {bauds} baud, 8N1, and nothing that can be read came back: "
            "if an instrument hangs on it, look up its own settings",
        )

    def _ask(self, name: str, options: Mapping[str, int], within_s: float) -> Found:
        return ask(self._clock, name, options, within_s, KINDS_IN_ORDER if self._with_kinds else ())


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


def _guarded(name: str, ask: Callable[[str], Found], place: str) -> Callable[[], Found]:
    def run() -> Found:
        try:
            return ask(place)
        except DriverError as error:
            return Found(name, remark=str(error))

    return run
