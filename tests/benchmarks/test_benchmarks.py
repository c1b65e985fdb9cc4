"""A small part of each benchmark runs, and says what it has to in the form that it has to. Nothing is timed here."""

import json
import math

import numpy as np
import pytest

from tests.benchmarks import links, placements, sixteen, suspects, switch_on
from tests.benchmarks.figures import Figure, as_json, as_words, at_least, at_most, ratio_in_turns, run
from tests.benchmarks.quick_instrument import BLOCK, QuickInstrument
from tests.benchmarks.screen import busy_bench, live, looking, suspected


def test_the_links_are_compared_in_turns_and_every_figure_is_a_number():
    figures = [*links.over_tcp(1, 5), *links.over_serial(1, 5), *links.blocks(1)]
    assert len(figures) == 6
    assert all(math.isfinite(figure.value) and figure.value > 0 for figure in figures)


def test_a_daemon_with_several_instruments_polls_all_of_them():
    figures = {figure.name: figure.value for figure in links.steadiness(4, 1, 1.0, 2.0)}
    assert len(figures) == 4
    assert next(value for name, value in figures.items() if "polls made" in name) > 0.3


def test_switch_ons_of_12_db_are_found_and_never_called_missing():
    figures = [*switch_on.detection(8, (12.0,)), *switch_on.never_missing(8)]
    assert len(figures) == 3
    assert [figure.name for figure in figures if not figure.met] == []


def test_every_other_way_to_see_a_switch_on_gets_the_same_records():
    figures = switch_on.rivals(4)
    assert len(figures) == 8
    assert all(0 <= figure.value <= 1 for figure in figures)


def test_placements_of_each_careless_hand_are_found_soon_and_none_is_invented():
    figures = placements.measure_series(2, 0.1)
    names = [figure.name for figure in figures]
    # Of so few intervals the share that holds the truth may be anything near 95 %.
    assert [figure.name for figure in figures if not figure.met and "within 2 u" not in figure.name] == []
    assert sum(name.startswith("recall, ") for name in names) == 10
    recall, precision = (figure.value for figure in figures if "for comparison: plain threshold" in figure.name)
    assert 0 < recall < 1 and 0 < precision <= 1


def test_the_broken_part_is_found_in_a_few_probes_and_with_less_effort_than_by_other_ways():
    """A seeded dozen of broken cassette decks as ngspice has them; the goals are the benchmark's own matter."""
    figures = {figure.name: figure.value for figure in suspects.figures_of([suspects.searched("cassette", (4,), 12)])}
    assert figures["probes, median (12 faults that DC can see)"] <= 6
    assert figures["the right part is in the 90 % set"] >= 0.75
    assert figures["effort, of that in the drawing's order"] < 0.8
    assert figures[suspects.GONE_ON + "the right part is first"] >= figures["the right part is first"]
    assert figures[suspects.GONE_ON + "parts in the 90 % set, mean"] <= figures["parts in the 90 % set, mean"]


def test_a_unit_that_nobody_chose_is_searched_and_one_that_is_too_small_is_not():
    found = suspects.searched_by_chance(3)
    assert found is not None and len(found.ours) == suspects.OF_A_UNIT
    assert sum(each.volts.in_set for each in found.ours) >= 4
    assert len(found.order) == len(found.halves) == suspects.RIVALS_OF_A_UNIT
    assert suspects.searched_by_chance(8) is None


def test_what_is_said_too_boldly_or_too_timidly_is_out_of_the_band():
    def ended(right):
        says = [(0.8, number < right) for number in range(100)]
        return suspects.Told(5, 5.0, True, True, True, 1, says, True)

    assert [suspects.calibration([ended(right)], "").met for right in (70, 76, 80, 84, 90)] == [0, 1, 1, 1, 0]


@pytest.mark.parametrize(("value", "code"), [(0.7, 0), (0.5, 1)])
def test_the_exit_code_is_0_only_if_every_goal_is_met(value, code, capsys):
    figures = [at_least("a", value, 0.6), at_most("b", 1.0, 2.0)]
    assert run(lambda full: figures, "", ["--json"]) == code
    said = json.loads(capsys.readouterr().out)
    assert said == {
        "figures": [
            {"name": "a", "value": value, "goal": ">= 0.6", "met": code == 0},
            {"name": "b", "value": 1.0, "goal": "<= 2", "met": True},
        ]
    }


def test_a_figure_of_a_number_library_goes_into_json_too():
    figures = [at_least("a", np.float64(2), 1), at_most("b", np.float32(2), 1)]
    assert [figure["met"] for figure in json.loads(as_json(figures))["figures"]] == [True, False]


def test_full_is_handed_on_and_words_say_what_was_missed(capsys):
    asked = []
    assert run(lambda full: asked.append(full) or [Figure("a", 1.0, ">= 2", False)], "", ["--full"]) == 1
    assert asked == [True]
    assert capsys.readouterr().out == as_words([Figure("a", 1.0, ">= 2", False)])
    assert "MISSED" in as_words([Figure("a", 1.0, ">= 2", False)])


