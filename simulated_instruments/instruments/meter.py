"""The language of a meter: FETCh, READ, MEASure, CONFigure and SENSe around a ``Measuring``."""

from collections.abc import Callable

from simulated_instruments.asking import Asker
from simulated_instruments.clock import Clock
from simulated_instruments.instruments.functions import FUNCTIONS, Function
from simulated_instruments.instruments.measuring import Measured, Measuring, Specification
from simulated_instruments.instruments.panelled import Panelled
from simulated_instruments.language.errors import LanguageError
from simulated_instruments.language.headers import command, header_pattern
from simulated_instruments.language.lexing import Kind
from simulated_instruments.language.numbers import boolean, matches, nr1, nr3, number, only, quoted
from simulated_instruments.language.speaker import Call

_TRIES = 6


class Meter(Panelled):
    """A bench or hand-held meter. ``can_fetch`` False: FETCh? is a clean -230 without an answer."""

    def __init__(
        self,
        name: str,
        probe: str,
        identity: tuple[str, str, str, str],
        unit: Asker,
        clock: Clock,
        spec: Specification,
        seed: int = 1,
        can_fetch: bool = True,
    ) -> None:
        super().__init__(name, identity, unit, clock)
        self.measuring = Measuring(probe, unit, clock, spec, seed)
        self._can_fetch = can_fetch
        self._continuous = True
        self._initiated_s = 0.0
        for function in FUNCTIONS.values():
            self._add_headers(function)

    def _add_headers(self, function: Function) -> None:
        """MEASure, CONFigure and SENSe exist once a function."""
        tree: list[tuple[str, bool, Callable[[Function, Call], str | None]]] = [
            (":MEASure[:SCALar]{}", True, self._measure),
            (":CONFigure[:SCALar]{}", False, self._configure),
            ("[:SENSe]{}:RANGe[:UPPer]", True, self._range_query),
            ("[:SENSe]{}:RANGe[:UPPer]", False, self._range_set),
            ("[:SENSe]{}:RANGe:AUTO", True, self._auto_query),
            ("[:SENSe]{}:RANGe:AUTO", False, self._auto_set),
            ("[:SENSe]{}:RESolution", True, self._resolution),
            (":FETCh[:SCALar]{}", True, self._fetch_function),
        ]
        for written, is_query, method in tree:
            pattern = header_pattern(written.format(function.header))
            self._commands.append((pattern, is_query, _for_function(method, function)))

    def reset(self) -> None:
        """DC volts, auto-range, free-running."""
        self.turn("function", "dc_v")
        self.turn("range", "auto")
        self._continuous = True

    # ---- getting values

    @command(":FETCh?")
    def _fetch(self, call: Call) -> str:
        only(call.parameters, 0, 0)
        if not self._can_fetch:
            raise LanguageError(-230)
        return self._said(self._latest())

    @command(":READ?")
    def _read(self, call: Call) -> str:
        only(call.parameters, 0, 0)
        return self._said(self._next())

    @command(":INITiate[:IMMediate]")
    def _initiate(self, call: Call) -> None:
        if self._continuous:
            raise LanguageError(-213)
        self._initiated_s = self.clock.now_s()

    @command(":INITiate:CONTinuous")
    def _continuous_set(self, call: Call) -> None:
        self._continuous = boolean(only(call.parameters)[0])
        self._initiated_s = float("inf")

    @command(":INITiate:CONTinuous?")
    def _continuous_query(self, call: Call) -> str:
        return nr1(self._continuous)

    @command(":ABORt")
    def _abort(self, call: Call) -> None:
        if not self._continuous:
            self._initiated_s = float("inf")

    @command(":TRIGger[:SEQuence]:SOURce?")
    def _trigger_source(self, call: Call) -> str:
        return "IMM"

    def _fetch_function(self, function: Function, call: Call) -> str:
        if self._series() != function.series:
            raise LanguageError(-230, "another function is selected")
        return self._fetch(call)

    def _measure(self, function: Function, call: Call) -> str:
        self._configure(function, call)
        return self._said(self._next())

    def _latest(self) -> Measured:
        """The last completed measurement, waited for when the knobs have just been turned."""
        for _ in range(_TRIES):
            knobs, turned_s = self.panel()
            since_s = turned_s if self._continuous else max(turned_s, self._initiated_s)
            held = self._held(since_s)
            if held is not None:
                return held
            found = self.measuring.catch_up(knobs["function"], knobs["range"], since_s)
            if found is not None:
                return found
            if since_s == float("inf"):
                raise LanguageError(-230, "nothing was initiated")
            self._sleep_to(self.measuring.index_at(self.clock.now_s()) + 1)
        raise LanguageError(-230)

    def _held(self, since_s: float) -> Measured | None:
        """Not free-running, a meter keeps the one measurement that was initiated."""
        latest = self.measuring.latest
        if self._continuous or latest is None or self.measuring.completed_s(latest.index) < since_s:
            return None
        return latest

    def _next(self) -> Measured:
        """The next measurement to be completed from now on."""
        asked = self.measuring.index_at(self.clock.now_s())
        self._initiated_s = self.clock.now_s()
        for wait in range(1, _TRIES + 1):
            self._sleep_to(asked + wait)
            found = self._latest()
            if found.index > asked:
                return found
        raise LanguageError(-230)

    def pending_s(self) -> float:
        """An initiated measurement goes on until it is complete: what *OPC and *WAI wait for."""
        if self._continuous or self._initiated_s == float("inf"):
            return 0.0
        complete_s = self.measuring.completed_s(self.measuring.index_at(self._initiated_s) + 2)
        return max(complete_s - self.clock.now_s(), 0.0)

    def wait(self) -> None:
        """See ``Speaker``."""
        if self.pending_s() > 0:
            self.clock.sleep_s(self.pending_s() + 1e-4)

    def _sleep_to(self, index: int) -> None:
        self.clock.sleep_s(self.measuring.completed_s(index) + 1e-4 - self.clock.now_s())

    def _said(self, measured: Measured) -> str:
        self.count(measured.function.series)
        return nr3(measured.value, 7)

    # ---- what it is turned to

    def _series(self) -> str:
        return str(self.panel()[0]["function"])

    @command(":CONFigure?")
    def _configured(self, call: Call) -> str:
        function = FUNCTIONS[self._series()]
        range_ = self._range_now(function)
        return quoted(f"{function.short} {nr3(range_)},{nr3(range_ / self.measuring.spec.counts)}")

    @command("[:SENSe]:FUNCtion[:ON]?")
    def _function_query(self, call: Call) -> str:
        return quoted(FUNCTIONS[self._series()].short)

    @command("[:SENSe]:FUNCtion[:ON]")
    def _function_set(self, call: Call) -> None:
        given = only(call.parameters)[0]
        if given.kind is not Kind.STRING:
            raise LanguageError(-104)
        wanted = ":" + given.text.strip().upper().lstrip(":")
        for function in FUNCTIONS.values():
            if header_pattern(function.header).fullmatch(wanted):
                self.turn("function", function.series)
                self.turn("range", "auto")
                return
        raise LanguageError(-224, given.text)

    def _configure(self, function: Function, call: Call) -> None:
        """``[range[,resolution]]``; the resolution follows from the range and is only checked for sense."""
        only(call.parameters, 2, 0)
        self.turn("function", function.series)
        self.turn("range", "auto")
        given = call.parameters[0] if call.parameters else None
        if given and not (given.kind is Kind.NAME and (given.text.upper() == "AUTO" or matches(given.text, "DEFault"))):
            self._range_set(function, Call((), (given,)))

    def _range_now(self, function: Function) -> float:
        chosen = self.panel()[0]["range"]
        if chosen != "auto":
            return float(chosen)
        try:
            return self._latest().range
        except LanguageError:
            return function.ranges[-1]

    def _range_query(self, function: Function, call: Call) -> str:
        if function.series != self._series():
            return nr3(function.ranges[-1])
        return nr3(self._range_now(function))

    def _range_set(self, function: Function, call: Call) -> None:
        ranges = function.ranges
        value = number(only(call.parameters)[0], function.unit, 0.0, ranges[-1], ranges[-1])
        self.turn("function", function.series)
        self.turn("range", next(r for r in ranges if value <= r))

    def _auto_query(self, function: Function, call: Call) -> str:
        return nr1(function.series != self._series() or self.panel()[0]["range"] == "auto")

    def _auto_set(self, function: Function, call: Call) -> None:
        wanted = boolean(only(call.parameters)[0])
        if function.series == self._series():
            self.turn("range", "auto" if wanted else self._range_now(function))

    def _resolution(self, function: Function, call: Call) -> str:
        return nr3(float(self._range_query(function, call)) / self.measuring.spec.counts)


def _for_function(method: Callable[[Function, Call], str | None], function: Function) -> Callable[[Call], str | None]:
    return lambda call: method(function, call)
