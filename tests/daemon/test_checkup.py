"""A check of a bench: each instrument, what it can do, and what is wrong with it."""

import pytest

from daemon.bench_file import Bench, Setup
from daemon.checkup import check_bench, check_one
from drivers.protocols import InstrumentSpec
from drivers.readings import Identity
from drivers.registry import open_instrument
from tests.drivers.conftest import clock, serve
from tests.drivers.instruments import bench_meter, generator, supply, two_channel_scope
from tests.drivers.scripted import Scripted, replaced_by
from tests.drivers.servers import HislipServer, PtyServer, TcpServer, Vxi11Server
from tests.drivers.test_foreign_server import ForeignBench

__all__ = ["clock", "serve"]

MOMENT_S = 0.05
SHORT_S = 0.15


@pytest.fixture(autouse=True)
def short_silences(monkeypatch):
    monkeypatch.setattr("drivers.finding.kinds.TRY_S", SHORT_S)


def setup_of(resource, kind="meter", *, poll_s=1.0, name="it", role="", probes=(), watch=False, **options):
    spec = InstrumentSpec(name, kind, resource, timeout_s=SHORT_S, options=options)
    return Setup(spec, poll_s, probes=probes, role=role, watch_switch_on=watch)


@pytest.fixture
def check(serve, clock):
    """``check(instrument, kind)`` serves the instrument over TCP and checks it as that kind."""

    def start(instrument, kind="meter", server=TcpServer, **more):
        return check_one(setup_of(serve(server, instrument).resource, kind, **more), clock, MOMENT_S)

    return start


@pytest.mark.parametrize("server", [TcpServer, PtyServer, HislipServer, Vxi11Server])
def test_a_healthy_meter_is_well_over_every_link(check, server):
    checked = check(bench_meter(), server=server)
    assert checked.well, checked.wrong
    assert checked.identity == Identity("BENCH", "SCRIPTED", "0042", "1.0")
    assert checked.says == ("dc_v 12.5 V, range 10 V, steps of 10 µV",)
    assert any("CONF?" in ability for ability in checked.abilities)
    assert checked.speed is not None
    assert 0 < checked.speed.median_s <= checked.speed.slowest_s


def test_a_scope_says_its_form_and_its_channels(check):
    checked = check(two_channel_scope(), "scope", probes=("A", "B"), watch=True)
    assert checked.well, checked.wrong
    assert any("form A" in ability for ability in checked.abilities)
    assert [words.partition(":")[0] for words in checked.says] == ["channel 1", "channel 2"]
    assert "4 samples, one each 1 ms, DC, -5.12 V to 5.08 V, rolling" in checked.says[0]


def test_a_supply_gives_its_amperes(check):
    checked = check(supply(), "supply", role="supply current")
    assert checked.well, checked.wrong
    assert "current 410 mA" in checked.says


def test_a_generator_is_left_as_it_is(check):
    instrument = generator()
    instrument.hear(b"OUTP ON")
    instrument.heard.clear()
    checked = check(instrument, "generator")
    assert checked.well, checked.wrong
    assert instrument.hear(b"OUTP?") == [b"1\n"]
    assert [line for line in instrument.heard if "?" not in line and line != "SYST:LOC"] == []
    assert any("output is on" in words for words in checked.mind)
    assert any("ceiling -20 dBm" in ability for ability in checked.abilities)


def test_a_generator_that_is_on_above_its_ceiling_is_wrong_and_still_left_on(check):
    instrument = generator()
    for line in (b"POW 0 DBM", b"OUTP ON"):
        instrument.hear(line)
    checked = check(instrument, "generator")
    assert not checked.well
    assert "above the ceiling of -20 dBm" in checked.wrong[0]
    assert "at its front panel" in checked.wrong[0]
    assert instrument.hear(b"OUTP?") == [b"1\n"]


