"""A seeded part of the campaign; all of it: ``python -m tests.drivers.campaign --full``."""

from tests.drivers.campaign.running import campaign, station_names

SEED = 20260301
FAULTS = 270
LONGEST_S = 30.0


def test_no_fault_brings_a_wrong_value_a_hang_or_a_leak_or_passes_unseen():
    report = campaign(SEED, FAULTS, within_s=LONGEST_S)
    assert report.ok, "\n".join(report.lines())
    assert report.faults >= len(station_names()) and report.polls > report.faults
    assert sum(report.noticed.values()) == report.faults
