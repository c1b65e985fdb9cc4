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
Tones = NDArray[np.complex128]

NOMINALS_HZ = (50.0, 60.0)
# Networks keep within 1 % of nominal (EN 50160: 49.5 to 50.5 Hz for 99.5 % of a year).
SPAN = 0.01
FINE_STEPS = 41
FINE_STEP_SPAN = 4
ENDS = (1, 2, 4)  # the whole record, its second half, its last quarter
BLOCKS = 64  # stretches over which a tone hardly drifts while the frequency is refined
KICK_SIGMAS = 4.0
STRETCH_PERIODS = 8  # over which a kick is the exception and hum is not
BEGINNINGS = 8  # of hum, while its frequency is refined
HARMONICS = (1, 2, 3, 4, 5, 6, 7)
# Amplitude in standard uncertainties squared is chi square with 2 degrees: exp(-4.5^2 / 2) = 4e-5.
SIGNIFICANT = 4.5
HIGHEST_SHARE = 0.45  # of the sampling frequency; above, a harmonic cannot be told from its alias


@dataclass(frozen=True, slots=True)
class Hum:
    """What the mains leaves: peak amplitudes at f and 2f, rms and peak to peak of all harmonics together.

    ``uncertainty_v`` is one standard uncertainty of each amplitude, ``sigma_v`` the scatter that is left;
    ``weights`` of the columns.
    """

    mains_hz: float
    at_f_v: float
    at_2f_v: float
    rms_v: float
    peak_to_peak_v: float
    uncertainty_v: float
    weights: Volts
    sigma_v: float = 0.0

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
    return tones_of(times_s, mains_hz, harmonics).view(np.float64)


def polynomial_columns(n: int, degree: int) -> Volts:
    """Powers 0 to ``degree`` of a line from -1 to 1, shape (n, degree + 1)."""
    return np.vander(np.linspace(-1, 1, n), degree + 1, increasing=True)


