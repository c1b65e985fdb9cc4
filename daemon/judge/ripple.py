"""Ripple of a trace: peak to peak as a scope would read it, and what the mains has in it."""

from dataclasses import dataclass

import numpy as np

from daemon.judge.hum import SIGNIFICANT, Volts, fit_hum, mains_frequency
from drivers.readings import Trace

_SHORTEST_FOR_MEDIAN = 16
MOST_SAMPLES, LEAST_SAMPLES = 2000, 50


@dataclass(frozen=True, slots=True)
class Ripple:
    """Over whole mains periods. Amplitudes at f and 2f are peak values; ``resolution_v`` is one step.

    ``harmonics_rms_v`` are the rms values at f, 2f, 3f ..., as far as the sampling shows them.
    """

    mains_hz: float
    peak_to_peak_v: float
    rms_v: float
    at_f_v: float
    at_2f_v: float
    uncertainty_v: float
    resolution_v: float
    harmonics_rms_v: tuple[float, ...] = ()


def peak_to_peak(trace: Trace) -> tuple[float, float]:
    """Peak to peak and resolution, volts. A single wild sample does not count: median of three first."""
    codes = trace.codes
    if not len(codes):
        return float("nan"), abs(trace.scale_v)
    if len(codes) >= _SHORTEST_FOR_MEDIAN:
        codes = np.median(np.stack([codes[:-2], codes[1:-1], codes[2:]]), axis=0)
    return float(np.ptp(codes.astype(np.float64))) * abs(trace.scale_v), abs(trace.scale_v)


def ripple(volts: Volts, dt_s: float, resolution_v: float = 0.0) -> Ripple | None:
    """Ripple over the longest whole number of mains periods; None where there is not even one.

    ``rms_v`` is of all that is not DC; ``uncertainty_v`` one standard uncertainty of an amplitude.
    """
    mains_hz = mains_frequency(volts, dt_s, np.ones(len(volts), bool))
    periods = int(len(volts) * dt_s * mains_hz + 1e-9)
    if periods < 1:
        return None
    whole = volts[: round(periods / mains_hz / dt_s)]
    hum = fit_hum(whole, dt_s, mains_hz=mains_hz, degree=0, least_sigma_v=resolution_v / np.sqrt(12))
    return Ripple(
        mains_hz,
        float(np.ptp(whole)),
        float(np.std(whole)),
        hum.at_f_v,
        hum.at_2f_v,
        hum.uncertainty_v,
        resolution_v,
        tuple((np.hypot(*hum.weights.reshape(-1, 2).T) / np.sqrt(2)).tolist()),
    )


def hum_of(trace: Trace) -> Ripple | None:
    """Ripple of the end of a trace, for screens: at most ``MOST_SAMPLES`` of it, over whole mains periods.

    None where the mains does not stand out: noise has no frequency to be told.
    """
    end = trace.codes[-MOST_SAMPLES:]
    volts = end.astype(np.float64) * trace.scale_v + trace.offset_v
    found = ripple(volts, trace.dt_s, abs(trace.scale_v)) if len(end) >= LEAST_SAMPLES else None
    return found if found and max(found.at_f_v, found.at_2f_v) > SIGNIFICANT * found.uncertainty_v else None
