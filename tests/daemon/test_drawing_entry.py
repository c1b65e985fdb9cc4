"""A drawing entered in minutes: however it is pasted, the same drawing comes out, or every mistake with its cell."""

import io
import random
import re
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.command_line import main
from daemon.drawing import Drawing, Part, Point, parse_drawing
from daemon.drawing_entry import sheet_from_text
from daemon.drawing_sheet import checked_sheet, drawing_of, sheet_of, value, volts
from daemon.drawing_toml import drawing_toml
from daemon.drawings import FORMER, Drawings
from daemon.letter_code import letter_code, parse_value
from daemon.records import open_session
from drivers.errors import CommandError, DrawingError, ProbetrailError
from tests.daemon.test_keeper import Desk

README = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
IN_README = re.search(r"```\n(unit: cassette deck.*?)```", README, re.S)[1]
HEAD = [("unit", "cassette deck"), ("nominal mains", "230"), ("tolerance", "10")]
TABLE = [
    ["point", "leg", "STOP", "PLAY", "follows mains", "tolerance", "access"],
    ["RAW", "C1+", "18.4", "18,4 V", "yes", "", ""],
    ["PBD", "", "0", "10.6", "", "5 %", "hard"],
    ["Q302", "C", "-", "6.54", "", "", "easy"],
]
PARTS = [
    ["part", "kind", "value", "nets"],
    ["R301", "resistor", "4k7", "pbd 0"],
    ["C301", "capacitor", "100u/35V", "pbd 0"],
]
WANTED = Drawing(
    "cassette deck", ("STOP", "PLAY"), 230.0, 1e7, 10.0,
    (
        Point("RAW", "C1+", None, {"STOP": 18.4, "PLAY": 18.4}, follows_mains=True),
        Point("PBD", "", None, {"STOP": 0.0, "PLAY": 10.6}, tolerance_percent=5.0, access="hard", fed_by=("RAW",)),
        Point("Q302", "C", None, {"PLAY": 6.54}, fed_by=("PBD",)),
    ),
    (Part("R301", "resistor", ("pbd", "0"), 4700.0), Part("C301", "capacitor", ("pbd", "0"), 1e-4)),
)  # fmt: skip


def as_text(mark, quote=False):
    """The table with this separator; with commas what holds one is quoted."""
    cell = (lambda text: f'"{text}"' if "," in text else text) if quote else str
    lines = [f"{key}: {said}" for key, said in HEAD] + [""]
    lines += [mark.join(map(cell, row)) for row in TABLE] + ["", "RAW -> PBD -> Q302", ""]
    lines += [mark.join(map(cell, row)) for row in PARTS]
    return "\n".join(lines)


def gaps():
    widths = [max(len(row[n]) if n < len(row) else 0 for row in TABLE) + 3 for n in range(7)]
    lines = [f"{key}: {said}" for key, said in HEAD]
    lines += ["".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)) for row in TABLE]
    lines += ["RAW -> PBD -> Q302", *("   ".join(cell.ljust(12) for cell in row) for row in PARTS)]
    return "\n".join(lines)


FORMS = {"tabs": as_text("\t"), "semicolons": as_text(";"), "commas": as_text(",", quote=True), "bars": as_text(" | ")}


@pytest.mark.parametrize("text", [*FORMS.values(), gaps()], ids=[*FORMS, "gaps"])
def test_however_the_cells_are_parted_the_same_drawing_comes_out(text):
    assert drawing_of(sheet_from_text(text, "deck.csv"), "deck.csv") == WANTED


def test_the_table_in_the_readme_is_taken_as_it_stands():
    text = IN_README
    drawing = drawing_of(sheet_from_text(text, "readme"), "readme")
    assert [(p.name, p.leg, p.access, p.fed_by) for p in drawing.points] == [
        ("RAW", "C1+", "easy", ()), ("PBD", "", "hard", ("RAW",)), ("Q302", "C", "easy", ("PBD",)),
    ]  # fmt: skip
    assert drawing.points[1].printed_v == {"STOP": 0.0, "PLAY": 10.6} and drawing.points[1].tolerance_percent == 5