def test_where_nobody_listens_it_says_so_with_the_cure(serve, clock):
    place = serve(TcpServer, bench_meter())
    place.stop()
    checked = check_one(setup_of(place.resource), clock, MOMENT_S)
    assert checked.identity is None
    assert "nobody answers" in checked.wrong[0]
    assert "is the port right" in checked.wrong[0]


def test_a_silent_instrument_is_told_from_one_that_is_not_there(check):
    checked = check(Scripted(silent=True))
    assert any("does not answer *IDN?" in words for words in checked.wrong)


def test_rubbish_is_told_from_silence(check):
    instrument = Scripted()
    for _ in range(20):
        instrument.fault("*IDN?", replaced_by(b"\xff\xfe\xf0\n"))
    checked = check(instrument)
    assert any("not what IEEE 488.2 has there" in words for words in checked.wrong)
    assert not any("does not answer" in words for words in checked.wrong)


@pytest.mark.parametrize(
    ("instrument", "written", "told"),
    [(bench_meter, "scope", "meter"), (two_channel_scope, "meter", "scope"), (generator, "meter", "generator")],
)
def test_a_wrong_kind_is_named_with_the_right_one(check, instrument, written, told):
    checked = check(instrument(), written)
    assert any(f'write kind = "{told}"' in words for words in checked.wrong), checked.wrong


def test_a_meter_is_not_asked_as_a_supply_for_that_would_turn_its_function(check):
    """MEASure configures and then reads (SCPI-99 vol. 2, 3.4)."""
    instrument = bench_meter(**{"MEAS:CURR?": "+1.0E-1", "MEAS:VOLT?": "+1.0E+0"})
    checked = check(instrument, "supply")
    assert any('write kind = "meter"' in words for words in checked.wrong)
    assert not [line for line in instrument.heard if "MEAS" in line]


def test_errors_that_were_waiting_in_its_queue_are_told(check):
    instrument = bench_meter()
    instrument.errors.append('-222,"Data out of range"')
    checked = check(instrument)
    assert "-222 Data out of range" in checked.wrong[0]


def test_a_function_that_is_not_kept_is_told_with_the_cure(check):
    checked = check(bench_meter(**{"CONF?": '"TOT +1.0E+01,+1.0E-05"'}))
    assert any("not one that is kept: turn its knob" in words for words in checked.wrong)


def test_without_a_way_back_to_its_panel_it_is_well_and_to_be_minded(check):
    instrument = bench_meter()
    del instrument.answers["SYST:LOC"]
    checked = check(instrument)
    assert checked.well
    assert any("key for local" in words for words in checked.mind)


def test_a_period_that_cannot_be_kept_is_told_with_one_that_can(check, monkeypatch):
    checked = check(bench_meter(), poll_s=1e-9)
    assert any(words.startswith("poll_s = 1e-09 cannot be kept: write poll_s = 0.0") for words in checked.wrong)


def test_amperes_that_never_come_are_told_where_they_are_to_tell_the_switch_on(check):
    checked = check(bench_meter(), role="supply current")
    assert any("no switch-on can be noticed" in words for words in checked.wrong)


def test_a_probe_without_its_channel_is_told(check):
    instrument = two_channel_scope()
    instrument.answers["CHAN2:DISP?"] = "0"
    checked = check(instrument, "scope", probes=("A", "B"))
    assert any("probe 'B' is its channel 2, which it does not show" in words for words in checked.wrong)


def test_a_scope_that_is_to_watch_and_does_not_roll_is_to_be_minded(check):
    instrument = two_channel_scope()
    instrument.answers["TIM:MODE?"] = "MAIN"
    checked = check(instrument, "scope", probes=("A",), watch=True)
    assert any("does not roll now" in words for words in checked.mind)


def test_a_check_arms_no_scope(check):
    instrument = two_channel_scope()
    instrument.answers["SING"] = None
    check(instrument, "scope", armed=True)
    assert not [line for line in instrument.heard if "SING" in line or "STOP" in line]


