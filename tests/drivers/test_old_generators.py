"""Generators older than SCPI, by their dialects, against the simulated ones over TCP and a serial line."""

import math
import re
from importlib.resources import files

import pytest

from drivers.errors import AnswerError, CommandError, DriverError, InstrumentRefused, LinkTimeout
from drivers.protocols import InstrumentSpec
from drivers.readings import Quantity
from drivers.registry import open_instrument
from simulated_instruments.instruments.old_generator import DeafGenerator, LettersGenerator
from simulated_instruments.serving import serve_tcp, serve_tty
from tests.drivers.conformance import SHORT_S

KINDS = {"letters": LettersGenerator, "deaf": DeafGenerator}


@pytest.fixture
def old(clock, tmp_path):
    """``old("letters")`` gives the simulated generator, its server and a way to open its driver."""
    servers, drivers = [], []

    def place(name, serial=False):
        inside = KINDS[name]()
        server = serve_tty(inside, tmp_path / f"{name}.tty") if serial else serve_tcp(inside)
        servers.append(server.__enter__())

        def open_(dialect=name, **options):
            spec = InstrumentSpec(
                "it", "generator", server.resource, timeout_s=SHORT_S * 2, options={"dialect": dialect} | options
            )
            drivers.append(open_instrument(spec, clock))
            return drivers[-1]

        return inside, server, open_

    yield place
    for driver in drivers:
        driver.close()
    for server in servers:
        server.vanish()


def values(poll):
    return {reading.quantity: reading.value for reading in poll.readings}


@pytest.mark.parametrize("serial", [False, True])
def test_what_is_set_is_sent_in_its_own_words_and_read_back(old, serial):
    inside, _, open_ = old("letters", serial)
    driver = open_()
    assert driver.identity.model == "SIGNAL SOURCE 3 TYPE B"
    poll = driver.set_output(True, 10.7e6, -47.0)
    assert values(poll)[Quantity.FREQUENCY] == pytest.approx(10.7e6)
    assert values(poll)[Quantity.LEVEL] == pytest.approx(-47.0)
    assert values(poll)[Quantity.OUTPUT] == 1.0
    assert inside.heard.index("AP-47.0DM") < inside.heard.index("RF1")
    assert "FR0010.7000MZ" in inside.heard


def test_polling_only_asks(old):
    inside, _, open_ = old("letters")
    driver = open_()
    inside.heard.clear()
    assert driver.poll().remarks == ()
    assert inside.heard == ["QF", "QA", "QR", "QM"]


def test_modulation_is_set_and_read_back(old):
    _, _, open_ = old("letters")
    driver = open_()
    assert values(driver.set_modulation("am", 30.0))[Quantity.AM_DEPTH] == 30.0
    read = values(driver.set_modulation("fm", 22.5e3))
    assert (read[Quantity.AM_DEPTH], read[Quantity.FM_DEVIATION]) == (0.0, 22.5e3)
    assert values(driver.set_modulation("none"))[Quantity.FM_DEVIATION] == 0.0
    with pytest.raises(CommandError):
        driver.set_modulation("am", 130.0)


@pytest.mark.parametrize("name", ["letters", "deaf"])
@pytest.mark.parametrize("level_dbm", [-19.9, 0.0, math.nan, math.inf])
def test_above_the_ceiling_nothing_is_sent(old, name, level_dbm):
    inside, _, open_ = old(name)
    driver = open_()
    inside.heard.clear()
    with pytest.raises(CommandError) as caught:
        driver.set_output(True, 1e6, level_dbm)
    assert caught.value.field == "level_dbm"
    assert inside.heard == []


def test_a_level_that_the_templates_rounding_lifts_above_the_ceiling_is_not_sent(old, tmp_path):
    """-20.6 dBm written without decimals is -21; -20.4 would be -20, above a ceiling of -20.4."""
    inside, _, open_ = old("letters")
    text = files("drivers.dialects").joinpath("generator_letters.toml").read_text(encoding="utf-8")
    (tmp_path / "coarse.toml").write_text(text.replace("{dbm:.1f}", "{dbm:.0f}"), encoding="utf-8")
    driver = open_(str(tmp_path / "coarse.toml"), ceiling_dbm=-20.4)
    with pytest.raises(CommandError, match="would be sent as -20"):
        driver.set_output(True, 1e6, -20.4)
    assert not any(line.startswith(("AP", "RF1")) for line in inside.heard)


