import contextlib

import pytest
from hypothesis import HealthCheck, settings

from daemon.store.writer import SessionWriter
from drivers.clock import HandClock
from drivers.readings import Quantity

# How long an example takes says nothing on a machine that does other work too.
settings.register_profile("store", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("store")

TAGS = {"point": "", "leg": "", "mode": "", "condition": "", "hypothesis": ""}


@pytest.fixture
def clock():
    return HandClock()


@pytest.fixture
def path(tmp_path):
    return tmp_path / "mixer.session"


@pytest.fixture
def writer(path, clock):
    with SessionWriter.create(path, clock, {"unit": "mixer"}) as writer:
        yield writer


@pytest.fixture
def series(writer):
    return writer.series("meter", "", Quantity.DC_V)


def write(writer, clock, series, values, step_s=0.02, flags=0):
    """Append values ``step_s`` apart; returns the times kept."""
    times = []
    for value in values:
        clock.turn(step_s)
        times.append(writer.append(series, clock.now_us(), value, flags))
    return times


def stay(writer, t0_us, t1_us=None, **columns):
    """A placement of the one meter of these tests."""
    place = {"instrument": "meter", "channel": "", "probe": "red", "quantity": "dc_v"}
    number = writer.open_placement(t0_us, **(place | TAGS | columns))
    if t1_us is not None:
        writer.set_placement(number, t1=t1_us)
    return number


@contextlib.contextmanager
def full_disk(writer):
    """While inside, the file of this writer cannot grow by a single page: SQLite's own ceiling."""
    sql = writer._sql
    (pages,) = sql.execute("PRAGMA page_count").fetchone()
    sql.execute(f"PRAGMA max_page_count = {pages}")
    try:
        yield
    finally:
        sql.execute("PRAGMA max_page_count = 4294967294")
