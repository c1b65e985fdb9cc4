"""What instruments are told to do: handed to the thread that owns each, answered and told when it is done."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from daemon.acts import HELD_S, MOST_WAITING, Act, Acted, Known
from daemon.keeper.desk import Desk, InstrumentLine
from daemon.quantity_words import amount
from drivers.errors import CommandError
from drivers.readings import Quantity

KIND_OF = {"arm": "scope", "generator": "generator", "supply": "supply"}  # by command
NEVER_TO_AN_AERIAL = "Into the input or the dummy aerial, never to an aerial."
CHARGED = "Capacitors stay charged: measure before you touch."
_TOLD = {
    Quantity.OUTPUT: "output",
    Quantity.FREQUENCY: "frequency",
    Quantity.LEVEL: "level",
    Quantity.AM_DEPTH: "AM",
    Quantity.FM_DEVIATION: "FM",
}
_ASKED = {"output": Quantity.OUTPUT, "frequency_hz": Quantity.FREQUENCY, "level_dbm": Quantity.LEVEL}

Body = Mapping[str, Any]
Then = Callable[[dict[str, Any] | CommandError], None]  # takes the answer to the caller


@dataclass(frozen=True, slots=True)
class _Waiting:
    body: Body
    then: Then


@dataclass
class Hands:
    """Acts under way. ``order_act`` hands one to an instrument's thread; False where that takes no more."""

    order_act: Callable[[str, Act], bool]
    _waiting: dict[int, _Waiting] = field(default_factory=dict)
    _next: int = 1

    def ask(self, desk: Desk, body: Body, then: Then) -> None:
        """Have a command carried out; ``then`` gets its answer. Raises ``CommandError``, and then nothing is done."""
        line = _chosen(desk, body)
        name, number = line.setup.spec.name, self._next
        if line.status != "ok":
            raise CommandError(KIND_OF[body["command"]], f"{name} does not answer{_until_back(line)}.")
        if not self.order_act(name, Act(number, body, desk.clock.monotonic_s() + HELD_S)):
            raise CommandError("", f"{MOST_WAITING} orders wait for {name} already: say it again when they are done.")
        self._waiting[number] = _Waiting(body, then)
        self._next += 1

    def all_off(self, desk: Desk, then: Callable[[], None]) -> None:
        """Switch off every generator that is not known to be off; ``then`` when each has answered."""
        left = [
            name
            for name, line in desk.instruments.items()
            if line.setup.spec.kind == "generator" and line.status == "ok" and line.values.get(Quantity.OUTPUT) != 0.0
        ]

        def answered(_: object) -> None:
            if left:
                self.ask(desk, {"command": "generator", "generator": left.pop(), "output": "off"}, one_more)
            else:
                then()

        def one_more(answer: dict[str, Any] | CommandError) -> None:
            try:
                answered(answer)
            except CommandError:  # it was lost just now: it is switched off when it comes back
                one_more(answer)

        one_more({})

    def take(self, desk: Desk, acted: Acted) -> tuple[Then, dict[str, Any] | CommandError] | None:
        """What became of an act: told in the time line; the answer that its caller is to get."""
        waiting = self._waiting.pop(acted.number, None)
        if waiting is None:
            return None
        line = desk.instruments[acted.instrument]
        if acted.why:
            if acted.reached:
                desk.tell("remark", f"{acted.instrument}: not done: {acted.why}", acted.t_us)
            return waiting.then, CommandError(acted.wrong, f"{acted.instrument}: {acted.why}")
        command = waiting.body["command"]
        if command == "arm":
            line.armed = not waiting.body.get("undo") and acted.after.get("doing") != "stopped"
            line.captures = not waiting.body.get("undo")
        sentence = _SENTENCES[command](acted, waiting.body)
        data = {command: acted.instrument, "before": dict(acted.before), "after": dict(acted.after)}
        number = desk.tell(command, f"{acted.instrument}: {sentence}", acted.t_us, data)
        return waiting.then, {"done": f"{acted.instrument}: {sentence}{_caution(acted, command)}", "id": number}


def _chosen(desk: Desk, body: Body) -> InstrumentLine:
    kind = KIND_OF[body["command"]]
    lines = {name: line for name, line in desk.instruments.items() if line.setup.spec.kind == kind}
    named = body.get(kind)
    if not lines:
        raise CommandError(kind, f"There is no {kind} on this bench: add one to the bench file.")
    if named is None and len(lines) > 1:
        raise CommandError(kind, f"Say which {kind}: {', '.join(lines)}.")
    if named is not None and named not in lines:
        raise CommandError(kind, f"There is no {kind} {named!r}; there are {', '.join(lines)}.")
    return lines[named or next(iter(lines))]


def _until_back(line: InstrumentLine) -> str:
    why = f" ({line.why})" if line.why else ""
    back = ": it is switched off before anything else when it is back" if line.setup.spec.kind == "generator" else ""
    return why + back


def _set_words(acted: Acted, body: Body) -> str:
    """``output on, frequency 10.7 MHz (before: off, 1 MHz).``: only what was read back counts as set."""
    now = [f"{word} {_value(quantity, acted.after)}" for quantity, word in _TOLD.items() if quantity in acted.after]
    changed = [
        f"{word} {_value(quantity, acted.before)}"
        for quantity, word in _TOLD.items()
        if quantity in acted.before and acted.before[quantity] != acted.after.get(quantity, acted.before[quantity])
    ]
    blind = [_TOLD[quantity] for key, quantity in _ASKED.items() if key in body and quantity not in acted.after]
    words = ", ".join(now) + (f" (before: {', '.join(changed)})" if changed else "")
    told = f"{', '.join(blind)} told, and cannot be read back: look at its own display" if blind else ""
    return "; ".join(part for part in (words, told) if part) + "."


def _value(quantity: Quantity, known: Known) -> str:
    value = float(known[quantity])
    if quantity is Quantity.OUTPUT:
        return "on" if value else "off"
    return amount(value, quantity.unit)


def _armed_words(acted: Acted, body: Body) -> str:
    doing = acted.after.get("doing")
    before = f" (before: {acted.before['doing']})" if acted.before.get("doing") else ""
    if body.get("undo"):
        return f"waits no more; it says {doing or 'nothing'}{before}."
    if doing == "waiting":
        return f"armed, waits for one trigger{before}."
    if doing == "stopped":
        return f"armed, and triggered at once{before}."
    return f"told to wait for one trigger; it says {doing or 'nothing'} yet{before}: look at its screen."


def _caution(acted: Acted, command: str) -> str:
    if command == "supply":
        return f" {CHARGED}"
    return f" {NEVER_TO_AN_AERIAL}" if command == "generator" and acted.after.get(Quantity.OUTPUT) != 0.0 else ""


_SENTENCES: Mapping[str, Callable[[Acted, Body], str]] = {
    "arm": _armed_words,
    "generator": _set_words,
    "supply": _set_words,
}