def mains_frequency(volts: Volts, dt_s: float, seen: Mask) -> float:
    """The frequency near 50 or 60 Hz whose harmonics hold most of the record, or of its end; 50 Hz if none."""
    n = len(volts)
    rest = _without_kicks(volts, dt_s, seen)
    step_hz = max(1 / (8 * n * dt_s), 0.01)
    # Hum that begins late is all but hidden in a window over the whole record.
    parts = [rest[-max(n // share, 1) :] for share in ENDS]
    tries: list[float] = []
    for coarse_hz in (_coarse(np.hanning(len(part)) * part, dt_s) for part in parts):
        if all(abs(coarse_hz - other) > FINE_STEP_SPAN * step_hz for other in tries):
            tries.append(coarse_hz)
    best = max((_refined(rest, dt_s, coarse_hz, step_hz) for coarse_hz in tries), key=lambda found: found[0])
    return min(max(best[1], NOMINALS_HZ[0] * (1 - SPAN)), NOMINALS_HZ[1] * (1 + SPAN))


def _refined(rest: Volts, dt_s: float, coarse_hz: float, step_hz: float) -> tuple[float, float]:
    """What the hum near a frequency explains, and its frequency."""
    n = len(rest)
    harmonics = harmonics_below(coarse_hz, dt_s)
    turning = tones_of(np.arange(n), coarse_hz * dt_s, harmonics)
    size = max(1, n // BLOCKS)
    starts = np.arange(0, n, size)
    slow = _block_sums(rest, np.conj(turning), size)
    at_s = (starts + (np.minimum(starts + size, n) - 1 - starts) / 2) * dt_s
    off_hz, most = 0.0, 0.0
    for width_hz in (FINE_STEP_SPAN * step_hz, step_hz / 4, step_hz / 64):
        tried = off_hz + width_hz * np.linspace(-1, 1, FINE_STEPS)
        power = _power_to_the_end(slow, at_s, tried, harmonics)
        most = float(power.max())
        off_hz = float(tried[int(np.argmax(power))]) if most > 0 else 0.0
    return most, coarse_hz + off_hz


def _block_sums(rest: Volts, turning: Tones, size: int) -> Tones:
    """Sums of the products over stretches of ``size`` samples; the last is what remains."""
    whole = len(rest) // size
    blocks = rest[: whole * size].reshape(whole, 1, size)
    sums: Tones = (blocks @ turning[: whole * size].view(np.float64).reshape(whole, size, -1))[:, 0].view(complex)
    if whole * size == len(rest):
        return sums
    return np.vstack([sums, rest[whole * size :] @ turning[whole * size :]])


def _power_to_the_end(slow: Tones, at_s: Volts, tried_hz: Volts, harmonics: tuple[int, ...]) -> Volts:
    """For each frequency what hum explains that begins wherever suits it best."""
    turns = tones_of(np.outer(-tried_hz, at_s).ravel(), 1.0, harmonics).reshape(len(tried_hz), len(at_s), -1)
    firsts = np.unique(np.linspace(0, len(at_s) * 7 // 8, BEGINNINGS).astype(int))
    parts = np.add.reduceat(turns * slow, firsts, axis=1)
    power = np.sum(np.abs(np.cumsum(parts[:, ::-1], axis=1)[:, ::-1]) ** 2, axis=2)
    most: Volts = np.max(power / (len(at_s) - firsts), axis=1)
    return most


def _coarse(rest: Volts, dt_s: float) -> float:
    """The best of a grid, read off one padded spectrum."""
    size = 1 << (4 * len(rest) - 1).bit_length()
    power = np.abs(np.fft.rfft(rest, size)) ** 2
    step_hz = max(1 / (8 * len(rest) * dt_s), 0.01)
    spans = [np.arange(f * (1 - SPAN), f * (1 + SPAN) + step_hz / 2, step_hz) for f in NOMINALS_HZ]
    candidates = np.concatenate([NOMINALS_HZ, *spans])  # a tie: nominal
    total = np.zeros(len(candidates))
    for k in HARMONICS:
        bins = np.rint(k * candidates * size * dt_s).astype(np.int64)
        shown = k * candidates * dt_s <= HIGHEST_SHARE
        total += np.where(shown, power[np.minimum(bins, len(power) - 1)], 0.0)
    return float(candidates[int(np.argmax(total))])


def tones_of(samples: NDArray[np.int64] | Volts, turn: float, harmonics: tuple[int, ...]) -> Tones:
    """e^(2 pi i k turn n) for each harmonic k, ``turn`` periods a sample, shape (samples, harmonics)."""
    first = np.exp(2j * np.pi * np.mod(turn * samples, 1.0))
    tones = np.empty((len(samples), len(harmonics)), complex)
    for column, k in enumerate(harmonics):  # 1, 2, 3, ...
        tones[:, column] = first if k == 1 else tones[:, column - 1] * first
    return tones


def _without_kicks(volts: Volts, dt_s: float, seen: Mask) -> Volts:
    """Slow movement taken off and what stands out cut short: a kick holds every frequency alike."""
    width = min(round(1 / NOMINALS_HZ[0] / dt_s), len(volts) // 2) | 1
    rest = np.where(seen, volts, float(np.median(volts[seen])))
    rest = rest - moving_mean(rest, width)
    cut: Volts = np.where(seen, _clipped(rest, STRETCH_PERIODS * width), 0.0)
    return cut


def _clipped(rest: Volts, size: int) -> Volts:
    """Cut short against what is usual around, for hum may begin anywhere."""
    count = len(rest) // size
    if count < 2:
        size, count = len(rest), 1
    body = np.abs(rest[: count * size]).reshape(count, size)
    usual = np.maximum(np.median(body, axis=1), np.median(np.abs(rest)))
    limits = np.append(np.repeat(usual, size), np.full(len(rest) - count * size, usual[-1]))
    limits *= KICK_SIGMAS * 1.4826
    return np.where(limits > 0, np.clip(rest, -limits, limits), rest)


def moving_mean(volts: Volts, width: int) -> Volts:
    """Mean over an odd number of samples around each; the ends go on as they are."""
    total = np.concatenate([[0.0], np.cumsum(np.pad(volts, width // 2, mode="edge"))])
    mean: Volts = (total[width:] - total[:-width]) / width
    return mean


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
        sigma,
    )


def _solve(columns: Volts, volts: Volts) -> Volts:
    """Least squares by the normal equations: these columns are far from dependent."""
    gram, right = columns.T @ columns, columns.T @ volts
    return np.asarray(np.linalg.lstsq(gram, right, rcond=1e-13)[0], dtype=np.float64)
