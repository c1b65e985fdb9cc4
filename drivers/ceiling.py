"""The level above which no generator is switched on, and sense in what it is told. Pure, no I/O."""

import math
from dataclasses import dataclass

from drivers.errors import CommandError

CEILING_DBM = -20.0
LEVEL_STEP_DB = 0.05  # what reading back a level may differ by through rounding
MODULATIONS = ("am", "fm", "none")
SOURCES = ("internal", "external")


@dataclass(frozen=True, slots=True)
class Ceiling:
    """Checks raise ``CommandError`` before a byte is sent."""

    dbm: float = CEILING_DBM

    def is_broken_by(self, level_dbm: float) -> bool:
        """Whether a level that was read back lies above it, rounding allowed for."""
        return not level_dbm <= self.dbm + LEVEL_STEP_DB

    def check(self, frequency_hz: float | None, level_dbm: float | None) -> None:
        """A frequency above zero and a level not above the ceiling, or None."""
        if frequency_hz is not None and not (math.isfinite(frequency_hz) and frequency_hz > 0):
            raise CommandError("frequency_hz", f"{frequency_hz} Hz is no frequency: give a number above zero.")
        if level_dbm is not None and not math.isfinite(level_dbm):
            raise CommandError("level_dbm", f"{level_dbm} dBm is no level: give a number.")
        if level_dbm is not None and level_dbm > self.dbm:
            raise CommandError(
                "level_dbm",
                f"{level_dbm:g} dBm is above the ceiling of {self.dbm:g} dBm (ceiling_dbm in the bench file): "
                "into the input or the dummy aerial, never to an aerial.",
            )


def ceiling_mistake(ceiling_dbm: float | None, because: str | None) -> str:
    """What is wrong with a bench file's ceiling, with the cure; empty where all is well."""
    if ceiling_dbm is None:
        return ""
    if not math.isfinite(ceiling_dbm):
        return f"{ceiling_dbm} is no ceiling: write a number of dBm."
    if ceiling_dbm > CEILING_DBM and not (because or "").strip():
        return f'{ceiling_dbm:g} dBm is above {CEILING_DBM:g} dBm: say why in ceiling_because = "...", or lower it.'
    return ""


def check_modulation(kind: str, amount: float, source: str) -> None:
    """Raises ``CommandError`` for a modulation that makes no sense: am in per cent, fm in hertz, none."""
    if kind not in MODULATIONS:
        raise CommandError("kind", f"{kind!r} is no modulation: give one of {', '.join(MODULATIONS)}.")
    if source not in SOURCES:
        raise CommandError("source", f"{source!r} is no source of modulation: give internal or external.")
    highest = {"am": 100.0, "fm": 1e9, "none": math.inf}[kind]
    if not (math.isfinite(amount) and 0 <= amount <= highest):
        unit = {"am": "per cent, 0 to 100", "fm": "hertz, 0 or more"}.get(kind, "0")
        raise CommandError("amount", f"{amount} is no {kind}: give {unit}.")