MISTAKES = (
    ("18,4 V", "18..4", "line 6, point RAW, printed PLAY: '18..4' is no number", ("point", 0, "printed PLAY")),
    ("yes", "perhaps", "line 6, point RAW, follows_mains: 'perhaps' is neither", ("point", 0, "follows_mains")),
    ("hard", "behind", "line 7, point PBD, access: 'behind' is not known", ("point", 1, "access")),
    ("RAW ->", "RAU ->", "line 10, point PBD, fed_by: 'RAU' is no point of this drawing", ("point", 1, "fed_by")),
    ("-> Q302", "-> Q303", "line 10: 'Q303' in the arrows is no point of this table", ("", None, "Q303")),
    ("4k7", "4kk7", "line 13, part R301, value: '4kk7' is not a part value", ("part", 0, "value")),
    ("capacitor", "kapazitor", "line 14, part C301, kind: unknown kind 'kapazitor'", ("part", 1, "kind")),
    ("follows mains", "folows mains", "line 5: column 'folows mains' is not known: did", ("", None, "folows mains")),
    (": 230", ": many", "line 2, drawing, nominal_mains_v: 'many'", ("drawing", None, "nominal_mains_v")),
    ("unit: cassette deck\n", "\n", "drawing, unit: is missing: give it a text", ("drawing", None, "unit")),
    ("nominal mains: 230", "seen today", "line 2: 'seen today' is not understood: say", ("", None, "line 2")),
    ("easy", "easy;beyond", "line 8: 'beyond' stands beyond the last column", ("point", 2, "name")),
)


@pytest.mark.parametrize(("right", "wrong", "words", "cell"), MISTAKES, ids=[each[1].strip() for each in MISTAKES])
def test_each_mistake_names_line_row_cell_and_cure_and_loses_nothing(right, wrong, words, cell):
    text = as_text(";")
    sheet = sheet_from_text(text.replace(right, wrong, 1), "deck.csv")
    drawing, cells, lines = checked_sheet(sheet, "deck.csv")
    assert drawing is None
    assert [line for line in lines if line.startswith(f"deck.csv: {words}")], lines
    assert cell in {(each.table, each.row, each.key) for each in cells}
    kept = " ".join(str(row) for row in [sheet.head, *sheet.points, *sheet.parts])
    assert "Q302" in kept and "R301" in kept, "all the other cells are there to be gone on with"


def test_one_column_of_volts_is_one_mode():
    drawing = drawing_of(sheet_from_text("unit: lamp supply\npoint,volts\nRAW,20\nA,19.6 V", "x.csv"), "x.csv")
    assert drawing.modes == ("ON",) and drawing.points[1].printed_v == {"ON": 19.6}


def test_toml_is_taken_as_it_is():
    assert drawing_of(sheet_from_text(drawing_toml(WANTED_WITH_PLACES), "deck.toml"), "x") == WANTED_WITH_PLACES


WANTED_WITH_PLACES = Drawing(
    'deck "2"', ("STOP", "PLAY"), 230.0, 1e6, 20.0,
    (
        Point("B12", photo="board.jpg", at=(0.25, 0.5), net="a", printed_v={"PLAY": -0.63}, source_ohm=1e5),
        Point("B12", "k", relay_delay_s=2.0, ripple_vpp=0.005),
    ),
    (
        Part("S1", "selector", ("a", "0", "c"), contact_in={"PLAY": "c", "STOP": "0"}),
        Part("J1", "jumper", ("a", "c"), weight=3.0),
        Part("V1", "source", ("a", "0"), 12.5, inner_ohm=0.1, follows_mains=True),
        Part("U1", "regulator", ("a", "c", "0"), 5.0, dropout_v=1.5),
        Part("L1", "load", ("c", "0"), current_a=0.03),
    ),
)  # fmt: skip


def test_a_drawing_comes_back_from_its_cells_and_from_its_toml():
    for drawing in (WANTED, WANTED_WITH_PLACES):
        assert parse_drawing(drawing_toml(drawing), "x") == drawing
        assert drawing_of(sheet_of(drawing), "x") == drawing


VOLTS = (
    ("14.8", 14.8), ("-15 V", -15.0), ("−15", -15.0), ("14,8", 14.8), ("330 mV", 0.33), ("+4.34V", 4.34), ("0", 0.0),
    (".5", 0.5), ("5 mVpp", 0.005), ("1.2 kV", 1200.0), ("2e-3", 0.002),
)  # fmt: skip


@pytest.mark.parametrize(("text", "wanted"), VOLTS)
def test_volts_are_read_as_people_write_them(text, wanted):
    assert volts(text) == pytest.approx(wanted, rel=1e-12)


@pytest.mark.parametrize("text", ["", "V", "12..3", "4k7", "1 2", "twelve", "12 A"])
def test_what_is_no_number_of_volts_is_refused_with_the_cure(text):
    with pytest.raises(ValueError, match=r"write volts such as 14\.8"):
        volts(text)


