"""The three repairs, played once for all tests that look at their record, side by side: they mostly wait."""

from concurrent.futures import ThreadPoolExecutor

import pytest

from tests.bench.played import play
from tests.dashboard.conftest import chromium, context

__all__ = ["chromium", "context"]

SCENARIOS = ("mixer", "amplifier", "cassette")


@pytest.fixture(scope="session")
def repairs(tmp_path_factory):
    folders = {name: tmp_path_factory.mktemp(name) for name in SCENARIOS}
    with ThreadPoolExecutor(len(SCENARIOS)) as pool:
        waiting = {name: pool.submit(play, name, folders[name]) for name in SCENARIOS}
        return {name: future.result() for name, future in waiting.items()}


@pytest.fixture(params=SCENARIOS)
def repair(request, repairs):
    return repairs[request.param]
