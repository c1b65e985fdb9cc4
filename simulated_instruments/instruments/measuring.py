"""The measuring part of a meter: free-running, auto-ranging, with the error of its own specimen."""

import math
import random
from dataclasses import dataclass
from typing import Any

from simulated_instruments.asking import Asker
from simulated_instruments.clock import Clock
from simulated_instruments.instruments.functions import FUNCTIONS, Function, fitting_range

_GOLDEN = (math.sqrt(5) - 1) / 2


@dataclass(frozen=True, slots=True)
class Specification:
    """A meter's kind: per cent of reading and of range it promises, counts, and its own pace."""

    percent_reading: float
    percent_range: float
    counts: int
    period_s: float


@dataclass(frozen=True, slots=True)
class Measured:
    """One completed measurement; ``value`` is infinite for overload and NaN where there is none."""

    index: int
    function: Function
    range: float
    value: float


class Measuring:
    """Makes measurement ``k`` at the end of its k-th period, as soon as somebody looks.

    ``read`` of the unit at that moment, so nothing runs while nobody asks and the values are
    the same as if it did.
    """

    def __init__(self, probe: str, unit: Asker, clock: Clock, spec: Specification, seed: int) -> None:
        draw = random.Random(f"{probe} specimen {seed}")
        self.spec = spec
        self._probe = probe
        self._unit = unit
        self._clock = clock
        self._gain = draw.uniform(-0.4, 0.4) * spec.percent_reading / 100
        self._offset = draw.uniform(-0.4, 0.4) * spec.percent_range / 100
        self._noise = draw
        self._phase_s = draw.uniform(0, spec.period_s)
        self._range: float | None = None
        self._last_index = -1
        self.latest: Measured | None = None

    def index_at(self, t_s: float) -> int:
        """Number of the measurement last completed at ``t_s``."""
        return math.floor((t_s - self._phase_s) / self.spec.period_s)

    def completed_s(self, index: int) -> float:
        """When measurement ``index`` is complete."""
        return self._phase_s + index * self.spec.period_s

    def catch_up(self, series: str, range_: float | str, turned_s: float) -> Measured | None:
        """Measure up to now with the knobs as they stand; the latest, or None if none is complete."""
        function, now = FUNCTIONS[series], self.index_at(self._clock.now_s())
        if self.latest is not None and (self.latest.function != function):
            self.latest, self._range = None, None
        if self.latest is not None and self.completed_s(self.latest.index) < turned_s:
            self.latest = None
        for index in range(max(self._last_index + 1, now - 3), now + 1):
            self._last_index = index
            if self.completed_s(index) - self.spec.period_s >= turned_s:
                self._measure(index, function, range_)
        return self.latest

    def _measure(self, index: int, function: Function, range_: float | str) -> None:
        values = self._unit.ask(ask="probe", probe=self._probe, t_s=self.completed_s(index))
        true = self._sensed(function.series, values, index)
        before = self._range
        if range_ == "auto":
            self._range = fitting_range(function, true, before) if math.isfinite(true) else before
            # A change of range costs one measurement: the display stays blank that long.
            if self._range is not None and before is not None and self._range != before:
                return
        else:
            self._range = float(range_)
        self.latest = Measured(index, function, *self._shown(function, true))

    def _shown(self, function: Function, true: float) -> tuple[float, float]:
        range_ = self._range if self._range is not None else function.ranges[-1]
        if math.isnan(true):
            return range_, math.nan
        if abs(true) > range_:
            return range_, math.copysign(math.inf, true)
        count = range_ / self.spec.counts
        value = true * (1 + self._gain) + self._offset * range_ + self._noise.gauss(0, 0.5 * count)
        return range_, round(value / count) * count

    def _sensed(self, series: str, values: dict[str, Any], index: int) -> float:
        """What the input stage makes of what the probe shows, before the specimen's error."""
        open_lead = ((index * _GOLDEN) % 1 - 0.5) * 2 if values["floating"] else 0.0
        if series == "dc_v":
            # Golden-ratio steps: an open lead never shows the same twice, however it is polled.
            return float(values["volts"]) + 0.04 * open_lead
        if series == "ac_v":
            return float(values["ripple_vpp"]) / math.sqrt(12) + abs(0.03 * open_lead)
        if series in ("ohm", "ohm_4w", "continuity_ohm"):
            return math.inf if values["ohm"] is None else float(values["ohm"])
        if series == "capacitance_f":
            if values["floating"]:
                return 2e-11 * (1.5 + open_lead)
            return math.inf if values["farad"] is None else float(values["farad"])
        if series in ("frequency_hz", "period_s"):
            present = values["ripple_vpp"] > 0.001
            return (100.0 if series == "frequency_hz" else 0.01) if present else math.nan
        return math.inf if series == "diode_v" else 0.0
