"""A poll that was held up is told from one that is always slow."""

from daemon.pace import LOOKED_AT, Pace


def test_one_slow_poll_among_quick_ones_is_said_with_both_times() -> None:
    pace = Pace(timeout_s=1.0)
    assert [pace.remark(0.01) for _ in range(5)] == [None] * 5
    assert pace.remark(1.5) == "held up: it took 1.50 s where 0.01 s is usual"


def test_what_a_plain_question_may_take_is_never_said() -> None:
    pace = Pace(timeout_s=1.0)
    assert [pace.remark(took_s) for took_s in (0.01, 0.01, 0.9, 1.0)] == [None] * 4


def test_an_instrument_that_turned_slow_for_good_is_said_until_that_is_its_usual_pace() -> None:
    pace = Pace(timeout_s=1.0)
    for _ in range(LOOKED_AT):
        pace.remark(0.02)
    said = [pace.remark(3.0) is not None for _ in range(LOOKED_AT)]
    assert said[0] and not said[-1]
    assert pace.remark(3.1) is None


def test_the_first_poll_of_all_has_nothing_to_be_compared_with() -> None:
    assert Pace(timeout_s=1.0).remark(60.0) is None
