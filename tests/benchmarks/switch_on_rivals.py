"""What else people use to see that something happened, each given the hum removed and its best threshold.

Each function takes a record in volts and gives one number, larger where something happened. ``calibrated``
sets the threshold on empty records of the same kind, which a user could not do: a favour to all of them.
"""

from collections.abc import Callable

import numpy as np
import ruptures

from daemon.judge.hum import fit_hum
from tests.benchmarks.switch_on_records import Volts

Rival = Callable[[Volts, float], float]

SHORT_S, LONG_S = 0.02, 0.3
KERNEL_STEP = 5  # means of so many samples, for the change points' sake


def without_hum(volts: Volts, dt_s: float) -> Volts:
    """Steady hum and a parabola taken off by least squares."""
    hum = fit_hum(volts, dt_s)
    rest = volts - hum.wave(np.arange(len(volts)) * dt_s)
    line = np.linspace(-1, 1, len(rest))
    return rest - np.polyval(np.polyfit(line, rest, 2), line)


def peak_to_peak(volts: Volts, dt_s: float) -> float:
    """Of the raw record, as a scope shows it."""
    return float(np.ptp(volts))


def rms(volts: Volts, dt_s: float) -> float:
    """Of the raw record."""
    return float(np.std(volts))


def short_long(volts: Volts, dt_s: float) -> float:
    """Largest ratio of short to long mean of squares, hum removed (R. V. Allen, 1978)."""
    power = np.concatenate([[0.0], np.cumsum(without_hum(volts, dt_s) ** 2)])
    short, long = round(SHORT_S / dt_s), round(LONG_S / dt_s)
    after = (power[long + short :] - power[long:-short]) / short
    before = (power[long:-short] - power[: -long - short]) / long
    return float(np.max(after / before))


def change_points(volts: Volts, dt_s: float) -> float:
    """Largest fall of the squared error by two changes of the mean, hum removed (ruptures, least squares)."""
    rest = without_hum(volts, dt_s)
    means = rest[: len(rest) // KERNEL_STEP * KERNEL_STEP].reshape(-1, KERNEL_STEP).mean(axis=1)
    search = ruptures.Binseg(model="l2", min_size=2, jump=1).fit(means)
    changes = search.predict(n_bkps=2)
    return float(search.cost.error(0, len(means)) - search.cost.sum_of_costs(changes))


RIVALS: dict[str, Rival] = {
    "peak to peak": peak_to_peak,
    "rms": rms,
    "short/long average": short_long,
    "change points": change_points,
}


def calibrated(rival: Rival, empty: list[Volts], dt_s: float, false_alarm: float) -> float:
    """The value that so many of the empty records stay below (the largest where there are too few)."""
    values = sorted(rival(volts, dt_s) for volts in empty)
    return values[min(len(values) - 1, int(len(values) * (1 - false_alarm)))]
