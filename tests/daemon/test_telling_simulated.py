"""The simulated instruments, each a process of its own, told what to do through the door."""

import pytest

from daemon.bench_file import Setup
from drivers.protocols import InstrumentSpec
from tests.daemon.told_bench import HOUR_S, Running
from tests.simulated_instruments.test_alone import started


@pytest.fixture
def alone(tmp_path):
    running = []

    def start(kind, resource, **options):
        spec = InstrumentSpec(kind, kind, resource, timeout_s=2.0, options=options)
        running.append(Running(tmp_path, [Setup(spec, HOUR_S)]).start())
        return running[-1]

    yield start
    for each in running:
        each.end()


WORDS = [("scope", "running"), ("scope form b", "scan"), ("scope form c", "running")]


@pytest.mark.parametrize(("kind", "word"), WORDS)
def test_a_simulated_scope_of_each_form_is_armed_and_goes_on_as_before_when_given_up(alone, kind, word):
    """``scan`` is a word of its own for a record that rolls: it is told as it was said."""
    with started("instrument", kind) as (_, said):
        running = alone("scope", said["resource"])
        assert f"(before: {word})" in running.say(command="arm")
        assert f"waits no more; it says {word}" in running.say(command="arm", undo=True)
        running.end()


@pytest.mark.parametrize(("kind", "options"), [("generator", {}), ("letters generator", {"dialect": "letters"})])
def test_a_simulated_generator_is_set_and_goes_off_with_the_daemon(alone, kind, options):
    with started("instrument", kind) as (_, said):
        running = alone("generator", said["resource"], **options)
        done = running.say(command="generator", output="on", frequency_hz=10.7e6, level_dbm=-60)
        assert done.startswith("generator: output on, frequency 10.7 MHz, level -60 dBm")
        running.end()
        assert running.line("generator").values["output_on"] == 0.0