# IEC 60062:2016, clause 4 and its examples (from memory): the letter stands for the decimal point.
CODES = (
    (0.1, "0R1"), (0.59, "0R59"), (3.32, "3R32"), (4.7, "4R7"), (47.0, "47R"), (332.0, "332R"), (1000.0, "1k"),
    (3320.0, "3k32"), (4700.0, "4k7"), (1e5, "100k"), (3.32e6, "3M32"), (1e9, "1G"), (1e-12, "1p"), (3.32e-9, "3n32"),
    (1e-7, "100n"), (4.7e-6, "4u7"), (2.2e-3, "2m2"), (1e-11, "10p"),
)  # fmt: skip


@pytest.mark.parametrize(("number", "code"), CODES)
def test_letter_codes_of_iec_60062_both_ways(number, code):
    assert letter_code(number) == code
    assert parse_value(code) == number


def test_2200u_and_2m2_are_the_same_to_the_last_bit():
    assert parse_value("2200u") == parse_value("2m2") == 0.0022


def test_a_value_may_have_its_unit_or_its_working_volts_behind_it():
    assert [value(text) for text in ("100 nF", "2200u/35V", "4k7 Ω", "47 ohm", "30 mA", "5 %", "4,7k")] == [
        1e-7, 0.0022, 4700.0, 47.0, 0.03, 5.0, 4700.0,
    ]  # fmt: skip


@settings(deadline=None)
@given(st.floats(1e-12, 1e12).map(lambda number: float(f"{number:.3g}")))
def test_any_value_of_three_digits_comes_back_from_its_code(number):
    assert parse_value(letter_code(number)) == number


@settings(deadline=None)
@given(st.text(max_size=400))
def test_anything_at_all_is_a_sheet_or_named_mistakes(text):
    """Whatever is pasted: a drawing, or mistakes in words; never another exception."""
    try:
        sheet = sheet_from_text(text, "x.csv")
    except DrawingError:
        return
    drawing, _, lines = checked_sheet(sheet, "x.csv")
    assert (drawing is None) == bool(lines)


LINES = as_text(";").splitlines()


@settings(deadline=None)
@given(st.lists(st.sampled_from([*LINES, "point", "part;part", "RAW;;;;;;;;;", "-> ->", "a;b", "|", '"']), max_size=25))
def test_lines_in_any_order_are_a_sheet_or_named_mistakes(lines):
    text = "\n".join(lines)
    try:
        drawing, _, said = checked_sheet(sheet_from_text(text, "x.csv"), "x.csv")
    except DrawingError:
        return
    assert (drawing is None) == bool(said)


# The command


def test_the_command_checks_writes_and_never_over_a_file(tmp_path, capsys, monkeypatch):
    monkeypatch.setenv("PROBETRAIL_HOME", str(tmp_path / "home"))
    source, target = tmp_path / "deck.csv", tmp_path / "deck.toml"
    source.write_text(as_text(";"), encoding="utf-8")
    assert main(["drawing", str(source), "--to", str(target), "--keep"]) == 0
    said = capsys.readouterr().out
    assert said.startswith("cassette deck: 3 points, 2 parts, modes STOP, PLAY.")
    assert parse_drawing(target.read_text(), "x").points == WANTED.points
    assert Drawings(tmp_path / "home" / "drawings").models() == ["cassette deck"]
    assert main(["drawing", str(source), "--to", str(target)]) == 1
    assert "is there already" in capsys.readouterr().err


def test_the_command_says_all_mistakes_and_writes_nothing(tmp_path, capsys):
    source, target = tmp_path / "deck.csv", tmp_path / "deck.toml"
    source.write_text(as_text(";").replace("4k7", "4kk7").replace("hard", "behind"), encoding="utf-8")
    assert main(["drawing", str(source), "--to", str(target)]) == 1
    error = capsys.readouterr().err
    assert "deck.csv: line 13, part R301" in error and "deck.csv: line 7, point PBD, access" in error
    assert not target.exists()


def test_a_file_in_another_encoding_is_named_with_the_cure(tmp_path, capsys):
    source = tmp_path / "deck.csv"
    source.write_bytes("point;ON\nÜ1;12".encode("cp1252"))
    assert main(["drawing", str(source)]) == 1
    assert "deck.csv: is not UTF-8 text: save it as CSV in UTF-8" in capsys.readouterr().err


def test_what_is_pasted_is_read_and_printed_as_toml(capsys, monkeypatch):
    monkeypatch.setattr("sys.stdin", io.StringIO("point\tON\nRAW\t20"))
    assert main(["drawing", "-", "--unit", "lamp supply"]) == 0
    assert 'unit = "lamp supply"' in capsys.readouterr().out


# Kept for each model


@pytest.fixture
def desk(tmp_path):
    desk = Desk(tmp_path)
    yield desk
    desk.keeper.close()


