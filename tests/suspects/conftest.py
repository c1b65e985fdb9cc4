import pytest

from tests.suspects import spice


@pytest.fixture(scope="session")
def ngspice():
    if spice.ngspice() is None:
        pytest.fail(spice.MISSING)
