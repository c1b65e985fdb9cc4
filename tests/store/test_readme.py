"""The lines that README shows for notebooks and scripts."""

import re
from pathlib import Path

import numpy as np
import pytest

from drivers.readings import Quantity, Trace
from tests.store.conftest import stay, write

README = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
EXAMPLE = re.search(r"```python\n(.*?from daemon\.records.*?)```", README, re.DOTALL)


@pytest.fixture
def repair(writer, clock, path, monkeypatch):
    """A session that has what the example asks for, where it looks for it."""
    series = writer.series("bench meter", "", Quantity.DC_V)
    times = write(writer, clock, series, [n / 100 for n in range(600)])
    for number in range(12):
        about = {"instrument": "bench meter", "hypothesis": "C704 leaks" if number > 9 else ""}
        stay(writer, times[number * 50], times[number * 50 + 49], **about)
    trace = Trace(times[0], 1e-3, np.arange(5, dtype=np.int16), 0.5, 0.0, "1")
    writer.add_capture(trace, role="kept", point="", leg="", mode="", condition="")
    writer.close()
    path.rename(path.with_name("repair.session"))
    monkeypatch.chdir(path.parent)


@pytest.mark.usefixtures("repair")
def test_every_line_of_the_example_gives_what_its_comment_says():
    found = {}
    exec(compile(EXAMPLE[1], "README.md", "exec"), found)
    lengths = {name: len(found[name]) for name in ("everything", "one_series", "one_stay", "suspected", "placements")}
    assert lengths == {"everything": 600, "one_series": 600, "one_stay": 50, "suspected": 100, "placements": 12}
    assert set(found["one_stay"]["placement"]) == {12} and set(found["suspected"]["hypothesis"]) == {"C704 leaks"}
    assert "accuracy" in found["everything"] and {"value", "limits", "judgement"} <= set(found["placements"])
    assert {"range", "resolution", "integration_s", "percent_reading"} <= set(found["settings"])
    assert len(found["events"]) == 0 and found["captures"]["id"].tolist() == [1]
    assert found["trace"].seconds.tolist() == [0.0, 1e-3, 2e-3, 3e-3, 4e-3]
    assert found["trace"].volts.tolist() == [0.0, 0.5, 1.0, 1.5, 2.0]
    assert (found["picture"].low.min(), found["picture"].high.max()) == (0.0, 5.99)
