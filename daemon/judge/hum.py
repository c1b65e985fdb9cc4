"""Mains frequency and its harmonics in a stretch of waveform, by least squares.

All functions are pure; volts have shape (n,), ``dt_s`` is the sample distance, ``seen`` marks the samples
that were captured and not clipped.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Volts = NDArray[np.float64]
Mask = NDArray[np.bool_]

NOMINALS_HZ = (50.0, 60.0)
# Networks keep within 1 % of nominal (EN 50160: 49.5 to 50.5 Hz for 99.5 % of a year).
SPAN = 0.01
FINE_STEPS = 41
KICK_SIGMAS = 4.0
HARMONICS = (1, 2, 3, 4, 5, 6, 7)
# Amplitude in standard uncertainties squared is chi square with 2 degrees: exp(-4.5^2 / 2) = 4e-5.
SIGNIFICANT = 4.5
HIGHEST_SHARE = 0.45  # of the sampling frequency; above, a harmonic cannot be told from its alias


@dataclass(frozen=True, slots=True)
class Hum:
    """What the mains leaves: peak amplitudes at f and 2f, rms and peak to peak of all harmonics together.

    ``uncertainty_v`` is one standard uncertainty of each amplitude; ``weights`` of the columns.
    """

    mains_hz: float
    at_f_v: float
    at_2f_v: float
    rms_v: float
    peak_to_peak_v: float
    uncertainty_v: float
    weights: Volts

    @property
    def strongest_v(self) -> float:
        """The larger of the amplitudes at f and 2f."""
        return max(self.at_f_v, self.at_2f_v)

    @property
    def strongest_hz(self) -> float:
        """Which of the two that is: f points to one diode open, 2f to full-wave ripple."""
        return self.mains_hz * (2 if self.at_2f_v >= self.at_f_v else 1)

    @property
    def is_there(self) -> bool:
        """True where noise alone would show so much once in ten thousand records."""
        return self.strongest_v > SIGNIFICANT * self.uncertainty_v

    def exceeds(self, others: "tuple[Hum | None, ...]", growth: float, least_v: float) -> bool:
        """True where the amplitude at f or at 2f stands out and is ``growth`` times what the others have."""

        def usual_v(name: str) -> float:
            return max((getattr(o, name) for o in others if o is not None and o.is_there), default=0.0)

        f_limit_v = max(growth * usual_v("at_f_v"), least_v, SIGNIFICANT * self.uncertainty_v)
        two_f_limit_v = max(growth * usual_v("at_2f_v"), least_v, SIGNIFICANT * self.uncertainty_v)
        return self.at_f_v > f_limit_v or self.at_2f_v > two_f_limit_v

    def wave(self, times_s: Volts) -> Volts:
        """The hum at times counted from the first sample of the stretch it was fitted to."""
        harmonics = HARMONICS[: len(self.weights) // 2]
        wave: Volts = hum_columns(times_s, self.mains_hz, harmonics) @ self.weights
        return wave


def harmonics_below(mains_hz: float, dt_s: float) -> tuple[int, ...]:
    """The harmonics that this sampling can show."""
    return tuple(k for k in HARMONICS if k * mains_hz * dt_s <= HIGHEST_SHARE)


def hum_columns(times_s: Volts, mains_hz: float, harmonics: tuple[int, ...]) -> Volts:
    """Cosine and sine of each harmonic, shape (n, 2 x harmonics)."""
    if not harmonics:
        return np.empty((len(times_s), 0))
    phases = 2 * np.pi * mains_hz * np.outer(times_s, harmonics)
    return np.stack([np.cos(phases), np.sin(phases)], axis=2).reshape(len(times_s), -1)


def polynomial_columns(n: int, degree: int) -> Volts:
    """Powers 0 to ``degree`` of a line from -1 to 1, shape (n, degree + 1)."""
    return np.vander(np.linspace(-1, 1, n), degree + 1, increasing=True)


def mains_frequency(volts: Volts, dt_s: float, seen: Mask) -> float:
    """The frequency near 50 or 60 Hz whose harmonics hold most of the record; 50 Hz where all is equal."""
    n = len(volts)
    rest = np.hanning(n) * _without_kicks(volts, dt_s, seen)
    step_hz = max(1 / (8 * n * dt_s), 0.01)
    times_s = np.arange(n, dtype=np.float64) * dt_s
    spans = [np.arange(f * (1 - SPAN), f * (1 + SPAN) + step_hz / 2, step_hz) for f in NOMINALS_HZ]
    coarse = _strongest(rest, times_s, dt_s, np.concatenate([NOMINALS_HZ, *spans]))  # a tie: nominal
    # Hum much larger than the noise betrays a frequency that is off by a tenth of a step.
    fine = coarse + step_hz * np.linspace(-1, 1, FINE_STEPS)
    return _strongest(rest, times_s, dt_s, np.concatenate([[coarse], fine]))


def _without_kicks(volts: Volts, dt_s: float, seen: Mask) -> Volts:
    """Slow movement taken off and what stands out cut short: a kick holds every frequency alike."""
    width = min(round(1 / NOMINALS_HZ[0] / dt_s), len(volts) // 2) | 1
    rest = np.where(seen, volts, float(np.median(volts[seen])))
    rest = rest - moving_mean(rest, width)
    limit_v = KICK_SIGMAS * 1.4826 * float(np.median(np.abs(rest)))
    cut: Volts = np.where(seen, np.clip(rest, -limit_v, limit_v) if limit_v else rest, 0.0)
    return cut


def moving_mean(volts: Volts, width: int) -> Volts:
    """Mean over an odd number of samples around each; the ends go on as they are."""
    total = np.concatenate([[0.0], np.cumsum(np.pad(volts, width // 2, mode="edge"))])
    mean: Volts = (total[width:] - total[:-width]) / width
    return mean


def _strongest(rest: Volts, times_s: Volts, dt_s: float, candidates: Volts) -> float:
    power = [_power_at(rest, times_s, float(f), dt_s) for f in candidates]
    return float(candidates[int(np.argmax(power))])


def _power_at(rest: Volts, times_s: Volts, mains_hz: float, dt_s: float) -> float:
    first = np.exp(-2j * np.pi * mains_hz * times_s)
    turning, total = np.ones_like(first), 0.0
    for _ in harmonics_below(mains_hz, dt_s):
        turning = turning * first
        total += float(abs(np.dot(rest, turning)) ** 2)
    return total


def fit_hum(
    volts: Volts, dt_s: float, *, mains_hz: float | None = None, degree: int = 2, least_sigma_v: float = 0.0
) -> Hum:
    """Hum of a stretch whose own movement a parabola describes. At least one mains period is needed."""
    n = len(volts)
    if mains_hz is None:
        mains_hz = mains_frequency(volts, dt_s, np.ones(n, bool))
    harmonics = harmonics_below(mains_hz, dt_s)
    columns = hum_columns(np.arange(n, dtype=np.float64) * dt_s, mains_hz, harmonics)
    base = np.hstack([polynomial_columns(n, degree), columns])
    weights = _solve(base, volts)
    rest = volts - base @ weights
    freedom = max(1, n - base.shape[1])
    sigma = max(math.sqrt(float(rest @ rest) / freedom), least_sigma_v)
    pairs = weights[degree + 1 :].reshape(-1, 2)
    amplitudes = dict(zip(harmonics, np.hypot(pairs[:, 0], pairs[:, 1]).tolist(), strict=True))
    hum = columns @ weights[degree + 1 :]
    return Hum(
        mains_hz,
        amplitudes.get(1, 0.0),
        amplitudes.get(2, 0.0),
        math.sqrt(sum(a**2 for a in amplitudes.values()) / 2),
        float(np.ptp(hum)) if harmonics else 0.0,
        sigma * math.sqrt(2 / n),
        weights[degree + 1 :],
    )


def _solve(columns: Volts, volts: Volts) -> Volts:
    return np.asarray(np.linalg.lstsq(columns, volts, rcond=None)[0], dtype=np.float64)
