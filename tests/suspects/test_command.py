"""``probetrail suspects`` on the README's own example, and what it says to mistakes."""

import json
import re
from pathlib import Path

import pytest

from daemon.command_line import main

README = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")


@pytest.fixture
def files(tmp_path, monkeypatch):
    monkeypatch.setenv("PROBETRAIL_HOME", str(tmp_path / "home"))
    section = README[README.index('unit = "lamp supply"') - 80 :]
    drawing, readings = tmp_path / "lamp.toml", tmp_path / "lamp.csv"
    drawing.write_text(re.search(r"```toml\n(.*?)```", section, re.S)[1])
    readings.write_text(re.search(r"```csv\n(.*?)```", section, re.S)[1])
    return drawing, readings


def said_of(files, capsys):
    assert main(["suspects", str(files[0]), "--readings", str(files[1]), "--json"]) == 0
    return json.loads(capsys.readouterr().out)


def test_the_example_of_the_readme_names_the_short(files, capsys):
    said = said_of(files, capsys)
    keys = {"named", "parts", "suspects", "credible_set", "next", "otherwise", "proofs", "no_dc_trace"}
    assert set(said) == keys and said["named"] == "parts"
    assert {each["part"] for each in said["parts"][:3]} == {"R1", "D1", "L1"}
    keys = {"part", "fault", "probability", "for", "against", "silent", "kill"}
    assert all(set(each) == keys for each in said["suspects"])
    assert all(
        set(each) == {"point", "mode", "quantity", "gain_bits", "cost", "reason"} for each in said["next"]
    )
    assert sum(each["probability"] for each in said["parts"]) <= 1.001


def test_words_hedge_and_caution(files, capsys):
    assert main(["suspects", str(files[0]), "--readings", str(files[1])]) == 0
    out = capsys.readouterr().out
    assert "never certain" in out and "does not know whether a point is safe" in out
    assert " is safe" not in out.replace("whether a point is safe", "")


@pytest.mark.parametrize(
    ("line", "named"),
    [
        ("C,ON,isolation,dc_v,1,", "its points are RAW, A, B"),
        ("A,OF,isolation,dc_v,1,", "one of ON"),
        ("A,ON,isolation,volts,1,", "one of dc_v"),
        ("A,ON,isolation,dc_v,12V,", "not a number"),
        ("A,ON,isolation,across_v,1,", "write them as A - B"),
        ("A,ON,isolation,current_a,1,", "one of V1"),
        (",ON,isolation,works,2,", "write 1 if"),
        ("A,ON,isolation,dc_v,1,-2", "below 0"),
    ],
)
def test_a_mistake_is_named_with_its_line_and_its_cure(files, capsys, line, named):
    files[1].write_text(files[1].read_text() + line + "\n")
    assert main(["suspects", str(files[0]), "--readings", str(files[1])]) == 1
    error = capsys.readouterr().err
    assert "line 4" in error and named in error


def test_a_point_above_the_touch_limit_comes_with_its_caution(files, capsys):
    files[0].write_text(files[0].read_text().replace("value = 20", "value = 120"))
    files[1].write_text("point,mode,condition,quantity,value,uncertainty\n")
    assert any("Above the touch limit" in each["reason"] for each in said_of(files, capsys)["next"])


def test_ohms_with_the_power_off_find_the_short(files, capsys):
    with files[1].open("a") as file:
        file.write("B,,off,ohm_off,0.4,\n")
    assert said_of(files, capsys)["parts"][0]["part"] in ("D1", "L1")
    files[1].write_text("point,mode,condition,quantity,value,uncertainty\nRAW - A,,off,ohm_off,1e6,\n")
    assert said_of(files, capsys)["parts"][0]["part"] == "F1"


def test_readings_through_the_lamp_are_passed_over(files, capsys):
    before = said_of(files, capsys)["parts"]
    with files[1].open("a") as file:
        file.write("A,ON,series lamp,dc_v,3,\n")
    assert said_of(files, capsys)["parts"] == before
