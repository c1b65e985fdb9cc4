"""Long records that a scope hands out in pieces only: joined exactly, or nothing of them is kept."""

import tracemalloc

import numpy as np
import pytest

from drivers.conversation import Answer
from drivers.dialects import read_scope_dialect, scope_dialect
from drivers.dialects.scope_words import Window
from drivers.errors import DriverError, OutOfStep
from drivers.scope_forms import Waveform
from drivers.scope_pieces import _joined, fetch_whole
from drivers.waveform import Layout, Samples
from simulated_instruments.instruments.digitising import MIDDLE
from tests.drivers.conformance import block
from tests.drivers.instruments import two_channel_scope
from tests.drivers.scripted import replaced_by
from tests.drivers.test_scope_forms import placed  # noqa: F401 because it is a fixture

WAYS = [
    ("a", ""),
    ("a", ":WAV:FORM WORD"),
    ("a", ":WAV:FORM WORD;BYT LSBF;UNS 0"),
    ("a", ":WAV:FORM ASC"),
    ("b", ""),
    ("b", ":HEAD OFF"),
    ("b", ":DATA:ENC SRP;WID 2"),
    ("b", ":DATA:ENC ASC"),
]


def in_pieces_of(tmp_path, form, points):
    """The path of a form's dialect with so many points a transfer."""
    text = open_text(form)
    at_most = {"a": "125000", "b": "500000"}[form]
    assert text.count(f"points_at_most = {at_most}") == 1
    path = tmp_path / f"form_{form}_in_pieces.toml"
    path.write_text(text.replace(f"points_at_most = {at_most}", f"points_at_most = {points}"), encoding="utf-8")
    return str(path)


def open_text(form):
    from importlib.resources import files  # noqa: PLC0415 because nothing else here needs it

    return files("drivers.dialects").joinpath(f"scope_form_{form}.toml").read_text(encoding="utf-8")


@pytest.mark.parametrize("piece", [1000, 999, 300, 251])
@pytest.mark.parametrize(("form", "told"), WAYS)
def test_a_record_in_pieces_is_the_converters_sample_for_sample(placed, tmp_path, form, told, piece):  # noqa: F811 because it is the fixture
    """1,000 points in one piece, in two of which the last has one point, and in several."""
    scope = placed(form, told, in_pieces_of(tmp_path, form, piece), window=piece)
    one, two = scope.driver.record()
    held = scope.inside._stopped or scope.inside.shown()
    assert len(one.codes) == len(two.codes) == 1000
    finer = 256 if "WORD" in told or "WID 2" in told else 1
    if "ASC" not in told:
        signed = one.lowest_code < 0 and finer == 1
        for trace, codes in ((one, held.codes[0]), (two, held.codes[1])):
            wire = np.frombuffer(codes, np.uint8).astype(int)
            np.testing.assert_array_equal(
                trace.codes.astype(int) // finer + (MIDDLE if signed or finer > 1 else 0), wire
            )
    assert one.t1_us - one.t0_us == pytest.approx(50_000, abs=1)
    assert not scope.inside.status.error_count


@pytest.fixture
def stopped(placed, tmp_path):  # noqa: F811 because it is the fixture
    scope = placed("a", "", in_pieces_of(tmp_path, "a", 300), window=300)
    scope.inside.stop()
    return scope


def test_the_window_is_put_back_as_it_was_found(stopped):
    stopped.inside.answer(b":WAV:STAR 11;STOP 42")
    assert len(stopped.driver.record()[0].codes) == 1000
    assert len(stopped.driver.poll().traces[0].codes) == 32
    assert (stopped.inside.window.first, stopped.inside.window.last) == (11, 42)


def test_a_poll_takes_the_piece_that_is_set_and_chooses_none(stopped):
    stopped.inside.answer(b":WAV:STAR 11;STOP 42")
    assert len(stopped.driver.poll().traces[0].codes) == 32
    assert (stopped.inside.window.first, stopped.inside.window.last) == (11, 42)


@pytest.mark.parametrize("after", [1, 2, 3, 4])
def test_a_record_that_changes_between_pieces_is_noticed_and_nothing_is_kept(stopped, after):
    """Run and stop, as by a finger on the panel, so that the scope says that it is stopped each time it is asked."""
    send, sent = stopped.inside.take_codes, []

    def take():
        if len(sent) == after:
            stopped.inside.run_freely()
            stopped.unit.turn(1.0)
            stopped.inside.stop()
        sent.append(send())
        return sent[-1]

    stopped.inside.take_codes = take
    with pytest.raises(OutOfStep, match="changed"):
        stopped.driver.record()


def test_a_scope_that_was_set_running_between_pieces_is_noticed(stopped):
    send = stopped.inside.take_codes

    def take():
        codes = send()
        stopped.inside.run_freely()
        return codes

    stopped.inside.take_codes = take
    with pytest.raises(OutOfStep, match="changed"):
        stopped.driver.record()