def test_a_ratio_is_the_median_of_pairs_taken_in_turns():
    order = []
    rates = iter([6.0, 3.0, 2.0, 8.0, 5.0, 1.0])  # 6/3, then 8/2 with the second first, then 5/1

    def take(name):
        order.append(name)
        return next(rates)

    assert ratio_in_turns(lambda: take("a"), lambda: take("b"), 3) == 4.0
    assert order == ["a", "b", "b", "a", "a", "b"]


def test_lateness_is_compared_window_by_window_and_the_median_counts():
    """A burst of noise in one window, met by both alike or not, does not move the median of three."""
    control = [(n / 100, 1e-4) for n in range(300)]
    ours = [(at_s, 1.5e-4 if at_s < 2.0 else 90e-4) for at_s, _ in control]
    assert sixteen.p99_ratio(ours, control, 1.0) == pytest.approx(1.5)


def test_the_growth_of_memory_is_told_from_its_coming_and_going():
    """100 MB that grow by 1 kB a second, 600 kB or 0.6 % in ten minutes, under a saw of 10 MB a period."""
    memory = [(float(second), 100e6 + 1e3 * second + 10e6 * (second % 40) / 40) for second in range(120)]
    assert sixteen.growth_in_ten_minutes(memory, 40.0) == pytest.approx(0.006, rel=0.06)


def test_the_quick_instrument_is_an_instrument():
    """Answers of one message are joined by semicolons (IEEE 488.2, 8.4.1); an undefined header is -113 (SCPI-99)."""
    instrument = QuickInstrument()
    assert instrument.answer(b"*ESE 7;*ESE?;:FETC?") == b"7;+1.25000000E+01\n"
    assert instrument.answer(b"NONSENSE?") == b""
    assert instrument.answer(b"SYST:ERR?") == b'-113,"Undefined header"\n'
    assert instrument.answer(b"SYST:ERR?") == b'0,"No error"\n'
    assert instrument.answer(b"DATA?") is BLOCK and len(BLOCK) == 1_000_010


def test_a_reading_is_as_old_as_the_first_drawing_that_has_it():
    """Drawings seen at 60 and 100 ms, with readings each 20 ms up to 40 and 80: those of 60 and 80 are seen at 100."""
    ages = looking.latencies_s([[40_000, 60_000], [80_000, 100_000], [80_000, 130_000]], 0.02)
    assert sorted(ages.tolist()) == [0.02, 0.04]


def test_a_poll_is_late_after_its_own_due_moment_and_one_that_was_skipped_counts_once(monkeypatch):
    """Due at 0, 20, 40 ... ms: begun at 0, 21, and then only at 65: 1 ms, then 25 ms late; the next is due at 80."""
    times = iter([0.0, 0.021, 0.065, 0.080])
    monkeypatch.setattr(busy_bench.time, "monotonic", lambda: next(times))
    late = busy_bench.Late()
    started = late.keeper(0.02)
    for _ in range(4):
        started()
    assert late.take() == pytest.approx([0.0, 0.001, 0.025, 0.0], abs=1e-9)
    assert late.take() == []


def test_the_live_page_is_compared_in_turns_and_every_figure_is_a_number(monkeypatch):
    """Both pages draw what arrives, in a real browser; how fast is the benchmark's own matter."""
    monkeypatch.setattr(live, "CALM_S", 0.2)
    with looking.browsers() as (opened,):
        figures = live.beside_whole_figures(opened, 1, 1.5)
    assert len(figures) == 5
    assert all(math.isfinite(figure.value) and figure.value > 0 for figure in figures)


def test_suspects_of_a_probed_unit_come_to_the_screen_and_are_refined():
    """One broken unit probed where the program proposes, on the real page; how fast is the benchmark's own matter."""
    with looking.browsers() as (opened,):
        figures = suspected.on_the_screen(opened, 1, 2, 1, 0.5)
    assert len(figures) == 8
    assert all(math.isfinite(figure.value) and figure.value >= 0 for figure in figures)
    assert all(figure.value > 0 for figure in figures if "s to the screen" in figure.name)


def test_a_ranking_is_as_old_as_the_first_drawing_that_has_its_reading():
    """Settled at 10, told at 40; drawn without it at 50, with it at 90, with the next at 95; the last one never."""
    drawn = [[None, 45], [5, 50], [10, 90], [12, 95]]
    ages = suspected.ages_s([[10, 40], [12, 60], [20, 80]], drawn)
    assert ages.tolist() == pytest.approx([50e-6, 35e-6, math.inf])


@pytest.mark.parametrize(("found", "count", "least"), [(0, 250, 0.0), (1, 250, 0.000205), (10, 100, 0.05526)])
def test_the_least_rate_that_a_few_records_speak_for(found, count, least):
    """Clopper and Pearson's one-sided limit: one of n gives 1 - 0.95^(1/n); 10 of 100 gives 0.0553 (from memory)."""
    assert switch_on.least_rate(found, count) == pytest.approx(least, rel=0.005, abs=1e-9)
