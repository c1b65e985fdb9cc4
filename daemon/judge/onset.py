"""Where a series begins to be another: the picker of N. Maeda (1985), by Akaike's information criterion."""

import numpy as np

from daemon.judge.hum import Volts


def aic_of_halves(series: Volts, least_v: float = 0.0) -> Volts:
    """AIC(k) = k log var(first k) + (n - k - 1) log var(the others), for k = 1 to n - 1; shape (n - 1,).

    Variances are no smaller than ``least_v`` squared: a record without noise has none.
    """
    n = len(series)
    centred = series - np.mean(series)
    total, squares = np.cumsum(centred), np.cumsum(centred**2)
    count: Volts = np.arange(1.0, n)
    first = _variance(total[:-1], squares[:-1], count)
    last = _variance(total[-1] - total[:-1], squares[-1] - squares[:-1], n - count)
    floor = max(least_v**2, 1e-300)
    criterion: Volts = count * np.log(np.maximum(first, floor)) + (n - count - 1) * np.log(np.maximum(last, floor))
    return criterion


def _variance(total: Volts, squares: Volts, count: Volts) -> Volts:
    variance: Volts = np.maximum(squares / count - (total / count) ** 2, 0.0)
    return variance


def onset_before(series: Volts, peak_at: int, least_v: float) -> int:
    """The sample up to ``peak_at`` from which on the series is another; ``peak_at`` where too little lies before."""
    if peak_at < 3:
        return peak_at
    # A half of one sample has no variance: it would always win.
    return 2 + int(np.argmin(aic_of_halves(series[: peak_at + 1], least_v)[1:-1]))
