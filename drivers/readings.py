"""What an instrument says: readings, traces, and what they are readings of."""

import math
from dataclasses import dataclass
from enum import IntFlag, StrEnum
from functools import lru_cache
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray


class Quantity(StrEnum):
    """What is read. The text is the name in files and exports; ``unit`` its SI unit."""

    DC_V = "dc_v"
    AC_V = "ac_v"
    DC_A = "dc_a"
    AC_A = "ac_a"
    OHM = "ohm"
    OHM_4W = "ohm_4w"
    CONTINUITY = "continuity_ohm"
    DIODE = "diode_v"
    FREQUENCY = "frequency_hz"
    PERIOD = "period_s"
    CAPACITANCE = "capacitance_f"
    TEMPERATURE = "temperature_c"
    RIPPLE = "ripple_vpp"
    SUPPLY_CURRENT = "current_a"
    MAINS = "mains_v"
    LEVEL = "level_dbm"
    OUTPUT = "output_on"
    AM_DEPTH = "am_depth_percent"
    FM_DEVIATION = "fm_deviation_hz"

    @property
    def unit(self) -> str:
        """The unit its values are in."""
        return _UNITS[self]

    @property
    def needs_dead_unit(self) -> bool:
        """True where a reading means nothing while the unit is on (ohms and its kin)."""
        return self in _DEAD_ONLY


_UNITS = {
    Quantity.DC_V: "V",
    Quantity.AC_V: "V",
    Quantity.DC_A: "A",
    Quantity.AC_A: "A",
    Quantity.OHM: "ohm",
    Quantity.OHM_4W: "ohm",
    Quantity.CONTINUITY: "ohm",
    Quantity.DIODE: "V",
    Quantity.FREQUENCY: "Hz",
    Quantity.PERIOD: "s",
    Quantity.CAPACITANCE: "F",
    Quantity.TEMPERATURE: "degC",
    Quantity.RIPPLE: "Vpp",
    Quantity.SUPPLY_CURRENT: "A",
    Quantity.MAINS: "V",
    Quantity.LEVEL: "dBm",
    Quantity.OUTPUT: "",
    Quantity.AM_DEPTH: "%",
    Quantity.FM_DEVIATION: "Hz",
}
_OPEN_IS_OVERLOAD = {Quantity.OHM, Quantity.OHM_4W, Quantity.CONTINUITY, Quantity.DIODE}
_DEAD_ONLY = {
    Quantity.OHM,
    Quantity.OHM_4W,
    Quantity.CONTINUITY,
    Quantity.DIODE,
    Quantity.CAPACITANCE,
}


class Flag(IntFlag):
    """What is to be known of a value beyond the value; stored as one byte."""

    NONE = 0
    OVERLOAD = 1  # beyond the range, or an open lead on ohms (SCPI-99 vol. 1, 7.2.1.4)
    NOT_A_NUMBER = 2  # SCPI-99 vol. 1, 7.2.1.5
    CHANGING = 4  # the function, the range or the unit's supply changed while it was taken
    CLIPPED = 8  # a trace that touched the end of the converter's range

    @property
    def words(self) -> str:
        """The flags as text for exports: ``overload changing``; empty when none is set."""
        return _words(self)


@lru_cache(maxsize=32)  # asked of every probe at every look at the state
def _words(flags: Flag) -> str:
    names = (flag.name or "" for flag in Flag if flag in flags)
    return " ".join(name.lower().replace("_", "-") for name in names)


@dataclass(frozen=True, slots=True)
class Accuracy:
    """A meter's stated limits of error: per cent of reading plus per cent of range."""

    percent_reading: float = 0.0
    percent_range: float = 0.0

    def half_width(self, value: float, range_: float | None) -> float:
        """Half width of the limits of error at ``value``, in the value's unit."""
        return abs(value) * self.percent_reading / 100 + (range_ or abs(value)) * self.percent_range / 100


