"""``probetrail check`` of the simulated bench: TCP, serial and VISA, every kind of instrument, as processes."""

import json

from tests.bench.played import bench, start


def test_the_simulated_bench_is_well(tmp_path):
    with bench("mixer", tmp_path):
        process = start("daemon", "check", str(tmp_path / "bench.toml"), "--seconds", "0.5", "--json")
        content = json.loads(process.communicate(timeout=60)[0])
    assert process.returncode == 0, content
    instruments = {entry["name"]: entry for entry in content["instruments"]}
    assert set(instruments) == {"meter", "clip meter", "scope", "generator", "supply monitor"}
    assert all(entry["poll_s_kept"] and not entry["wrong"] for entry in instruments.values())
    assert any("form A" in ability for ability in instruments["scope"]["abilities"])
    assert "output off" in instruments["generator"]["now"]
    assert any(words.startswith("current") for words in instruments["supply monitor"]["now"])
