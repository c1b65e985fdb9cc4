"""What every instrument of the bench has: the common commands and the mandatory SCPI subsystems."""

import threading
from collections import Counter
from dataclasses import dataclass, field

from simulated_instruments.language.errors import LanguageError
from simulated_instruments.language.headers import Path, command, marked
from simulated_instruments.language.lexing import Parameter, ProgramUnit, program_units
from simulated_instruments.language.numbers import nr1, number, only, quoted
from simulated_instruments.language.status import OPERATION_COMPLETE, Register, Status


@dataclass(frozen=True, slots=True)
class Call:
    """One command as a method receives it: numeric header suffixes (default 1) and parameters."""

    suffixes: tuple[int, ...]
    parameters: tuple[Parameter, ...]


@dataclass(frozen=True, slots=True)
class Answer:
    """What goes back on the wire (empty: nothing) and how many values of which series are in it."""

    data: bytes = b""
    sent: dict[str, int] = field(default_factory=dict)


class Speaker:
    """Bytes of one program message in, ``Answer`` out; one message at a time, whoever asks."""

    def __init__(self, identity: tuple[str, str, str, str]) -> None:
        self.identity = identity
        self.status = Status()
        self.sent: Counter[str] = Counter()
        self._pending: Counter[str] = Counter()
        self._commands = marked(self)
        self._completing = False
        self._lock = threading.RLock()

    def answer(self, message: bytes | None) -> Answer:
        """Carry out one message; None stands for one that was too long to hold."""
        with self._lock:
            self._pending = Counter()
            responses = self._responses(message)
            self.status.message_available = False
            data = b";".join(responses) + b"\n" if responses else b""
            answer = Answer(data, dict(self._pending))
        self.status.changed()
        return answer

    def count_sent(self, series: dict[str, int]) -> None:
        """Told by the server once the bytes are out."""
        with self._lock:
            self.sent.update(series)

    def count(self, series: str) -> None:
        """Note that the answer being made carries one value of ``series``."""
        self._pending[series] += 1

    def reset(self) -> None:
        """*RST: the instrument's own settings back to their beginning."""

    # ---- operations that go on after their command (IEEE 488.2, 12.5)

    def pending_s(self) -> float:
        """How long until every operation that was begun is complete; most instruments have none."""
        return 0.0

    def wait(self) -> None:
        """Return when ``pending_s`` is 0."""

    def settle(self) -> None:
        """Set the operation complete bit if *OPC waits for it and nothing is pending (10.18)."""
        if self._completing and self.pending_s() <= 0:
            self._completing = False
            self.status.set_event(OPERATION_COMPLETE)
            self.status.changed()

    def clear_device(self) -> None:
        """Device clear: *OPC is forgotten, status and settings stay (5.8)."""
        self._completing = False

    def trigger(self) -> None:
        """*TRG, or a trigger over a bus. Raises ``LanguageError`` when it means nothing here."""
        raise LanguageError(-211)

    def _responses(self, message: bytes | None) -> list[bytes]:
        responses: list[bytes] = []
        path = Path()
        self.settle()
        try:
            if message is None:
                raise LanguageError(-363)
            for unit in program_units(message):
                self.status.message_available = bool(responses)
                self._one(unit, path, responses)
        except LanguageError as error:
            self.status.report(error)
        return responses

    def _one(self, unit: ProgramUnit, path: Path, responses: list[bytes]) -> None:
        try:
            response = self._run(path.whole(unit.header), unit)
        except LanguageError as error:
            if error.ends_the_message:
                raise
            self.status.report(error)
            return
        if response is not None:
            responses.append(response if isinstance(response, bytes) else response.encode("latin-1"))

    def _run(self, header: str, unit: ProgramUnit) -> str | bytes | None:
        for pattern, is_query, method in self._commands:
            found = pattern.fullmatch(header) if is_query == unit.query else None
            if found:
                suffixes = tuple(int(digits or 1) for digits in found.groups())
                response: str | bytes | None = method(Call(suffixes, unit.parameters))
                return response
        raise LanguageError(-113, header + ("?" if unit.query else ""))

    @command("*IDN?")
    def _idn(self, call: Call) -> str:
        return ",".join(self.identity)

    @command("*CLS")
    def _cls(self, call: Call) -> None:
        self.status.clear()
        self._completing = False

    @command("*RST")
    def _rst(self, call: Call) -> None:
        self.reset()
        self._completing = False

    @command("*TST?")
    def _tst(self, call: Call) -> str:
        return nr1(0)

    @command("*OPC")
    def _opc(self, call: Call) -> None:
        self._completing = True
        self.settle()
        if self._completing:
            later = threading.Timer(self.pending_s(), self.settle)
            later.daemon = True
            later.start()

    @command("*OPC?")
    def _opc_query(self, call: Call) -> str:
        self.wait()
        return nr1(1)

    @command("*WAI")
    def _wai(self, call: Call) -> None:
        self.wait()

    @command("*TRG")
    def _trg(self, call: Call) -> None:
        self.trigger()

    @command("*ESE")
    def _ese(self, call: Call) -> None:
        self.status.event_enable = _mask(call, 255)

    @command("*ESE?")
    def _ese_query(self, call: Call) -> str:
        return nr1(self.status.event_enable)

    @command("*ESR?")
    def _esr(self, call: Call) -> str:
        return nr1(self.status.take_events())

    @command("*SRE")
    def _sre(self, call: Call) -> None:
        # Bit 6 cannot enable itself (IEEE 488.2, 11.3.2.3).
        self.status.request_enable = _mask(call, 255) & ~64

    @command("*SRE?")
    def _sre_query(self, call: Call) -> str:
        return nr1(self.status.request_enable)

    @command("*STB?")
    def _stb(self, call: Call) -> str:
        return nr1(self.status.byte)

    @command(":SYSTem:ERRor[:NEXT]?")
    def _error(self, call: Call) -> str:
        code, text = self.status.next_error()
        return f"{nr1(code)},{quoted(text)}"

    @command(":SYSTem:ERRor:COUNt?")
    def _error_count(self, call: Call) -> str:
        return nr1(self.status.error_count)

    @command(":SYSTem:VERSion?")
    def _version(self, call: Call) -> str:
        return "1999.0"

    @command(":STATus:PRESet")
    def _preset(self, call: Call) -> None:
        self.status.operation.enable = self.status.questionable.enable = 0

    @command(":STATus:OPERation[:EVENt]?")
    def _operation_event(self, call: Call) -> str:
        return nr1(self.status.operation.take_event())

    @command(":STATus:OPERation:CONDition?")
    def _operation_condition(self, call: Call) -> str:
        return nr1(self.status.operation.condition)

    @command(":STATus:OPERation:ENABle")
    def _operation_enable(self, call: Call) -> None:
        _enable(self.status.operation, call)

    @command(":STATus:OPERation:ENABle?")
    def _operation_enabled(self, call: Call) -> str:
        return nr1(self.status.operation.enable)

    @command(":STATus:QUEStionable[:EVENt]?")
    def _questionable_event(self, call: Call) -> str:
        return nr1(self.status.questionable.take_event())

    @command(":STATus:QUEStionable:CONDition?")
    def _questionable_condition(self, call: Call) -> str:
        return nr1(self.status.questionable.condition)

    @command(":STATus:QUEStionable:ENABle")
    def _questionable_enable(self, call: Call) -> None:
        _enable(self.status.questionable, call)

    @command(":STATus:QUEStionable:ENABle?")
    def _questionable_enabled(self, call: Call) -> str:
        return nr1(self.status.questionable.enable)

    @command(":DIAGnostic:COUNt?")
    def _counts(self, call: Call) -> str:
        """How many values of each series this process has sent: ``"dc_v",12,"ohm",3``."""
        pairs = [f"{quoted(series)},{nr1(n)}" for series, n in sorted(self.sent.items())]
        return ",".join(pairs) or quoted("")


def _mask(call: Call, highest: int) -> int:
    return round(number(only(call.parameters)[0], "", 0, highest))


def _enable(register: Register, call: Call) -> None:
    register.enable = _mask(call, 32767)
