"""What answers on this machine and LAN. Serial ports are listed and never written to."""

import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from drivers.clock import Clock
from drivers.conversation import Conversation
from drivers.errors import DriverError
from drivers.links.choice import make_link
from drivers.links.serial import serial_ports
from drivers.links.visa import visa_resources
from drivers.readings import Identity
from drivers.resource_names import Way, parse_resource

WITHIN_S = 12.0
ANSWER_WITHIN_S = 1.5
ASKED_WAYS = (Way.VXI11, Way.HISLIP, Way.SOCKET, Way.USB)


@dataclass(frozen=True, slots=True)
class Found:
    """A resource name, who answered there (None: nobody was asked or answered), and why so.

    ``resource`` is empty where the remark is about the search itself.
    """

    resource: str
    identity: Identity | None = None
    remark: str = ""


def find(
    clock: Clock,
    within_s: float = WITHIN_S,
    search: Callable[[], list[str]] = visa_resources,
    ports: Callable[[], list[tuple[str, str]]] = serial_ports,
) -> Sequence[Found]:
    """Everything that can be found within ``within_s`` seconds, LAN and USB first. Never raises ``DriverError``."""
    end_s = clock.monotonic_s() + within_s
    serial = [
        Found(f"ASRL{path}::INSTR", remark=f"serial port, not asked: {description or 'no description'}")
        for path, description in ports()
    ]
    results: list[Found] = []
    names, remarks = _search(search, within_s / 2)
    names = [name for name in names if not name.upper().startswith(("ASRL", "PRLGX-ASRL"))]
    askers = [
        threading.Thread(target=_ask_into, args=(results, name, clock), name=f"find {name}", daemon=True)
        for name in names
    ]
    for asker in askers:
        asker.start()
    for asker in askers:
        asker.join(max(0.0, end_s - clock.monotonic_s()))
    heard = list(results)
    silent = [Found(name, remark="did not answer in time") for name in names if name not in {f.resource for f in heard}]
    return sorted(heard + silent, key=lambda found: found.resource) + serial + remarks


def _search(search: Callable[[], list[str]], within_s: float) -> tuple[list[str], list[Found]]:
    names: list[str] = []
    remarks: list[Found] = []

    def run() -> None:
        try:
            names.extend(search())
        except DriverError as error:
            remarks.append(Found("", remark=str(error)))

    searcher = threading.Thread(target=run, name="find", daemon=True)
    searcher.start()
    searcher.join(within_s)
    if searcher.is_alive():
        remarks.append(Found("", remark=f"the search through VISA was given up after {within_s:g} s"))
    return sorted(set(names)), list(remarks)


def _ask_into(results: list[Found], name: str, clock: Clock) -> None:
    try:
        results.append(_ask(name, clock))
    except DriverError as error:
        results.append(Found(name, remark=str(error)))


def _ask(name: str, clock: Clock) -> Found:
    parsed = parse_resource(name)
    if parsed.way not in ASKED_WAYS:
        return Found(name, remark="not asked: it may be in use by somebody else")
    talk = Conversation(make_link(parsed, None, {}, clock), clock, ANSWER_WITHIN_S)
    try:
        return Found(name, talk.greet())
    finally:
        talk.close()