def test_a_level_in_microvolts_at_the_open_socket_is_twice_that_at_the_load(old):
    """-47 dBm in 50 ohm is 998.8 uV at the load (P = U^2 / R), so 1997.6 uV at the open socket."""
    inside, _, open_ = old("deaf")
    driver = open_()
    driver.set_output(True, 455e3, -47.0)
    assert inside.settings["level"] == pytest.approx(1997.6, abs=0.1)
    assert (inside.settings["on"], inside.settings["hz"]) == (1.0, 455e3)
    driver.set_output(True, level_dbm=-20.0)


def test_a_dialect_that_cannot_read_back_says_so_and_invents_no_reading(old):
    _, _, open_ = old("deaf")
    driver = open_()
    poll = driver.poll()
    assert set(values(poll)) == {Quantity.FREQUENCY}
    assert any("cannot read back its level, output" in remark for remark in poll.remarks)
    assert driver.poll().remarks == ()
    assert any("cannot be read back" in ability for ability in driver.abilities)


def test_where_the_level_cannot_be_read_back_it_has_to_be_given_to_switch_on(old):
    inside, _, open_ = old("deaf")
    driver = open_()
    with pytest.raises(CommandError) as caught:
        driver.set_output(True)
    assert caught.value.field == "level_dbm"
    assert "E 1;" not in inside.heard


def test_a_level_that_was_turned_up_by_hand_keeps_the_output_off(old):
    inside, _, open_ = old("letters")
    driver = open_()
    inside.settings["level"] = 7.0
    with pytest.raises(CommandError):
        driver.set_output(True)
    assert "RF1" not in inside.heard


def test_a_generator_that_does_not_take_the_level_stays_off(old):
    inside, _, open_ = old("letters")
    driver = open_()
    inside.settings["level"] = 7.0
    inside._rules = [rule for rule in inside._rules if not rule[0].pattern.startswith("AP")]
    with pytest.raises(InstrumentRefused):
        driver.set_output(True, level_dbm=-47.0)
    assert "RF1" not in inside.heard


def test_an_output_above_the_ceiling_is_remarked_and_left_alone(old):
    inside, _, open_ = old("letters")
    driver = open_()
    inside.settings |= {"level": 7.0, "on": 1.0}
    assert any("above the ceiling" in remark for remark in driver.poll().remarks)
    assert inside.settings["on"] == 1.0


def test_closing_switches_off_and_a_doubt_is_said_where_it_cannot_be_read_back(old):
    inside, _, open_ = old("letters")
    driver = open_()
    driver.set_output(True, level_dbm=-47.0)
    driver.close()
    assert inside.settings["on"] == 0.0
    deaf, _, open_deaf = old("deaf")
    driver = open_deaf()
    driver.set_output(True, level_dbm=-47.0)
    off = driver.switch_off()
    assert off.readings == ()
    assert any("could not be made sure" in remark for remark in off.remarks)
    for _ in range(200):
        if deaf.settings["on"] == 0.0:
            break
        driver.poll()


def test_a_generator_that_was_lost_is_switched_off_first_of_all_when_it_is_back(old):
    inside, server, open_ = old("letters")
    driver = open_()
    driver.set_output(True, level_dbm=-47.0)
    server.vanish()
    with pytest.raises(DriverError):
        driver.poll()
    assert any("could not be made sure" in remark for remark in driver.switch_off().remarks)
    driver.close()
    assert inside.settings["on"] == 1.0
    server.come_back()
    inside.heard.clear()
    again = open_()
    poll = again.poll()
    assert inside.heard[:2] == ["ID", "RF0"]
    assert any("was lost" in remark for remark in poll.remarks)
    assert values(poll)[Quantity.OUTPUT] == 0.0


def test_silence_and_other_answers_are_errors_and_the_next_value_is_right(old):
    inside, _, open_ = old("letters")
    driver = open_()
    rules = inside._rules
    inside._rules = []
    with pytest.raises(LinkTimeout):
        driver.poll()
    inside._rules = [(re.compile(".*"), lambda found: "HELLO")]
    with pytest.raises(AnswerError):
        driver.poll()
    inside._rules = rules
    assert values(driver.poll())[Quantity.LEVEL] == -60.0


def test_what_a_dialect_has_no_word_for_is_named(old):
    _, _, open_ = old("deaf")
    driver = open_()
    with pytest.raises(CommandError, match="no word for fm"):
        driver.set_modulation("fm", 1e3)
    with pytest.raises(CommandError, match="no word for the source"):
        driver.set_modulation("am", 30, "external")