def test_a_single_capture_brings_the_whole_record(placed, tmp_path):  # noqa: F811 because it is the fixture
    scope = placed("a", "", in_pieces_of(tmp_path, "a", 300), window=300, armed=True)
    assert scope.driver.poll().traces == ()
    scope.unit.turn(1.0)
    one, two = scope.driver.poll().traces
    assert len(one.codes) == len(two.codes) == 1000


def test_a_scope_without_these_words_is_asked_for_the_whole_and_spared_them_when_it_is_stopped(bench):
    instrument = two_channel_scope()
    scope = bench("scope", instrument)
    assert "ACQ:MDEP?" in " ".join(instrument.heard)
    instrument.heard.clear()
    assert [len(trace.codes) for trace in scope.record()] == [4, 4]
    assert not any("MDEP" in line or "STAR" in line for line in instrument.heard)


@pytest.fixture
def deep(bench):
    """A scope on the wire with 4 points at a time of 10."""
    held = bytes(range(100, 110))
    window = {"STAR": 1, "STOP": 4}
    instrument = two_channel_scope()
    instrument.answers |= {
        "CHAN2:DISP?": "0",
        "ACQ:MDEP?": "10",
        "TRIG:STAT?": "STOP",
        "WAV:STAR": lambda point: window.update(STAR=int(point)),
        "WAV:STOP": lambda point: window.update(STOP=int(point)),
        "WAV:STAR?": lambda: str(window["STAR"]),
        "WAV:STOP?": lambda: str(window["STOP"]),
        "WAV:DATA?": lambda: block(held[window["STAR"] - 1 : window["STOP"]]),
    }
    text = open_text("a").replace("points_at_most = 125000", "points_at_most = 4")
    return instrument, text


def test_a_piece_that_is_too_short_is_an_error_and_nothing_is_kept(bench, deep, tmp_path):
    instrument, text = deep
    path = tmp_path / "deep.toml"
    path.write_text(text, encoding="utf-8")
    scope = bench("scope", instrument, dialect=str(path))
    assert bytes(scope.record()[0].codes) == bytes(range(100, 110))
    instrument.fault("WAV:DATA?", replaced_by(block(b"abc") + b"\n"))
    with pytest.raises(OutOfStep, match="were asked for"):
        scope.record()


def test_a_record_beyond_ten_million_points_says_what_to_set(bench, deep, tmp_path):
    instrument, text = deep
    path = tmp_path / "deep.toml"
    path.write_text(text, encoding="utf-8")
    instrument.answers["ACQ:MDEP?"] = "50000000"
    scope = bench("scope", instrument, dialect=str(path))
    with pytest.raises(DriverError, match="10000000 at most"):
        scope.record()


def test_ten_million_points_in_pieces_take_the_record_and_one_piece_of_memory():
    """Not twice the record: pieces are laid where they belong, never joined at the end."""
    points, piece = 10_000_000, 125_000
    layout = Layout(1, piece, 1e-6, 0.0, 0.04, 0.0)
    row = np.arange(piece, dtype=np.uint32)

    def pieces(first, count):
        codes = ((row[:count] + first) % 251).astype(np.uint8)
        return Answer(Waveform(layout, Samples(codes, 0.04, 0.0, 0, 255)), first, 0)

    tracemalloc.start()
    whole = _joined(pieces, points, piece, lambda: True)
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert peak < points + 20 * piece
    codes = whole.value.samples.codes
    assert (len(codes), whole.value.layout.points, whole.t_us) == (points, points, 0)
    for at in (0, piece - 1, piece, 5_000_000, points - 1):
        assert codes[at] == at % 251


def test_a_dialect_without_a_window_is_asked_once(monkeypatch):
    asked = []
    monkeypatch.setattr("drivers.scope_pieces.fetch", lambda *words: asked.append(words))
    transfer = scope_dialect("form_c").transfer
    fetch_whole(None, transfer, 2, None, None)
    assert asked == [(None, transfer.form_c, 2, None)]


@pytest.mark.parametrize(
    ("wrong", "right", "said"),
    [
        ('total = ""', 'total = ":ACQ:MDEP?"', "total: cannot be empty"),
        ("points_at_most = 0", "points_at_most = 125000", "points_at_most: 0"),
        ("first_number = 2", "first_number = 1", "first_number: 2"),
        ('":WAV:STOP {end}"', '":WAV:STOP {last}"', "select 2: only {count} and {first} and {last} may"),
        ('[":WAV:STAR 1"]', '[":WAV:STAR {first}", ":WAV:STOP {last}"]', "must hold {first}"),
    ],
)
def test_mistakes_in_a_window_are_named_with_the_cure(wrong, right, said):
    text = open_text("a")
    assert right in text
    with pytest.raises(DriverError) as caught:
        read_scope_dialect(text.replace(right, wrong), "mine.toml")
    assert any(said in line for line in str(caught.value).splitlines())


def test_the_windows_of_the_dialects_are_read():
    assert scope_dialect("form_b").transfer.window == Window(
        (":DATA:STAR {first}", ":DATA:STOP {last}"), 500_000, 1, ":HOR:RECO?"
    )