def entered(volts=9.0):
    point = f'[[point]]\nname = "PBV"\nprinted_v = {{ PLAY = {volts} }}'
    return f'[drawing]\nunit = "Cassette Deck"\nmodes = ["PLAY"]\n{point}'


def test_a_drawing_that_is_entered_in_the_middle_is_compared_with_what_was_read_before(desk):
    desk.say("condition", condition="direct")
    desk.say("power", state="on")
    desk.say("mode", mode="PLAY")
    desk.say("point", point="PBV")
    desk.floating()
    desk.volts(9.0)
    assert desk.state()["probes"][0]["judgement"]["verdict"] == "outside"
    desk.floating()
    desk.say("drawing", text=entered())
    with desk.records() as records:
        assert records.placements()["judgement"].iloc[-1]["verdict"] == "inside"
    assert desk.state()["unit"]["drawing"] == "Cassette Deck"


def test_a_drawing_is_found_again_by_the_units_name(desk, tmp_path):
    desk.say("drawing", text=entered().replace("Cassette Deck", "lamp supply"))
    assert desk.state()["unit"]["drawing"] == "cassette deck", "it is kept for the other model"
    path = str(tmp_path / "next.session")
    desk.say("session", do="start", file=path, unit="Lamp Supply", protection="earthed", rated_mains_v=230.0)
    assert desk.state()["unit"]["drawing"] == "lamp supply"
    desk.path = Path(path)
    with open_session(desk.keeper.session) as records:
        assert 'unit = "lamp supply"' in records.meta["drawing"], "the session carries it"


def test_a_drawing_that_calls_the_unit_by_less_than_its_name_is_found_by_either(desk, tmp_path):
    desk.say("unit", unit="Pellicott CT-3 cassette deck")
    desk.say("drawing", text=entered(9.5))
    kept = Drawings(tmp_path / "drawings")
    assert kept.text("Pellicott CT-3 cassette deck") == kept.text("cassette deck") == entered(9.5)
    assert kept.models() == ["Cassette Deck"]


def test_a_kept_drawing_with_mistakes_is_a_remark_and_the_session_goes_on(desk, tmp_path):
    desk.say("drawing", text=entered().replace("Cassette Deck", "lamp supply"))
    (tmp_path / "drawings" / "lamp-supply" / "drawing.toml").write_text("[drawing]\nunit = 3")
    desk.say("session", do="start", file=str(tmp_path / "n.session"), unit="lamp supply", protection="earthed",
             rated_mains_v=230.0)  # fmt: skip
    assert desk.state()["unit"]["drawing"] is None
    with open_session(desk.keeper.session) as records:
        assert records.events("remark")["text"].str.contains("The kept drawing of lamp supply cannot be used").any()


def test_a_wrong_drawing_is_refused_and_what_there_was_stays(desk):
    with pytest.raises(CommandError, match="unknown key"):
        desk.say("drawing", text=entered() + "\nfollow_mains = true")
    assert desk.state()["unit"]["drawing"] == "cassette deck"
    assert desk.keeper._desk.drawings.models() == []


def test_the_drawing_before_is_kept_beside_the_new_one(tmp_path):
    drawings = Drawings(tmp_path)
    path = drawings.keep(entered(9.0))
    drawings.keep(entered(9.1))
    assert (path.with_name(FORMER).read_text(), path.read_text()) == (entered(9.0), entered(9.1))


def test_a_photo_is_kept_by_what_it_is_and_never_outside_its_models_folder(tmp_path):
    drawings = Drawings(tmp_path / "drawings")
    jpeg = b"\xff\xd8\xff" + random.Random(1).randbytes(100)
    assert drawings.keep_photo("deck", "../../../upper side.exe", jpeg) == "upper-side.jpg"
    assert drawings.photos("deck") == ["upper-side.jpg"]
    assert drawings.photo("deck", "upper-side.jpg") == (jpeg, "image/jpeg")
    with pytest.raises(ProbetrailError, match="neither a JPEG nor a PNG"):
        drawings.keep_photo("deck", "page.jpg", b"<html>")
    for name in ("../deck/upper-side.jpg", "drawing.toml", "", "other.jpg"):
        with pytest.raises(ProbetrailError, match="There is no photo"):
            drawings.photo("deck", name)


def test_a_photo_comes_through_the_door_as_base64_and_nothing_else_does(desk):
    jpeg = b"\xff\xd8\xff123"
    assert desk.say("photo", unit="cassette deck", name="board", data=jpeg)["done"].startswith("board.jpg is kept")
    with pytest.raises(CommandError, match="neither a JPEG"):
        desk.say("photo", unit="cassette deck", name="board", data=b"GIF89a")
