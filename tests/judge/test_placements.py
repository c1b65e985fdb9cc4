"""``probetrail placements`` on files as loggers write them, and what it says to mistakes."""

import json
import math

import numpy as np
import pytest

from daemon.command_line import main
from daemon.judge.placements import Placement, find_placements, with_accuracy
from daemon.series_file import SeriesFileError, parse_series
from drivers.readings import Flag, Quantity


def rows(rate_hz=10.0, seed=1, cell=lambda value: f"{value:.3f}", between=lambda rng: rng.normal(0, 0.03)):
    """2 s in the air, 4 s on 12.34 V, 2 s in the air, 4 s on 0 V, 2 s in the air, as lines of a file."""
    rng, lines = np.random.default_rng(seed), ["t_s,value"]
    for number in range(int(14 * rate_hz)):
        t_s = number / rate_hz
        on = 12.34 if 2 <= t_s < 6 else 0.0 if 8 <= t_s < 12 else None
        value = between(rng) if on is None else on + rng.normal(0, 0.0005)
        lines.append(f"{t_s:.3f},{value if isinstance(value, str) else cell(value)}")
    return lines


def found_in(lines):
    return find_placements(parse_series("\n".join(lines) + "\n", "made.csv"))


@pytest.mark.parametrize("rate_hz", [2.0, 5.0, 10.0, 30.0, 100.0])
def test_both_points_are_found_at_any_rate(rate_hz):
    twelve, zero = found_in(rows(rate_hz))
    assert twelve.value == pytest.approx(12.34, abs=1e-3)
    assert zero.value == pytest.approx(0.0, abs=1e-3)
    assert twelve.from_us == pytest.approx(2e6, abs=1e6 / rate_hz) and twelve.to_us <= 6e6
    assert twelve.count == pytest.approx(4 * rate_hz, abs=1)


def to_the_last_bit(value):
    return repr(round(value / 0.001) * 0.001)


@pytest.mark.parametrize(
    "cell", [repr, to_the_last_bit, lambda v: f"{v:.6e}", lambda v: f"{v:.2f}", lambda v: f"{v:g}"]
)
def test_values_may_be_written_with_any_digits(cell):
    """Not rounded at all, rounded but to the last bit, in powers of ten, two decimals, trailing zeros dropped."""
    values = [placement.value for placement in found_in(rows(cell=lambda value: cell(float(value))))]
    assert values == [pytest.approx(12.34, abs=2e-3), pytest.approx(0.0, abs=2e-3)]


@pytest.mark.parametrize("nothing", ["", "nan", "NaN", "9.91E37", "9.9E37", "OL", "inf", "-9.9e37"])
def test_cells_without_a_value_are_never_a_placement_and_a_few_do_not_end_one(nothing):
    lines = rows(between=lambda rng: nothing)
    for blank in (40, 41, 90):
        lines[blank] = f"{lines[blank].split(',')[0]},{nothing}"
    twelve, zero = found_in(lines)
    assert (twelve.count, zero.count) == (38, pytest.approx(39, abs=1))


def test_rows_that_are_missing_a_moment_do_not_end_a_placement():
    lines = rows()
    del lines[40:45]
    assert len(found_in(lines)) == 2


def test_other_columns_order_spaces_and_a_byte_order_mark_are_no_matter():
    lines = [f"x,{', '.join(reversed(line.split(',')))}" for line in rows()]
    text = "\ufeff" + "\r\n".join(lines)
    assert len(find_placements(parse_series(text, "made.csv"))) == 2


