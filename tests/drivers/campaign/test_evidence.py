"""The campaign's judge finds what it is there to find: without this, 0 wrong values would mean nothing."""

import numpy as np
import pytest

from drivers.readings import Flag, Poll, Quantity, Reading, Trace
from tests.drivers.campaign.evidence import wrong_in
from tests.drivers.campaign.instruments import MAINS, OHMS, SAMPLES, VOLTS

MADE = {7 + VOLTS: 1_000_000, 8 + OHMS: 2_000_000, 9.0: 2_500_000}


def reading(value, t_us, quantity=Quantity.DC_V, flags=Flag.NONE):
    return Poll((Reading(t_us, value, quantity, flags=flags, half_width_us=400),))


def trace(codes):
    return Poll(traces=(Trace(0, 1e-3, np.array(codes, dtype=np.int16), 1.0, 0.0, "1"),))


def judged(poll):
    return list(wrong_in(poll, MADE, 2_400_000, 2_600_000))


def test_a_value_made_while_it_was_asked_for_is_believed():
    assert judged(reading(7 + VOLTS, 1_000_300)) == []
    assert judged(reading(8 + OHMS, 1_999_700, Quantity.OHM)) == []


@pytest.mark.parametrize(
    ("poll", "why"),
    [
        (reading(7 + VOLTS, 1_010_000), "earlier question"),
        (reading(70 + VOLTS, 1_000_000), "never made"),
        (reading(8 + OHMS, 2_000_000), "no answer to a question"),
        (reading(3 + MAINS, 1_000_000), "no answer to a question"),
        (reading(float("nan"), 1_000_000), "no answer to a question"),
        (reading(1.0, 1_000_000, Quantity.OUTPUT), "never said"),
        (trace([0, 0, 9, 10] * 14 + [0, 0, 7, 10]), "torn"),
        (trace([0, 0, 99, 10] * (SAMPLES // 4)), "never sent"),
        (trace([0, 0, 9, 10] * 14 + [0, 0, 9]), "torn"),
    ],
)
def test_a_stale_strange_or_torn_value_is_found(poll, why):
    (sentence,) = judged(poll)
    assert why in sentence


def test_a_trace_of_an_earlier_poll_is_found():
    whole = trace([0, 0, 9, 10] * (SAMPLES // 4))
    assert judged(whole) == []
    (sentence,) = wrong_in(whole, MADE, 2_600_000, 2_700_000)
    assert "earlier question" in sentence