_NOT_STATED = Accuracy()


class Reading(NamedTuple):
    """One value of one series.

    ``t_us`` is the middle of the query, ``half_width_us`` how far either side it may lie;
    ``value`` is NaN when a flag says that there is none (overload, not-a-number);
    ``range`` and ``resolution`` are in the value's unit, None where the instrument is silent;
    ``integration_s`` is how long the instrument looked; ``accuracy`` the half width of its stated limits
    of error at this value (per cent of reading plus of range, from the bench file), None where none are stated.
    """

    t_us: int
    value: float
    quantity: Quantity
    channel: str = ""
    flags: Flag = Flag.NONE
    half_width_us: int = 0
    range: float | None = None
    resolution: float | None = None
    integration_s: float | None = None
    accuracy: float | None = None

    @property
    def open_lead(self) -> bool:
        """True where nothing conducts between the leads: beyond the range on a function that sends a current."""
        return Flag.OVERLOAD in self.flags and self.quantity in _OPEN_IS_OVERLOAD

    def within(self, accuracy: Accuracy) -> "Reading":
        """This reading with its limits of error, where some are stated and it has a value."""
        if accuracy is _NOT_STATED or accuracy == _NOT_STATED or not math.isfinite(self.value):
            return self
        return self._replace(accuracy=accuracy.half_width(self.value, self.range))


@dataclass(frozen=True, slots=True, eq=False)
class Trace:
    """A stretch of waveform of one channel.

    ``t0_us`` is the session time of the first sample; ``t0_half_width_us`` its uncertainty;
    ``dt_s`` the sample distance; ``codes`` the converter's own numbers (shape (n,), int8, uint8 or
    int16, kept as they came); volts = ``codes * scale_v + offset_v``; ``lowest_code`` and
    ``highest_code`` are the ends of the converter's range, where a sample is clipped.
    """

    t0_us: int
    dt_s: float
    codes: NDArray[Any]
    scale_v: float
    offset_v: float
    channel: str
    t0_half_width_us: int = 0
    lowest_code: int = -32768
    highest_code: int = 32767
    coupling: str = "DC"
    rolling: bool = False
    v_div: float | None = None  # volts a division, as the scope says; None where it is silent
    probe_factor: float | None = None  # 10 for a 10:1 probe, contained in the volts already

    @property
    def volts(self) -> NDArray[np.float64]:
        """The samples in volts, shape (n,)."""
        return self.codes.astype(np.float64) * self.scale_v + self.offset_v

    @property
    def seconds(self) -> NDArray[np.float64]:
        """When each sample was taken, seconds after the first, shape (n,)."""
        return np.arange(len(self.codes), dtype=np.float64) * self.dt_s

    @property
    def t1_us(self) -> int:
        """Session time just after the last sample."""
        return self.t0_us + round(self.dt_s * len(self.codes) * 1e6)

    @property
    def clipped(self) -> bool:
        """True where a sample lies at an end of the converter's range."""
        if not len(self.codes):
            return False
        return int(self.codes.min()) <= self.lowest_code or int(self.codes.max()) >= self.highest_code


@dataclass(frozen=True, slots=True)
class Identity:
    """The four fields of ``*IDN?`` (IEEE 488.2, 10.14), as they came."""

    maker: str
    model: str
    serial: str
    firmware: str

    def __str__(self) -> str:
        return ", ".join((self.maker, self.model, self.serial, self.firmware))

    def same_instrument(self, other: "Identity") -> bool:
        """True when both are the same box; its firmware may have been renewed in between."""
        return (self.maker, self.model, self.serial) == (other.maker, other.model, other.serial)


class Poll(NamedTuple):
    """What one poll of an instrument brought."""

    readings: tuple[Reading, ...] = ()
    traces: tuple[Trace, ...] = ()
    remarks: tuple[str, ...] = ()  # anomalies seen on the way, for the time line