def test_a_lead_that_reads_nothing_but_zero_in_the_air_is_not_a_placement():
    """Known from what follows upon every stay: a file is gone through twice."""
    lines, rng = ["t_s,value"], np.random.default_rng(3)
    for number in range(300):
        on = (number // 30) % 2
        lines.append(f"{number / 10},{12.0 + number // 60 + rng.normal(0, 5e-4) if on else 0.0:.3f}")
    assert [round(placement.value) for placement in found_in(lines)] == [12, 13, 14, 15, 16]


def test_a_step_is_the_last_digit_as_it_was_written_decade_by_decade():
    """Where values come again; digits that never do are no display's."""
    cells = ["23.37", "23.4", "23.37", "0.6248", "0", "0.6248", "", "5.123456789", "5.123466789", "5.1234457"]
    text = "t_s,value\n" + "".join(f"{number},{cell}\n" for number, cell in enumerate(cells))
    shown = parse_series(text, "made.csv")
    assert [each.resolution for each in shown[:6]] == pytest.approx([0.01, 0.01, 0.01, 1e-4, 1e-4, 1e-4])
    assert [each.resolution for each in shown[7:]] == [None, None, None]
    assert shown[6].flags == Flag.NOT_A_NUMBER


def test_an_open_path_on_ohms_is_a_placement_without_a_value(tmp_path, capsys):
    file = tmp_path / "ohms.csv"
    file.write_text("t_s,value\n" + "".join(f"{n / 4},{'OL' if n < 12 else 330.2}\n" for n in range(30)))
    assert main(["placements", str(file), "--quantity", "ohm", "--json"]) == 0
    overload, ohms = json.loads(capsys.readouterr().out)["placements"]
    assert (overload["value"], overload["uncertainty"], overload["count"]) == (None, None, 12)
    assert ohms["value"] == pytest.approx(330.2)
    assert main(["placements", str(file), "--quantity", "ohm"]) == 0
    assert "overload" in capsys.readouterr().out


def test_json_and_words_say_the_same_and_accuracy_widens_it(tmp_path, capsys):
    file = tmp_path / "series.csv"
    file.write_text("\n".join(rows()))
    assert main(["placements", str(file), "--json"]) == 0
    twelve, _ = json.loads(capsys.readouterr().out)["placements"]
    assert set(twelve) == {"from_s", "to_s", "value", "uncertainty", "count"}
    assert 0 < twelve["uncertainty"] < 0.001
    assert main(["placements", str(file), "--json", "--accuracy", "0.5"]) == 0
    wider = json.loads(capsys.readouterr().out)["placements"][0]["uncertainty"]
    # GUM 4.3.7: u = a / sqrt(3) for limits of error +-a, here 0.5 % of 12.34 V.
    assert wider == pytest.approx(math.hypot(twelve["uncertainty"], 0.0617 / math.sqrt(3)), rel=1e-3)
    assert main(["placements", str(file)]) == 0
    words = capsys.readouterr().out
    assert "12.3399" in words and "k = 2" in words and len(words.splitlines()) == 2
    assert main(["placements", str(file), "--accuracy", "0"]) == 0


def test_a_series_in_which_nothing_rests_says_so(tmp_path, capsys):
    file = tmp_path / "air.csv"
    file.write_text("t_s,value\n0,1\n0.1,\n")
    assert main(["placements", str(file)]) == 0
    assert "rested nowhere" in capsys.readouterr().out
    assert main(["placements", str(file), "--json"]) == 0
    assert json.loads(capsys.readouterr().out) == {"placements": []}


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "line 1: the file is empty: write t_s,value there"),
        ("0,1\n", "line 1: the columns t_s and value must be named there"),
        ("t_s;value\n0;1\n", "separate the columns by commas"),
        ("t_s,value\n0,1\nx,2\n", "line 3: 'x' is no time: write seconds"),
        ("t_s,value\n0,1\n,2\n", "line 3: '' is no time"),
        ("t_s,value\n0,1\nnan,2\n", "line 3: 'nan' is no time"),
        ("t_s,value\n1,1\n\n0.5,2\n", "line 4: time goes back from 1 to 0.5: sort the lines by t_s"),
        ("t_s,value\n0,12 V\n", "line 2: '12 V' is no number: write one such as 23.37"),
        ('t_s,value\n0,"12,5"\n', "line 2: '12,5' is no number"),
        ("t_s,value\n0,1_000\n", "line 2: '1_000' is no number"),
    ],
)
def test_a_mistake_is_named_with_its_line_and_its_cure(tmp_path, capsys, text, says):
    file = tmp_path / "series.csv"
    file.write_text(text)
    assert main(["placements", str(file)]) == 1
    assert says in capsys.readouterr().err


def test_many_mistakes_come_at_once_and_a_file_that_is_none_is_named(tmp_path, capsys):
    with pytest.raises(SeriesFileError) as caught:
        parse_series("t_s,value\n" + "0,x\n" * 50, "bad.csv")
    assert str(caught.value).count("\n") == 20 and str(caught.value).endswith("and 30 more")
    assert main(["placements", str(tmp_path / "none.csv")]) == 1
    assert "cannot be read" in capsys.readouterr().err
    (tmp_path / "binary.csv").write_bytes(b"\xff\xfe\x00")
    assert main(["placements", str(tmp_path / "binary.csv")]) == 1


def test_an_accuracy_below_nothing_is_refused(capsys):
    with pytest.raises(SystemExit):
        main(["placements", "x.csv", "--accuracy", "-1"])
    assert "must be 0 or more" in capsys.readouterr().err


def test_times_since_1970_and_equal_times_are_taken():
    lines = rows(30.0)
    moved = [lines[0], *(f"{1.7e9 + float(line.split(',')[0]):.1f},{line.split(',')[1]}" for line in lines[1:])]
    assert [round(each.value, 2) for each in found_in(moved)] == [12.34, 0.0]


def test_uncertainty_without_accuracy_is_that_of_the_readings():
    placement = Placement(0, 1, 10.0, 0.002, 10, 1)
    assert with_accuracy(placement, 0.0) == 0.002
    assert find_placements([], Quantity.DC_V) == []
