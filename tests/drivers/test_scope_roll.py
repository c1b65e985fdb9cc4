"""A scope is made to roll before a switch-on, and stands afterwards as its user had turned it."""

from importlib.resources import files

import pytest

from drivers.dialects import read_scope_dialect, scope_dialect
from drivers.errors import DriverError
from tests.drivers.instruments import two_channel_scope
from tests.drivers.test_scope_forms import Placed


@pytest.fixture
def placed(clock):
    opened = []

    def place(form):
        opened.append(Placed(form, clock))
        return opened[-1]

    yield place
    for each in opened:
        each.close()


def s_div(scope):
    return scope.inside.panel()[0]["s/div"]


@pytest.mark.parametrize("form", ["a", "b"])
def test_it_rolls_slowly_and_is_put_back(placed, form):
    scope = placed(form)
    assert "it stood at 0.005 s" in scope.driver.get_ready()
    assert s_div(scope) == 0.5
    assert scope.driver.get_ready() == scope.driver.get_ready()
    assert scope.driver.poll().traces[0].rolling
    assert scope.driver.as_before() == "put back to 0.005 s a division"
    assert s_div(scope) == 0.005
    assert scope.driver.as_before() == ""
    assert not scope.inside.status.error_count


def test_it_is_put_back_however_it_is_left(placed):
    scope = placed("a")
    scope.driver.get_ready()
    scope.driver.close()
    assert s_div(scope) == 0.005


def test_a_time_base_that_a_person_turned_since_is_left_alone(placed):
    scope = placed("a")
    scope.driver.get_ready()
    scope.inside.turn("s/div", 0.02)
    assert scope.driver.as_before() == "left at the 0.02 s a division that it was turned to"
    assert s_div(scope) == 0.02


def test_one_that_was_stopped_is_not_touched(placed):
    scope = placed("a")
    scope.inside.stop()
    with pytest.raises(DriverError, match="stopped or waits"):
        scope.driver.get_ready()
    assert s_div(scope) == 0.005


def test_a_family_without_the_words_is_turned_by_hand(placed):
    with pytest.raises(DriverError, match="no words to make it roll"):
        placed("c").driver.get_ready()


def test_one_that_will_not_roll_stands_as_it_was_found(bench):
    instrument = two_channel_scope()
    state = {"scale": "5.0E-3"}
    instrument.answers |= {"TIM:MODE?": "MAIN", "TIM:MODE": lambda word: None, "TIM:SCAL?": lambda: state["scale"]}
    instrument.answers["TIM:SCAL"] = lambda value: state.update(scale=value)
    scope = bench("scope", instrument)
    with pytest.raises(DriverError, match=r"does not roll at 0\.5 s a division"):
        scope.get_ready()
    assert float(state["scale"]) == 0.005
    assert ":TIM:MODE MAIN" in instrument.heard


@pytest.mark.parametrize(
    ("wrong", "says"),
    [
        ('scale = ":TIM:SCAL?"', "slow_roll.scale: write the header"),
        ("divisions = 0", "slow_roll.divisions: 0; write how many"),
        ('mode_back = "{channel}"', "slow_roll.mode_back: only {word} may stand in braces"),
    ],
)
def test_a_dialect_s_words_for_it_are_checked(wrong, says):
    text = files("drivers.dialects").joinpath("scope_form_a.toml").read_text("utf-8")
    key = wrong.partition(" ")[0]
    head, table = text.split("[slow_roll]")
    lines = [wrong if line.startswith(f"{key} ") else line for line in table.splitlines()]
    with pytest.raises(DriverError) as told:
        read_scope_dialect("\n".join([f"{head}[slow_roll]", *lines]), "own.toml")
    assert says in str(told.value)
    assert scope_dialect("form_a").slow_roll is not None
