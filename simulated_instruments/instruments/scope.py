"""The two-channel scope: rolling or triggered records; what it calls things is said by its form.

When it rolls, a record's seconds count from the moment of the stop (of the question when running), so they are
negative; else from the trigger. A single capture takes the first whole sweep after it was armed: trigger
levels are not modelled.
"""

import math
from collections.abc import Callable, Mapping
from typing import Any

from simulated_instruments.asking import Asker
from simulated_instruments.clock import Clock
from simulated_instruments.instruments.digitising import Converter, Timing
from simulated_instruments.instruments.panelled import Panelled
from simulated_instruments.instruments.scope_form_a import FormA
from simulated_instruments.instruments.scope_form_b import FormB
from simulated_instruments.instruments.scope_form_c import FormC
from simulated_instruments.instruments.scope_front import (
    DIVISIONS_S,
    MAIN_POINTS,
    ROLL_POINTS,
    Form,
    Front,
    Record,
    Window,
)
from simulated_instruments.language.errors import LanguageError

ROLLS_FROM_S_DIV = 0.1  # slower than this the trace rolls
_LINE_HZ = 50.0
_FEWEST = 20


FORMS: Mapping[str, Callable[[Front], Form]] = {"a": FormA, "b": FormB, "c": FormC}


class Scope(Panelled):
    """Asks the unit for a record when one is latched: at :STOP, or when it is asked while running."""

    def __init__(
        self,
        name: str,
        probes: tuple[str, str],
        identity: tuple[str, str, str, str],
        unit: Asker,
        clock: Clock,
        seed: int = 1,
        form: str = "a",
        window: int = 0,
    ) -> None:
        """``form`` says which form of waveform transfer it speaks: a, b or c.

        With ``window`` it sends so many points of a record at a time and no more (a and b); 0: all at once.
        """
        if form not in FORMS or window < 0 or (window and form == "c"):
            raise ValueError(f"form {form!r} with a window of {window}: forms are a, b and c, a window has a or b")
        super().__init__(name, identity, unit, clock)
        self.window = Window(window)
        self._converters = [Converter(probe, n, unit, seed) for n, probe in enumerate(probes, start=1)]
        self._stopped: Record | None = None
        self._latched: Record | None = None
        self._armed_s: float | None = None
        self.source = 1
        self._commands += FORMS[form](self).commands()

    def reset(self) -> None:
        """Running, 0.5 s and 5 V a division, DC."""
        self.turn("s/div", 0.5)
        for channel in (1, 2):
            self.turn(f"V/div {channel}", 5.0)
            self.turn(f"coupling {channel}", "DC")
        self._stopped = self._armed_s = None

    # ---- records

    def _record(self) -> Record:
        """What the screen shows now; after a knob was turned it waits for enough samples."""
        knobs, turned_s = self.panel()
        s_div = float(knobs["s/div"])
        rolling = s_div >= ROLLS_FROM_S_DIV
        now_s, timing = self._timing(s_div, rolling, turned_s)
        v_div = (float(knobs["V/div 1"]), float(knobs["V/div 2"]))
        coupling = (str(knobs["coupling 1"]), str(knobs["coupling 2"]))
        one, two = (
            converter.codes(timing, v, c)
            for converter, v, c in zip(self._converters, v_div, coupling, strict=True)
        )
        origin_s = timing.first * timing.dt_s - now_s
        return Record(timing, origin_s, rolling, v_div, coupling, (one, two))

    def _timing(self, s_div: float, rolling: bool, turned_s: float) -> tuple[float, Timing]:
        """The moment that the record's seconds count from, and its samples."""
        span_s = s_div * DIVISIONS_S
        dt_s = span_s / (ROLL_POINTS if rolling else MAIN_POINTS)
        needed_s = turned_s + (_FEWEST * dt_s if rolling else span_s + 1 / _LINE_HZ)
        self.clock.sleep_s(needed_s - self.clock.now_s())
        now_s = self.clock.now_s()
        if not rolling:
            # A sweep shorter than a mains period does not wait for the line: it triggers by itself.
            trigger_s = now_s - span_s / 2
            if span_s >= 1 / _LINE_HZ:
                trigger_s = math.floor(trigger_s * _LINE_HZ) / _LINE_HZ
            return trigger_s, Timing(round((trigger_s - span_s / 2) / dt_s), MAIN_POINTS, dt_s)
        last = math.floor(now_s / dt_s)
        first = max(last - ROLL_POINTS + 1, math.ceil(turned_s / dt_s))
        return now_s, Timing(first, last - first + 1, dt_s)

    # ---- run control

    def stop(self) -> None:
        """Latch what is on the screen, unless it is latched already."""
        self._armed_s = None
        if self._stopped is None:
            self._stopped = self._record()
            self.turn("running", False)

    def run_freely(self) -> None:
        """Let go of the record."""
        self._armed_s = self._stopped = self._latched = None
        self.turn("running", True)

    def arm(self) -> None:
        """Wait for one sweep that begins from now on."""
        self.run_freely()
        self._armed_s = self.clock.now_s()

    def state(self) -> str:
        """``stopped``, ``waiting`` or ``running``; a sweep that was waited for is latched as soon as it is whole."""
        if self._armed_s is not None:
            span_s = float(self.panel()[0]["s/div"]) * DIVISIONS_S
            if self.clock.now_s() < self._armed_s + span_s + 1 / _LINE_HZ:
                return "waiting"
            self.stop()
        return "running" if self._stopped is None else "stopped"

    def rolls(self) -> bool:
        """Whether the record on the screen rolls."""
        if self._stopped is not None:
            return self._stopped.rolling
        return float(self.panel()[0]["s/div"]) >= ROLLS_FROM_S_DIV

    # ---- waveforms, in whichever form

    def choose(self, channel: int) -> None:
        """Which channel is sent next."""
        if channel not in (1, 2):
            raise LanguageError(-224, str(channel))
        self.source = channel

    def fresh(self) -> Record:
        """The record that is asked for now: the stopped one, or what the screen shows at this moment."""
        self._latched = None
        return self.shown()

    def shown(self) -> Record:
        """The stopped record, or while running the one that was last asked about."""
        if self._stopped is not None:
            return self._stopped
        if self._latched is None:
            self._latched = self._record()
        return self._latched

    def take_codes(self) -> bytes:
        """Codes of the chosen channel, 0 to 255 around 128; they count as sent."""
        record = self.shown()
        self._latched = None
        self.count(f"{self.source} ripple_vpp")
        return record.codes[self.source - 1][self.window.of(record.timing.count)]

    def points(self) -> int:
        """How many points the next transfer has."""
        count = self.shown().timing.count
        return len(range(count)[self.window.of(count)])

    # ---- knobs

    def knob(self, knob: str, channel: int) -> Any:
        """Where a channel's knob stands; -114 for a channel that is not there."""
        if channel not in (1, 2):
            raise LanguageError(-114)
        return self.panel()[0][f"{knob} {channel}"]
