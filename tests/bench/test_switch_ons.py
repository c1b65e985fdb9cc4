"""Ten switch-ons over the wire, healthy and faulty, some of them with the scope blind now and then."""

import pytest

from tests.bench.switch_ons import NOT_OBSERVED, UNITS, play


@pytest.mark.parametrize("unit", UNITS)
def test_no_verdict_is_wrong_and_a_rolling_scope_misses_nothing(unit, tmp_path):
    told = play(unit, 5, 1, tmp_path)
    assert [one for one in told if one.wrong] == []
    assert [one for one in told if one.s_div >= 0.1 and one.verdict == NOT_OBSERVED] == []
    assert len(told) == 5