def test_an_instrument_that_fails_half_way_is_told(check):
    instrument = bench_meter()
    values = iter(["+1.0E+00"] * 3)
    instrument.answers["FETC?"] = lambda: next(values, "rubbish")
    checked = check(instrument)
    assert not checked.well
    assert "rubbish" in checked.wrong[0]


def test_answers_that_do_not_come_one_for_one_are_told(check):
    instrument = bench_meter()
    values = iter(["+1.0E+00", "+1.0E+00"])

    def value():
        if (text := next(values, None)) is None:
            instrument.held.append(b"+7.0E+00\n")  # comes with the next question
        return text or "+1.0E+00"

    instrument.answers["FETC?"] = value
    checked = check(instrument)
    assert not checked.well
    assert checked.wrong


def test_one_that_fails_takes_nothing_from_the_others(serve, clock):
    good, bad = serve(TcpServer, bench_meter()), serve(TcpServer, Scripted(silent=True))
    setups = (setup_of(good.resource, name="good"), setup_of(bad.resource, name="bad"))
    results = check_bench(Bench(setups), clock, MOMENT_S)
    assert [(checked.setup.spec.name, checked.well) for checked in results] == [("good", True), ("bad", False)]


def test_a_driver_that_fails_by_its_own_mistake_takes_nothing_from_the_others(serve, clock, caplog):
    def opener(spec, clock):
        if spec.name == "theirs":
            raise KeyError("a mistake of the driver")
        return open_instrument(spec, clock)

    places = [serve(TcpServer, bench_meter()) for _ in range(2)]
    setups = tuple(setup_of(place.resource, name=name) for place, name in zip(places, ("ours", "theirs"), strict=True))
    ours, theirs = check_bench(Bench(setups), clock, MOMENT_S, opener)
    assert ours.well
    assert "its driver failed (KeyError('a mistake of the driver'))" in theirs.wrong[0]


def test_the_same_instrument_in_two_tables_is_told_in_both(serve, clock):
    instrument = bench_meter()
    places = [serve(TcpServer, instrument), serve(HislipServer, instrument)]
    setups = tuple(setup_of(place.resource, name=f"m{number}") for number, place in enumerate(places))
    one, two = check_bench(Bench(setups), clock, MOMENT_S)
    assert "the same instrument answers as m1: let one table have it." in one.mind
    assert "the same instrument answers as m0: let one table have it." in two.mind


def test_two_tables_of_one_place_are_checked_one_after_the_other(serve, clock):
    place = serve(TcpServer, bench_meter())
    under_way, most = [], []

    def opener(spec, clock):
        under_way.append(spec.name)
        most.append(len(under_way))
        instrument = open_instrument(spec, clock)
        let_go = instrument.let_go

        def done():
            let_go()
            under_way.remove(spec.name)

        instrument.let_go = done
        return instrument

    setups = tuple(setup_of(place.resource, name=name) for name in ("one", "two"))
    results = check_bench(Bench(setups), clock, MOMENT_S, opener)
    assert [checked.well for checked in results] == [True, True]
    assert most == [1, 1]


def test_a_foreign_server_is_checked_like_any_instrument(clock):
    """``scpipy`` from PyPI, which nobody of this project wrote: it has no error queue and no SYST:LOC."""
    answers = {"CONFigure?": lambda: '"VOLT +1.0E+01,+1.0E-05"', "FETCh?": lambda: "+1.5E+00"}
    bench = ForeignBench(answers)
    setup, end_s = setup_of(f"TCPIP::127.0.0.1::{bench.port}::SOCKET"), clock.monotonic_s() + 10
    try:
        # It says that it has begun before it listens.
        while (checked := check_one(setup, clock, MOMENT_S)).identity is None and clock.monotonic_s() < end_s:
            pass
    finally:
        bench.stop()
    assert checked.well, checked.wrong
    assert checked.says == ("dc_v 1.5 V, range 10 V, steps of 10 µV",)
    assert any("key for local" in words for words in checked.mind)
